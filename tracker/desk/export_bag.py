"""A lot's whole evidence as one BagIt bag, for another workshop, a seller's complaint desk, or an archive."""

import json
import shutil
from collections.abc import Callable, Iterable
from contextlib import suppress
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from sqlalchemy.orm import Session

from tracker import __version__, journal
from tracker.canonical import canonical
from tracker.desk.bag_chain import wrong_entry, wrong_rows, wrong_signature
from tracker.desk.export_gather import Wanted, Whole, gather
from tracker.desk.export_tables import TABLES
from tracker.desk.fields import one_line
from tracker.desk.pieces import find_lot
from tracker.desk.workspace import Act, Workspace
from tracker.dossier import provenance, tables
from tracker.dossier.bag import names
from tracker.dossier.bag.records import SCHEMA, FileSaid, HeadSaid, Records
from tracker.dossier.bag.writer import BagWriter, Put, writing
from tracker.errors import Damaged
from tracker.evidence import EvidenceStore
from tracker.records.models import Lot
from tracker.records.schema import HEAD

Progress = Callable[[int, int], None]
ZIP = ".zip"
_VERIFY = "Nothing was exported. Run `lotproof verify` for the whole list."
_README = """The evidence of lot {lot}: {pieces} of {part}, written by lotproof {version} on {day}.

photos/, documents/, annotated/, bench/   the files themselves, byte for byte as they were kept
records.json      every row of the records about this lot, word for word; rows name each other by their `id`
inspections.json  what was seen in each photo of each piece, in the words of the program's own contract
runs.json         every bench run with its result and its raw samples, in SI units
journal.jsonl     the journal entries about this lot, word for word, one a line
provenance.json   who did what to which piece, from what: W3C PROV-DM as PROV-JSON
tables/           pieces, readings, runs and samples as CSV (RFC 4180, UTF-8). A text that a spreadsheet would take for
                  a formula has an apostrophe before it; take that off to have the text

To check it: any BagIt tool (RFC 8493) tells whether a file was changed, lost or added. The `hash` of a journal entry is
the SHA-256 of the canonical JSON (RFC 8785) of the seven members before it; `previous_hash` is the hash of the entry
before; `signature` is Ed25519 (RFC 8032) over the text `lotproof journal entry HASH`, by the key of that name in
records.json.
`body.rows` of an entry names the rows it wrote, by table and `id`, each with the first eight characters of the SHA-256
of the row's canonical JSON; `body.files` names the files it kept by their SHA-256. The journal's head when this was
written was entry {entry}, {hash}.
An entry may have been about other lots as well; it stands here whole, since its hash covers it whole.
"""


@dataclass(frozen=True, slots=True)
class BagWritten:
    """One bag: where it is, and what names its payload wherever it goes."""

    lot: str
    bag: Path
    zipped: bool
    files: int
    size_bytes: int
    sha256: str
    head: journal.Head
    organization: str | None


@dataclass(frozen=True, slots=True)
class _Told:
    """What the records say, gathered in one moment of theirs."""

    whole: Whole
    csv: dict[str, bytes]
    exported_at: str


def export_bag(
    workspace: Workspace,
    label: str,
    to: Path,
    *,
    zipped: bool = False,
    organization: str | None = None,
    operator: str | None = None,
    progress: Progress | None = None,
    now: datetime | None = None,
) -> BagWritten:
    """Write the bag of a lot, whole or not at all, and journal that it was handed out.

    Parameters
    ----------
    to : Path
        A new folder, or with `zipped` a new file; `.zip` is added where it is missing, and means `zipped`.
    organization : str, optional
        The workshop's name, for Source-Organization.

    Raises
    ------
    BadRequest
        When there is no such lot, something of this name is there, it cannot be written, or the workspace has moved.
    Damaged
        When an evidence file is missing or has changed.
    """
    workspace.refuse_if_moved()
    ours = None if organization is None else one_line(organization, "organization")
    zipped = zipped or to.suffix.lower() == ZIP
    target = _target(to, zipped)
    with workspace.read() as session:
        told = _tell(session, find_lot(session, label), now or datetime.now(UTC))
    with writing(target, zipped=zipped) as bag:
        paths = _copy_evidence(bag, workspace.store, told.whole.files, progress)
        _add_records(bag, told, paths, ours)
        sha256 = bag.finish(_info(told, ours))
        size = sum(one.size_bytes for one in bag.payload)
        answer = BagWritten(told.whole.lot, target, zipped, len(bag.payload), size, sha256, told.whole.head, ours)
        try:
            with workspace.act(operator, "export", answer.lot) as act:
                _journal(act, answer)
                bag.sink.place()
        except BaseException:
            _take_back(bag, target)
            raise
    return answer


