"""What a form brought: texts, ticks and files, before anything looks into them."""

import hashlib
from dataclasses import dataclass
from typing import Annotated, BinaryIO

from fastapi import Depends
from starlette.datastructures import FormData, UploadFile
from starlette.requests import Request


@dataclass(frozen=True, slots=True)
class Typed:
    """One form as it was sent."""

    form: FormData

    def text(self, name: str) -> str:
        """Return one text without the blanks around it; '' where it was left empty or not sent."""
        found = self.form.get(name)
        return found.strip() if isinstance(found, str) else ""

    def given(self, name: str) -> str | None:
        """Return one text, None where it was left empty."""
        return self.text(name) or None

    def all(self, name: str) -> tuple[str, ...]:
        """Return every text of this name that is not empty."""
        return tuple(one.strip() for one in self.form.getlist(name) if isinstance(one, str) and one.strip())

    def ticked(self, name: str) -> bool:
        """Tell whether something was ticked."""
        return bool(self.text(name))

    def files(self, name: str) -> list[tuple[str, BinaryIO]]:
        """Return the files chosen for a field: name and bytes. A field left empty sends a file without a name."""
        return [
            (one.filename, one.file) for one in self.form.getlist(name) if isinstance(one, UploadFile) and one.filename
        ]

    @property
    def once(self) -> str:
        """The random word of the form."""
        return self.text("once")

    @property
    def content(self) -> str:
        """What tells this form's content from another's; of files their names and sizes."""
        digest = hashlib.sha256()
        for name, one in self.form.multi_items():
            if name not in ("token", "once"):
                said = one if isinstance(one, str) else f"{one.filename} {one.size}"
                digest.update(f"{len(name)} {name} {len(said)} {said}".encode())
        return digest.hexdigest()

    @property
    def seen(self) -> int | None:
        """The journal entry that the page was made from."""
        text = self.text("seen")
        return int(text) if text.isdecimal() and len(text) < 18 else None


class Values(dict[str, str]):
    """What stands in the fields of a form that is shown; '' where nothing does."""

    def __missing__(self, name: str) -> str:
        return ""


async def form_of(request: Request) -> FormData:
    """Return a request's form, of no more fields and files than one may have."""
    limits = request.app.state.settings.limits
    return await request.form(max_fields=limits.fields, max_files=limits.files)


async def _typed(request: Request) -> Typed:
    return Typed(await form_of(request))


Form = Annotated[Typed, Depends(_typed)]
