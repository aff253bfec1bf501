"""Handing over: dossier, labels, card, bag, provenance, tables; and papers that come later.

What takes a while (dossiers, bags) goes to the work list, from where it is fetched. A dossier is one HTML file with its
styles inside, which our policy would not let a page of ours have; the work list sends it as an attachment, so that it
is opened from the disk, where it can neither load anything nor act in our name.
"""

from pathlib import Path
from typing import Annotated, Literal

from fastapi import APIRouter, Query
from starlette.requests import Request
from starlette.responses import Response

from tracker.desk.arrival import DOCUMENT_KINDS, Paper
from tracker.desk.card import write_card
from tracker.desk.export_files import export_provenance, export_tables
from tracker.desk.labels import SheetAsked, write_labels
from tracker.desk.named import Named, named
from tracker.desk.receive import add_documents
from tracker.desk.tasks import ask_dossier, ask_export
from tracker.dossier.label_sheets import LAYOUTS, PAPERS
from tracker.errors import BadRequest
from tracker.judgement.suspicion import counted
from tracker.web import files, needs, once, render, typed
from tracker.web.held import held_of
from tracker.web.needs import Written
from tracker.web.page_words import paged_error

router = APIRouter(include_in_schema=False)
LEFT_OUT = (
    ("prices", "Prices, sums of money in remarks, and the seller's listing pictures"),
    ("operators", "Who did what, also where remarks name them"),
    ("owners", "What refers to the owners of machines"),
)
LENGTHS = ("width", "height", "left", "top", "gap_x", "gap_y")


@router.get("/dossier/{label}")
def dossier(request: Request, workspace: needs.Opened, label: str) -> Response:
    """Ask what a dossier leaves out."""
    return _dossier(request, named(workspace, label))


def _dossier(request: Request, what: Named, error: BadRequest | None = None) -> Response:
    status = 200 if error is None else 422
    return render.page(request, "dossier", status, error=error, what=what, left_out=LEFT_OUT, once=once.new())


@router.post("/dossier/{label}", dependencies=[Written])
def make_dossier(
    request: Request,
    workspace: needs.Opened,
    operator: needs.Operator,
    working: needs.WorkList,
    label: str,
    form: typed.Form,
) -> Response:
    """Put a dossier on the work list."""
    what = named(workspace, label)

    def do() -> str:
        task = ask_dossier(
            workspace,
            working.rows,
            what.label,
            form=form.text("form") or "pdf",
            without=form.all("without"),
            operator=operator,
        )
        working.wake()
        return f"/work/{task.label}"

    return once.carried_out(request, form, do, lambda error: _dossier(request, what, error))


@router.get("/export/{label}")
def export(request: Request, workspace: needs.Opened, label: str) -> Response:
    """Ask in which form a lot is handed over."""
    return _export(request, named(workspace, label, lot=True))


def _export(request: Request, what: Named, organization: str = "", error: BadRequest | None = None) -> Response:
    status = 200 if error is None else 422
    return render.page(request, "export", status, error=error, what=what, organization=organization, once=once.new())


@router.post("/export/{label}", dependencies=[Written])
def make_bag(
    request: Request,
    workspace: needs.Opened,
    operator: needs.Operator,
    working: needs.WorkList,
    label: str,
    form: typed.Form,
) -> Response:
    """Put a lot's bag on the work list; that it was handed out is journaled when it is made."""
    what = named(workspace, label, lot=True)
    ours = form.text("organization")

    def do() -> str:
        task = ask_export(workspace, working.rows, what.label, organization=ours, operator=operator)
        working.wake()
        return f"/work/{task.label}"

    return once.carried_out(request, form, do, lambda error: _export(request, what, ours, error))


@router.get("/export/{label}/provenance")
def provenance(
    workspace: needs.Opened, label: str, organization: Annotated[str, Query(max_length=200)] = ""
) -> Response:
    """Give who did what to which piece, from what, as PROV-JSON."""
    lot = named(workspace, label, lot=True).label

    def make(folder: Path) -> Path:
        ours = organization.strip() or None
        return export_provenance(workspace, lot, folder / f"{lot}-provenance.json", organization=ours).file

    return files.made(make)


@router.get("/export/{label}/tables")
def tables(workspace: needs.Opened, label: str) -> Response:
    """Give pieces, readings, runs and samples as CSV tables."""
    lot = named(workspace, label, lot=True).label

    def make(folder: Path) -> Path:
        done = export_tables(workspace, lot, folder / "tables")
        return files.zipped(sorted(done.folder.iterdir()), folder / f"{lot}-tables.zip", done.folder)

    return files.made(make)


@router.get("/card/{label}")
def card(request: Request, workspace: needs.Opened, label: str) -> Response:
    """Ask for the paper of a card."""
    return render.page(request, "card", what=named(workspace, label, lot=True), papers=tuple(PAPERS))