def _target(to: Path, zipped: bool) -> Path:
    to = to.expanduser().absolute()
    return to if not zipped or to.suffix.lower() == ZIP else to.with_name(f"{to.name}{ZIP}")


def _tell(session: Session, lot: Lot, now: datetime) -> _Told:
    exported_at = now.astimezone(UTC).isoformat(timespec="seconds").replace("+00:00", "Z")
    whole = gather(session, lot)
    _check(whole)
    csv = {name: tables.as_bytes(columns, rows(session, lot)) for name, (columns, rows) in TABLES.items()}
    return _Told(whole, csv, exported_at)


def _check(whole: Whole) -> None:
    """Refuse to hand out as proof what is not as it was recorded."""
    wrong = next(filter(None, map(wrong_entry, (None, *whole.entries), whole.entries)), None)
    wrong = wrong or wrong_signature(whole.entries, whole.keys) or wrong_rows(whole.tables, whole.entries)
    if wrong:
        raise Damaged(f"The records of {whole.lot} are damaged: {wrong}.", _VERIFY)


def _copy_evidence(
    bag: BagWriter, store: EvidenceStore, files: Iterable[Wanted], progress: Progress | None
) -> dict[str, Put]:
    """Stream every evidence file into the bag; return where each lies by its SHA-256."""
    wanted, put = list(files), {}
    for number, one in enumerate(wanted, start=1):
        path = f"{names.PAYLOAD}/{one.folder}/{number:04d}-{names.plain_name(f'{one.kind}-{one.name}')}"
        with store.open(one.sha256) as source:
            found = bag.add(path, source)
        if found.sha256 != one.sha256:
            raise Damaged(
                f"The evidence file {one.sha256} ({one.kind}, {one.name}) has changed since it was kept.",
                _VERIFY,
            )
        put[one.sha256] = found
        if progress is not None:
            progress(number, len(wanted))
    return put


def _add_records(bag: BagWriter, told: _Told, paths: dict[str, Put], organization: str | None) -> None:
    whole = told.whole
    records = Records(
        schema=SCHEMA,
        records=HEAD,
        program=__version__,
        lot=whole.lot,
        exported_at=told.exported_at,
        workshop_id=whole.workshop_id,
        head=HeadSaid(entry=whole.head.entry, hash=whole.head.hash),
        keys=whole.keys,
        files=tuple(FileSaid(path=one.path, sha256=one.sha256, size_bytes=one.size_bytes) for one in paths.values()),
        tables=whole.tables,
    )
    bag.add(names.RECORDS, _json(records.model_dump(mode="json", by_alias=True)))
    lines = "".join(f"{canonical(entry.model_dump())}\n" for entry in whole.entries)
    bag.add(names.JOURNAL, lines.encode("utf-8"))
    bag.add(names.PROVENANCE, _provenance(told, organization, {key: put.path for key, put in paths.items()}))
    bag.add(f"{names.PAYLOAD}/inspections.json", _json(_inspections(whole)))
    bag.add(f"{names.PAYLOAD}/runs.json", _json(_runs(whole)))
    for name, data in told.csv.items():
        bag.add(f"{names.PAYLOAD}/tables/{name}.csv", data)
    bag.add(f"{names.PAYLOAD}/README.txt", _readme(told).encode("utf-8"))


def _json(value: Any) -> bytes:
    return f"{json.dumps(value, ensure_ascii=False, indent=1, allow_nan=False)}\n".encode()


