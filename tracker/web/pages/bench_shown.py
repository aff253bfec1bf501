"""A bench form as it is shown: where it is, what was sent, what it would say, and what of it is wrong."""

import json
from dataclasses import asdict, dataclass, field, replace
from typing import Any

from starlette.requests import Request
from starlette.responses import Response

from tracker.bench import cautions
from tracker.bench.figures import show
from tracker.desk.bench import proposed_clock
from tracker.desk.bench_subject import BenchSubject, bench_subject
from tracker.desk.drawing import Drawing
from tracker.desk.table_preview import QUANTITIES, TablePreview
from tracker.errors import BadRequest, NoSuch
from tracker.web import bench_requests, door, needs, render
from tracker.web.bench_forms import FORMS, Form, Rows
from tracker.web.bench_says import Said
from tracker.web.bench_sent import MOST_ROWS, AtField, Row, Sent, worded
from tracker.web.bench_state import BenchState, Upload, owner_of, state_of
from tracker.web.needs import Refused


@dataclass(frozen=True, slots=True)
class Shown:
    """Everything a form's page shows beside the form itself."""

    sent: Sent
    number: str
    said: Said | None = None
    table: TablePreview | None = None
    wrong: dict[str, BadRequest] = field(default_factory=dict)
    error: BadRequest | None = None
    drafted: bool = False
    status: int = 200


@dataclass(frozen=True, slots=True)
class Desk:
    """Where a form is: the request, what the pages remember, the form and what is tested."""

    request: Request
    workspace: needs.Opened
    state: BenchState
    form: Form
    about: BenchSubject
    owner: str

    @property
    def key(self) -> tuple[str, str, str]:
        return self.owner, self.form.test, self.about.label

    @property
    def quantities(self) -> tuple[str, ...]:
        return QUANTITIES.get(self.form.test, ())

    def upload(self, found: Sent) -> Upload | None:
        return self.state.uploads.find(self.owner, found.held) if found.held else None


def desk_of(request: Request, workspace: needs.Opened, test: str, label: str) -> Desk:
    """Return where a form is.

    Raises
    ------
    Refused
        There is no such test, or nothing of this label, or the test is not one of such a thing.
    """
    form = FORMS.get(test)
    if form is None:
        raise Refused(404, "There is no such test.", f"There are {', '.join(FORMS)}.")
    about = subject_of(workspace, label, test)
    if about.kind not in form.of:
        raise Refused(422, f"{about.label} is a {about.kind}; {form.title.lower()} is a test of a {form.of[0]}.")
    return Desk(request, workspace, state_of(request), form, about, owner_of(request))


def subject_of(workspace: needs.Opened, label: str, test: str | None = None) -> BenchSubject:
    """Return what a label means.

    Raises
    ------
    Refused
        Nothing has it.
    """
    try:
        return bench_subject(workspace, label[:200], test)
    except NoSuch:
        raise
    except BadRequest as error:
        raise Refused(404, error.what, "The lists of lots and machines show what there is.") from None


def as_json(said: Said | None, error: BadRequest | None) -> dict[str, Any]:
    """Return what a form would say as the script reads it."""
    return {
        "schema": "lotproof.bench.so-far/1",
        "verdict": said.verdict if said else "",
        "rows": [(name, worded(text)) for name, text in said.words] if said else [],
        "reasons": [worded(text) for text in said.reasons] if said else [],
        "sentence": worded(said.sentence) if said else "",
        "may_stop": said.may_stop if said else False,
        "drawings": [asdict(one) for one in said.drawings] if said else [],
        "problem": f"{error.what} {error.advice}".strip() if error else "",
    }


def rows_shown(rows: Rows, found: Sent) -> list[Row]:
    """Return the rows of a form as they are shown: those filled, then at least one empty one."""
    filled = list(found.of(rows.name))
    count = max(rows.least, len(filled) + 1) + found.empty
    return filled + [("",) * len(rows.columns)] * (min(count, MOST_ROWS) - len(filled))


def as_attribute(drawing: Drawing | None) -> str:
    """Return a drawing as the script reads it."""
    return "" if drawing is None else json.dumps(asdict(drawing), ensure_ascii=False, separators=(",", ":"))


def may_read(request: Request) -> tuple[bool, tuple[str, ...]]:
    """Tell whether any instrument may be named from where the request comes, and which are named already."""
    return door.is_here(request), request.app.state.settings.instruments


def page_of(desk: Desk, shown: Shown) -> Response:
    form, found, request = desk.form, shown.sent, desk.request
    here, named = may_read(request)
    drawings = shown.said.drawings if shown.said else ()
    proposal = _proposal(desk, found, shown) if form.test == "clock" else ""
    return render.page(
        request,
        "bench_clock" if form.test == "clock" else "bench_test",
        shown.status,
        error=shown.error,
        form=form,
        about=desk.about,
        sent=found,
        shown=shown,
        wrong=shown.wrong,
        number=shown.number,
        upload=desk.upload(found),
        quantities=desk.quantities,
        rows_shown=lambda rows: rows_shown(rows, found),
        protocol=cautions.protocol(form.test),
        worded=worded,
        last_word=cautions.LAST_WORD,
        plots=[(one, as_attribute(one), desk.state.show(one)) for one in drawings],
        proposal=proposal,
        live=bool(form.live) and (here or bool(named)),
        at_home=here,
        instruments=named,
        path=request.url.path,
        going=[one for one in desk.state.readers.all() if one.label == desk.about.label and not one.recorded],
    )


def _proposal(desk: Desk, found: Sent, shown: Shown) -> str:
    if shown.error is not None and isinstance(shown.error, AtField) and shown.error.name == "clock_now":
        return ""
    try:
        asked = replace(bench_requests.request_of("clock", found, None), table=None, columns=())
        clock_hz = proposed_clock(desk.workspace, desk.about.label, asked)
    except BadRequest:
        return ""
    return "" if clock_hz is None else show(clock_hz, "Hz", 3)
