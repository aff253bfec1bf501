"""What the desk says in the words of the command line, in those of the pages: which page, which tick, which field."""

import re
from collections.abc import Callable

from tracker.errors import BadRequest

_ADVICE: tuple[tuple[str, str | Callable[[re.Match[str]], str]], ...] = (
    (r"Add --move to record both at once, or take it out first: lotproof unfit \S+", "Tick below that it is moved."),
    (r"To fit it all the same add --anyway and --reason\.", "To fit it all the same tick that below, and say why."),
    (r"--anyway needs a reason\.", "To fit it all the same needs a reason."),
    (r"Add --reason with why it is fitted all the same\.", "Say why it is fitted all the same."),
    (r"Take it out first: lotproof unfit (\S+)", r"Take it out first, on the page of \1."),
    (r"`lotproof correct` says what it reads\.", "‘It reads something else’ on its page says what it reads."),
    (r"See: lotproof show (\S+)", r"See the page of \1."),
    (r"--carrier is missing\.", "The carrier is missing."),
    (r"--tracking is missing\.", "The carrier's reference is missing."),
    (r"Leave --carrier(?: and --tracking|, --tracking and --sent-on) out\.", "Leave carrier, reference and day empty."),
    (r"Give --sent-on as the day it went out\.", "Give the day it went out."),
    (r"--withdraw takes the declaration back", "it can be taken back here"),
    (r"decide it again with --carrier and --tracking: they", "decide it again with carrier and reference: they"),
    (r"Give --into or --at of the place it was moved to\.", "Name the place it was moved to."),
    (r"Leave --owner out, or name another machine\.", "Leave the owner's reference empty, or name another machine."),
    (r"Add --reason with where they come from\.", "Say below where they come from."),
    (r"--declared goes back", "The tick goes back"),
    (r"Leave the other options out\.", "Leave the other fields empty."),
    (r"Give --columns and --rows", "Give columns and rows"),
    (r"is neither the folder of a bag nor a ZIP file\.", "is no ZIP file."),
    (r" `lotproof next LOT` looks at one, `lotproof next --all` at all\.", " Name one above to look at it."),
    (r"^Name one of these\.$", "Choose the ZIP file that the other workshop sent."),
    (r"lotproof photograph (L\d+) PHOTO", r"‘Photograph’ on the page of \1."),
    (
        r"Decide first: lotproof decide \S+ reject --reason '\.\.\.'",
        "Decide first, on the page of the lot.",
    ),
    (
        r"`lotproof list machines` and `lotproof list sellers` show those there are\.",
        "The pages ‘Machines’ and ‘Sellers’ show those there are.",
    ),
    (r"; `lotproof list lots` shows them\.", "; the page ‘Lots’ shows them."),
    (r"; `lotproof list pieces` shows them\.", "; the page of its lot shows them."),
    (r"`lotproof list (lots|machines|sellers)` shows", lambda found: f"The page ‘{found[1].capitalize()}’ shows"),
    (r"`lotproof list runs` shows those there are\.", "The page of its piece or machine lists its runs."),
    (
        r"(?:Run|Then run)?:? ?`lotproof verify` for the whole list\.",
        "‘Verify now’ on the page ‘Journal’ gives the whole list.",
    ),
    (r"Run `lotproof verify`; photograph", "Verify the records on the page ‘Journal’; photograph"),
    (r"; `lotproof tidy --work` removes it after", "; the page ‘Work’ offers to remove it after"),
    (r"`lotproof tidy --work` removes it after", "The page ‘Work’ offers to remove it after"),
    (
        r"^Use --workspace (.+), or `lotproof workspace reopen` to go on here after all\.$",
        r"`lotproof serve --workspace \1` shows its pages; `lotproof workspace reopen` opens it here after all.",
    ),
    (r"`lotproof verify` names", "‘Verify now’ on the page ‘Journal’ names"),
)
"""Where the desk's advice names options of the command line, what to do on a page."""


def paged(text: str) -> str:
    """Return what the desk said in the words of the pages."""
    for pattern, words in _ADVICE:
        text = re.sub(pattern, words, text)
    return text


def paged_error(error: BadRequest) -> BadRequest:
    """Return what the desk refused in the words of the pages."""
    return BadRequest(paged(error.what), paged(error.advice))
