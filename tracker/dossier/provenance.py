"""Who did what to which piece, from what: the records of a lot in the words of W3C PROV-DM, written as PROV-JSON.

Agents are the operators, the program with its version, and the workshop where it has a name. Every journal entry is an
activity (receive, photograph, bench, decide, fit ...), associated with its operator; looking at a photo is an activity
of its own, associated with the version of the program that looked. Entities are the lot, its pieces, photos, documents,
inspections, bench runs, and what was said of a piece (decision, settlement, exemplar, fitting, corrected reading). A
lot that was taken over from another workshop is derived from that workshop's lot.

Names are URNs below the workshop's own, so that the `L0003` of two workshops are two things.
"""

import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from typing import TYPE_CHECKING, Any

from tracker.dossier.bag.records import EntrySaid, corrected_marking

if TYPE_CHECKING:
    from prov.model import ProvDocument

VOCABULARY = "urn:lotproof:vocabulary:"
Rows = Mapping[str, Sequence[dict[str, Any]]]


def workshop_urn(workshop_id: str) -> str:
    """Return the URN that a workshop's things are named below; it ends with a colon."""
    return f"urn:lotproof:workshop:{workshop_id[:16]}:"


@dataclass(frozen=True, slots=True)
class Story:
    """What is told: the rows of one lot, the entries about it, and who tells it."""

    lot: str
    tables: Rows
    entries: Sequence[EntrySaid]
    workshop_id: str
    program: str
    exported_at: str
    organization: str | None
    paths: Mapping[str, str] = field(default_factory=dict)
    """Where files lie in the bag, by SHA-256."""


def document(story: Story) -> "ProvDocument":
    """Return the provenance of one lot."""
    return _Teller(story).tell()


def as_json(told: "ProvDocument") -> str:
    """Return a document as PROV-JSON."""
    return str(told.serialize(format="json", indent=1))


SECTIONS = frozenset(
    (
        *("entity", "activity", "agent", "wasGeneratedBy", "used", "wasInformedBy", "wasStartedBy", "wasEndedBy"),
        *("wasInvalidatedBy", "wasDerivedFrom", "wasAttributedTo", "wasAssociatedWith", "actedOnBehalfOf"),
        *("wasInfluencedBy", "specializationOf", "alternateOf", "mentionOf", "hadMember"),
    )
)
"""The members of a PROV-JSON document with what it describes (W3C Member Submission 'The PROV-JSON Serialization',
2013, from memory); bundles, which we never write, are not read."""


def names_in(told: Any) -> set[str]:
    """Return the URNs of everything that a PROV-JSON document describes.

    The library for provenance is not asked here: what a stranger wrote can cost it minutes (for a name that is there
    twenty thousand times, or as many prefixes, since it compares each with each).

    Parameters
    ----------
    told : Any
        The document as plain JSON values.

    Raises
    ------
    ValueError
        When it is none.
    """
    if not isinstance(told, dict):
        raise ValueError("it is no object")
    prefixes = told.get("prefix", {})
    if not isinstance(prefixes, dict) or not all(isinstance(uri, str) for uri in prefixes.values()):
        raise ValueError("its prefixes are no texts")
    known = {**prefixes, "prov": "http://www.w3.org/ns/prov#", "xsd": "http://www.w3.org/2001/XMLSchema#"}
    found: set[str] = set()
    for section, described in told.items():
        if section == "prefix":
            continue
        if section not in SECTIONS or not isinstance(described, dict):
            raise ValueError(f"it has a member {section[:40]!r}")
        for name, said in described.items():
            if not (isinstance(said, dict) or (isinstance(said, list) and all(isinstance(one, dict) for one in said))):
                raise ValueError(f"what it says of {name[:40]!r} is no object")
            prefix, colon, rest = name.partition(":")
            if not colon:
                prefix, rest = "default", name
            if prefix != "_":  # of relations, which have no names
                if prefix not in known:
                    raise ValueError(f"the prefix of {name[:40]!r} is not there")
                found.add(known[prefix] + rest)
    return found


