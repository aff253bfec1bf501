"""Work for processes that stands in for looking: it answers at once, and ends its process over photos of some names."""

import os

from tracker.desk.reinspect_job import LotJob, LotSeen, PhotoSeen

BREAKS, ALSO_BREAKS = "breaks.png", "soic_lot.jpg"


def look(job: LotJob) -> LotSeen:
    """Answer that no chip is seen any more."""
    if any(one.photo.name in (BREAKS, ALSO_BREAKS) for one in job.photos):
        os._exit(1)
    return LotSeen(
        tuple(PhotoSeen(one.photo.photo_id, gone=tuple(c.piece for c in one.photo.chips)) for one in job.photos)
    )


def ready() -> None:
    """Open nothing."""