def _provenance(told: _Told, organization: str | None, paths: dict[str, str]) -> bytes:
    return provenance.as_json(provenance.document(story_of(told.whole, told.exported_at, organization, paths))).encode()


def story_of(
    whole: Whole, exported_at: str, organization: str | None, paths: dict[str, str] | None = None
) -> provenance.Story:
    """Return what the provenance of a lot tells."""
    return provenance.Story(
        lot=whole.lot,
        tables=whole.tables,
        entries=whole.entries,
        workshop_id=whole.workshop_id,
        program=__version__,
        exported_at=exported_at,
        organization=organization,
        paths=paths or {},
    )


def _inspections(whole: Whole) -> dict[str, Any]:
    """Return every inspection in the contract's words, with what it is of."""
    acts = _acts(whole)
    pieces = {row["id"]: row["label"] for row in whole.tables["piece"]}
    photos = {row["id"]: row for row in whole.tables["photo"]}
    said = [
        {
            "piece": pieces[row["piece_id"]],
            "photo_sha256": photos[row["photo_id"]]["sha256"],
            "role": photos[row["photo_id"]]["role"],
            **acts[row["entry_id"]],
            "inspection": json.loads(row["document"]),
        }
        for row in whole.tables["inspection"]
    ]
    return {"schema": "lotproof.bag-inspections/1", "lot": whole.lot, "inspections": said}


def _runs(whole: Whole) -> dict[str, Any]:
    """Return every bench run with its result and samples; columns a test does not use are left out."""
    acts = _acts(whole)
    pieces = {row["id"]: row["label"] for row in whole.tables["piece"]}
    samples: dict[int, list[dict[str, Any]]] = {}
    skipped = ("id", "entry_id", "run_id", "position")
    for row in sorted(whole.tables["bench_sample"], key=lambda one: (one["run_id"], one["position"])):
        filled = {key: value for key, value in row.items() if value is not None and key not in skipped}
        samples.setdefault(row["run_id"], []).append(filled)
    said = []
    for row in whole.tables["bench_run"]:
        plain = {key: value for key, value in row.items() if key not in ("id", "entry_id", "piece_id", "machine_id")}
        about = {"piece": pieces[row["piece_id"]], **acts[row["entry_id"]]}
        said.append({**plain, **about, "result": json.loads(row["result"]), "samples": samples.get(row["id"], [])})
    return {"schema": "lotproof.bag-runs/1", "lot": whole.lot, "runs": said}


def _acts(whole: Whole) -> dict[int, dict[str, str]]:
    """Return when and by whom, by journal entry."""
    return {entry.id: {"at": entry.at, "operator": entry.operator} for entry in whole.entries}


def _readme(told: _Told) -> str:
    whole = told.whole
    pieces = len(whole.tables["piece"])
    return _README.format(
        lot=whole.lot,
        pieces="1 piece" if pieces == 1 else f"{pieces} pieces",
        part=whole.tables["lot"][0]["claimed_part"],
        version=__version__,
        day=told.exported_at[:10],
        entry=whole.head.entry,
        hash=whole.head.hash,
    )


def _info(told: _Told, organization: str | None) -> dict[str, str]:
    whole = told.whole
    part = whole.tables["lot"][0]["claimed_part"]
    return {
        "Source-Organization": organization or "",
        "Bagging-Date": told.exported_at[:10],
        "External-Identifier": f"{provenance.workshop_urn(whole.workshop_id)}{whole.lot}",
        "External-Description": f"Evidence of lot {whole.lot}, claimed to be {part}",
        "Bag-Software-Agent": f"lotproof {__version__}",
    }


def _journal(act: Act, answer: BagWritten) -> None:
    act.body.update(
        bag=answer.sha256,
        head=f"entry {answer.head.entry}, {answer.head.hash}",
        payload_files=answer.files,
        payload_bytes=answer.size_bytes,
        to=answer.bag.name,
    )


def _take_back(bag: BagWriter, target: Path) -> None:
    """Remove a bag whose handing out could not be journaled; what was there before us is never touched."""
    if bag.sink.placed:
        with suppress(OSError):
            shutil.rmtree(target) if target.is_dir() else target.unlink()