class _Teller:
    """Adds one kind of thing after the other; each only where all it leans on is there already."""

    def __init__(self, story: Story) -> None:
        from prov.model import ProvDocument

        self.story = story
        self.doc = ProvDocument()
        self.doc.add_namespace("ws", workshop_urn(story.workshop_id))
        self.doc.add_namespace("lp", VOCABULARY)
        self.lot = f"ws:{story.lot}"
        self.pieces = {row["id"]: f"ws:{row['label']}" for row in story.tables["piece"]}
        self.photos = {row["id"]: f"ws:photo-{row['id']}" for row in story.tables["photo"]}

    def tell(self) -> "ProvDocument":
        self._agents()
        for entry in self.story.entries:
            self._entry(entry)
        self._lot()
        self._files()
        for row in self.story.tables["inspection"]:
            self._inspection(row)
        for row in self.story.tables["bench_run"]:
            self._run(row)
        for table, kind in (("decision", "Decision"), ("settlement", "Settlement"), ("exemplar", "Exemplar")):
            for row in self.story.tables[table]:
                self._word(table, kind, row)
        for row in self.story.tables["reading_correction"]:
            self._correction(row)
        self._fittings()
        self._origin()
        self._export()
        return self.doc

    def _agents(self) -> None:
        for name in sorted({entry.operator for entry in self.story.entries}):
            self.doc.agent(_operator(name), {"prov:type": _qualified(self.doc, "prov:Person"), "prov:label": name})
        if self.story.organization:
            kind = _qualified(self.doc, "prov:Organization")
            self.doc.agent("ws:workshop", {"prov:type": kind, "prov:label": self.story.organization})

    def _program(self, version: str, method: Mapping[str, str] | None = None) -> str:
        """Add the program in one version, with the versions of what it looked with, and return its name."""
        parts = json.dumps(sorted((method or {}).items()))
        suffix = f"-{hashlib.sha256(parts.encode()).hexdigest()[:8]}" if method else ""
        name = f"lp:lotproof-{_urn_word(version)}{suffix}"
        if not self.doc.get_record(name):
            more: dict[Any, Any] = {f"lp:with-{_urn_word(key)}": value for key, value in sorted((method or {}).items())}
            kind = _qualified(self.doc, "prov:SoftwareAgent")
            label = f"lotproof {version}"
            self.doc.agent(name, {"prov:type": kind, "prov:label": label, "lp:version": version, **more})
        return name

    def _entry(self, entry: EntrySaid) -> None:
        at = datetime.fromisoformat(entry.at)
        said = {
            "prov:type": _qualified(self.doc, f"lp:{_urn_word(entry.act)}"),
            "prov:label": f"{entry.act} {entry.subject}".strip(),
            "lp:journalHash": entry.hash,
        }
        program = _program_of(entry)
        if program is not None:
            said["lp:program"] = f"lotproof {program}"
        self.doc.activity(_activity(entry.id), at, at, said)
        self.doc.wasAssociatedWith(_activity(entry.id), _operator(entry.operator))

    def _entity(self, name: str, kind: str, entry_id: int, said: Mapping[str, Any]) -> str:
        attributes: dict[Any, Any] = {key: value for key, value in said.items() if value is not None}
        self.doc.entity(name, {"prov:type": _qualified(self.doc, f"lp:{kind}"), **attributes})
        self.doc.wasGeneratedBy(name, _activity(entry_id))
        return name

    def _lot(self) -> None:
        (lot,) = self.story.tables["lot"]
        (seller,) = self.story.tables["seller"]
        said = {
            "prov:label": self.story.lot,
            "lp:claimedPart": lot["claimed_part"],
            "lp:claimedMaker": lot["claimed_maker"],
            "lp:seller": seller["name"],
            "lp:sourceKind": lot["source_kind"],
            "lp:arrivedOn": lot["arrived_on"],
        }
        self._entity(self.lot, "Lot", lot["entry_id"], said)
        for row in self.story.tables["piece"]:
            name = self._entity(self.pieces[row["id"]], "Piece", row["entry_id"], {"prov:label": row["label"]})
            self.doc.hadMember(self.lot, name)
        if self.story.organization:
            self.doc.wasAttributedTo(self.lot, "ws:workshop")

    def _files(self) -> None:
        for row in self.story.tables["photo"]:
            name = self._entity(self.photos[row["id"]], "Photo", row["entry_id"], self._file(row, row["role"]))
            self.doc.used(_activity(row["entry_id"]), self.lot)
            self.doc.wasDerivedFrom(name, self.lot)
        for row in self.story.tables["document"]:
            self._entity(f"ws:document-{row['id']}", "Document", row["entry_id"], self._file(row, row["kind"]))

    def _file(self, row: Mapping[str, Any], kind: str) -> dict[str, Any]:
        return {
            "prov:label": row["name"],
            "lp:kind": kind,
            "lp:sha256": row["sha256"],
            "prov:location": self.story.paths.get(row["sha256"]),
        }

    def _inspection(self, row: Mapping[str, Any]) -> None:
        looking = f"ws:inspect-{row['photo_id']}-{row['entry_id']}"
        photo, method = self.photos[row["photo_id"]], _method(row["document"])
        if not self.doc.get_record(looking):
            self.doc.activity(looking, None, None, {"prov:type": _qualified(self.doc, "lp:inspect")})
            self.doc.used(looking, photo)
            self.doc.wasAssociatedWith(looking, self._program(method.get("lotproof", "unknown"), method))
            self.doc.wasInformedBy(looking, _activity(row["entry_id"]))
        said = {
            "prov:label": f"inspection of {self.pieces[row['piece_id']].removeprefix('ws:')}",
            "lp:marking": row["marking"],
            "lp:partRead": row["part_read"],
            "lp:suspicion": row["suspicion"],
        }
        name = f"ws:inspection-{row['id']}"
        attributes: dict[Any, Any] = {key: value for key, value in said.items() if value is not None}
        self.doc.entity(name, {"prov:type": _qualified(self.doc, "lp:Inspection"), **attributes})
        self.doc.wasGeneratedBy(name, looking)
        self.doc.wasDerivedFrom(name, photo, looking)
        self.doc.wasDerivedFrom(name, self.pieces[row["piece_id"]])

    def _run(self, row: Mapping[str, Any]) -> None:
        said = {
            "prov:label": row["label"],
            "lp:test": row["test"],
            "lp:verdict": row["verdict"],
            "lp:rule": row["rule"],
            "lp:instrument": row["instrument"],
        }
        name = self._entity(f"ws:{row['label']}", "BenchRun", row["entry_id"], said)
        self.doc.used(_activity(row["entry_id"]), self.pieces[row["piece_id"]])
        self.doc.wasDerivedFrom(name, self.pieces[row["piece_id"]], _activity(row["entry_id"]))

    def _word(self, table: str, kind: str, row: Mapping[str, Any]) -> None:
        said = {
            "lp:disposition": row.get("disposition"),
            "lp:genuine": row.get("genuine"),
            "lp:withdrawn": row.get("withdrawn"),
            "lp:reason": row.get("reason", row.get("grounds")),
        }
        name = self._entity(f"ws:{table}-{row['id']}", kind, row["entry_id"], said)
        self.doc.used(_activity(row["entry_id"]), self.pieces[row["piece_id"]])
        self.doc.wasDerivedFrom(name, self.pieces[row["piece_id"]], _activity(row["entry_id"]))

    def _correction(self, row: Mapping[str, Any]) -> None:
        """Tell that a person said what a chip reads, and which inspections that act made of it."""
        said = {
            "lp:reads": corrected_marking(row["lines"]),
            "lp:withdrawn": row["lines"] == "[]",
            "lp:reason": row["remark"],
        }
        name = self._entity(f"ws:reading-correction-{row['id']}", "ReadingCorrection", row["entry_id"], said)
        for what in (self.pieces[row["piece_id"]], self.photos[row["photo_id"]]):
            self.doc.used(_activity(row["entry_id"]), what)
            self.doc.wasDerivedFrom(name, what, _activity(row["entry_id"]))
        for one in self.story.tables["inspection"]:
            if one["entry_id"] == row["entry_id"]:
                self.doc.wasDerivedFrom(f"ws:inspection-{one['id']}", name)

    def _fittings(self) -> None:
        machines = {}
        for row in self.story.tables["machine"]:
            machines[row["id"]] = f"ws:{row['label']}"
            label = {"prov:label": row["name"], "prov:type": _qualified(self.doc, "lp:Machine")}
            self.doc.entity(machines[row["id"]], label)
        for row in self.story.tables["fitting"]:
            said = {"lp:position": row["position"], "lp:fitted": row["fitted"], "lp:reason": row["reason"]}
            name = self._entity(f"ws:fitting-{row['id']}", "Fitting", row["entry_id"], said)
            for what in (self.pieces[row["piece_id"]], machines[row["machine_id"]]):
                self.doc.used(_activity(row["entry_id"]), what)
                self.doc.wasDerivedFrom(name, what, _activity(row["entry_id"]))

    def _origin(self) -> None:
        for row in self.story.tables["lot_origin"]:
            self.doc.add_namespace("theirs", workshop_urn(row["workshop_id"]))
            theirs, kind = f"theirs:{row['their_lot']}", _qualified(self.doc, "prov:Organization")
            self.doc.agent("theirs:workshop", {"prov:type": kind, "prov:label": row["workshop"]})
            said: dict[Any, Any] = {"lp:bagSha256": row["bag_sha256"], "lp:journalHead": row["head_hash"]}
            self.doc.entity(
                theirs, {"prov:type": _qualified(self.doc, "lp:Lot"), "prov:label": row["their_lot"], **said}
            )
            self.doc.wasAttributedTo(theirs, "theirs:workshop")
            self.doc.used(_activity(row["entry_id"]), theirs)
            self.doc.wasDerivedFrom(self.lot, theirs, _activity(row["entry_id"]))

    def _export(self) -> None:
        at = datetime.fromisoformat(self.story.exported_at)
        self.doc.activity("ws:export", at, at, {"prov:type": _qualified(self.doc, "lp:export")})
        self.doc.wasAssociatedWith("ws:export", self._program(self.story.program))
        self.doc.used("ws:export", self.lot)


def _qualified(doc: "ProvDocument", name: str) -> Any:
    return doc.valid_qualified_name(name)


def _activity(entry_id: int) -> str:
    return f"ws:entry-{entry_id}"


def _operator(name: str) -> str:
    # A person's name has letters that a URN has not; the label carries it.
    return f"ws:operator-{hashlib.sha256(name.encode('utf-8')).hexdigest()[:12]}"


def _urn_word(text: str) -> str:
    return "".join(letter if letter.isascii() and (letter.isalnum() or letter in "-._") else "-" for letter in text)


def _program_of(entry: EntrySaid) -> str | None:
    """Return the version of the program that wrote an entry; the oldest do not say."""
    try:
        program = json.loads(entry.body).get("program")
    except (ValueError, AttributeError):
        return None
    return program if isinstance(program, str) else None


def _method(document: str) -> dict[str, str]:
    try:
        method = json.loads(document).get("method", {})
    except (ValueError, AttributeError):
        return {}
    return {str(key): str(value) for key, value in method.items()} if isinstance(method, dict) else {}
