"""The JSON API: what the commands print under --json, and the acts that scripts may do.

Who may come in is the door's business, as for the pages. That something is to be changed is believed only of who could
not be a foreign page in somebody's browser: see `sent` in `common`.
"""

from fastapi import APIRouter

from tracker.web.pages.api import answers, bench, catalogue, lists, said, things, work

router = APIRouter()
for _one in (lists.router, things.router, answers.router, said.router, bench.router, work.router):
    router.include_router(_one, prefix="/api")
router.include_router(catalogue.router)