@router.get("/card/{label}/file")
def card_file(
    workspace: needs.Opened,
    label: str,
    paper: Literal["a4", "letter"] = "a4",
    cells: Literal["auto", "large", "small"] = "auto",
) -> Response:
    """Give the inspection card of a lot."""
    lot = named(workspace, label, lot=True).label
    kind = None if cells == "auto" else cells

    def make(folder: Path) -> Path:
        return write_card(workspace, lot, folder / f"{lot}-card.pdf", paper=paper, kind=kind).file

    return files.made(make)


@router.get("/labels/{label}")
def labels(request: Request, workspace: needs.Opened, label: str) -> Response:
    """Ask for the sheet that labels are printed on."""
    return _labels_form(request, named(workspace, label))


@router.get("/labels/{label}/file")
def labels_file(request: Request, workspace: needs.Opened, label: str) -> Response:
    """Give labels: one sheet of them all as PDF, or a picture each."""
    what = named(workspace, label)
    try:
        asked, single = _sheet(request)
        return files.made(lambda folder: _labels(workspace, what, folder, asked, single))
    except BadRequest as error:
        return _labels_form(request, what, 422, paged_error(error))


def _labels_form(request: Request, what: Named, status: int = 200, error: BadRequest | None = None) -> Response:
    """Return the form with what was typed into it."""
    said = typed.Values(request.query_params)
    own = any(said[name] for name in ("paper", "columns", "rows", *LENGTHS))
    return render.page(
        request,
        "labels",
        status,
        error=error,
        what=what,
        layouts=LAYOUTS,
        papers=tuple(PAPERS),
        typed=said,
        own_sheet=own,
    )


def _labels(workspace: needs.Opened, what: Named, folder: Path, asked: SheetAsked, single: bool) -> Path:
    written = write_labels(workspace, [what.label], folder / "labels", asked)
    if single and len(written.pictures) == 1:
        return written.pictures[0]
    if single:
        return files.zipped(written.pictures, folder / f"{what.label}-labels.zip", folder / "labels")
    assert written.sheet is not None  # a sheet was asked for
    return written.sheet


def _sheet(request: Request) -> tuple[SheetAsked, bool]:
    """Return the sheet that was asked for, and whether single pictures are wanted."""
    said = {name: text.strip() for name, text in request.query_params.items() if text.strip()}
    numbers = {name: _number(said[name], name) for name in LENGTHS if name in said}
    counts = {name: _count(said[name], name) for name in ("columns", "rows", "start") if name in said}
    paper = said.get("paper")
    if paper is not None and paper not in PAPERS:
        raise BadRequest("There is no such paper.", f"There are: {', '.join(PAPERS)}.")
    asked = SheetAsked(name=said.get("sheet") or "plain", paper=paper, **numbers, **counts)  # type: ignore[arg-type]
    return asked, "pictures" in said


def _number(text: str, name: str) -> float:
    try:
        return float(text.replace(",", "."))
    except ValueError:
        raise BadRequest(f"The {render.words(name)} is '{text[:20]}'.", "Give a length in mm.") from None


def _count(text: str, name: str) -> int:
    if not text.isdecimal() or len(text) > 6:
        what = "first place" if name == "start" else f"number of {name}"
        raise BadRequest(f"The {what} is '{text[:20]}'.", "Give a whole number.")
    return int(text)


@router.get("/lots/{label}/papers")
def papers(request: Request, workspace: needs.Opened, label: str) -> Response:
    """Ask for papers of a lot that is here already."""
    return _papers(request, named(workspace, label, lot=True))


def _papers(request: Request, what: Named, error: BadRequest | None = None) -> Response:
    status = 200 if error is None else 422
    return render.page(request, "papers", status, error=error, what=what, kinds=DOCUMENT_KINDS, once=once.new())


@router.post("/lots/{label}/papers", dependencies=[Written])
def keep_papers(
    request: Request, workspace: needs.Opened, operator: needs.Operator, label: str, form: typed.Form
) -> Response:
    """Keep papers of a lot that is here already."""
    what, held = named(workspace, label, lot=True), held_of(request)

    def do() -> str:
        word = held.put([(kind, *one) for kind in DOCUMENT_KINDS for one in form.files(f"document-{kind}")])
        try:
            wanted = [Paper(one.kind, one.path, one.name) for one in held.get(word)]
            if not wanted:
                raise BadRequest("No paper was chosen.", "Choose one or more files.")
            add_documents(workspace, what.label, wanted, operator=operator)
        finally:
            held.drop(word)
        render.say(request, f"{counted(len(wanted), 'paper')} kept with {what.label}.")
        return f"/lots/{what.label}"

    return once.carried_out(request, form, do, lambda error: _papers(request, what, error))
