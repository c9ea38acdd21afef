"""The search for shots in a long session, which goes on behind the pages."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from dashboard.laid_over import laid_over

if TYPE_CHECKING:
    from analysis.record import ShotRecord
    from dashboard.underway import Job
    from logger.long import LongRecording

SEARCH: Final = 0.9  # of the work; the rest is to read again what the page lays over each other
PIECE: Final = 1 << 14  # readings given to the detector at a time: others get their turn in between


def look_for_shots(job: Job[ShotRecord], recording: LongRecording) -> ShotRecord:
    """Look for shots; readings are read and forgotten row group by row group.

    Raises
    ------
    ValueError
        If there are too few readings, or they cannot be read.
    """
    job.stand_back()
    recording.survey(job.stand_back)  # first of all: the pages show a sketch until it is there
    from analysis.detector import ShotDetector  # loading it, too, would hold up the page that has just asked

    begin_s, end_s = recording.span_s
    detector = ShotDetector()
    job.done = 0.0
    for t, p in recording.blocks():
        for a in range(0, t.size, PIECE):
            job.stand_back()
            detector.feed(t[a : a + PIECE], p[a : a + PIECE])
            job.done = SEARCH * (float(t[min(a + PIECE, t.size) - 1]) - begin_s) / max(end_s - begin_s, 1e-9)
    found = detector.finish()

    def tell(share: float) -> None:
        job.stand_back()
        job.done = SEARCH + (1.0 - SEARCH) * share

    laid_over(recording, found, each=tell)  # the page needs them at once, and each takes a row group
    return found
