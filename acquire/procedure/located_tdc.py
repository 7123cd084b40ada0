"""Where top dead center is known from, and as which count: what found it, and whether that holds under a new start of the board."""

from __future__ import annotations

from collections.abc import Iterable

from acquire.procedure.recorded_step import RecordedStep
from analysis.base.samples import Board, Capture, Header
from analysis.job import Job
from analysis.tdc.carrying import same_count


def left_behind(found_by: Iterable[Header], board: Board) -> str:
    """One sentence if TDC, found by captures with these headers, cannot be carried to what `board` counts now; else empty.

    It is so if the board has started again since each of them, and there is no index pulse to find the place by. For one
    connection after another: within one, `LocatedTdc` knows more.
    """
    found = tuple(found_by)
    here = Header(board, "sweep", 1, ())
    if not found or any((board.index and past.board.index) or same_count(past, here) for past in found):
        return ""
    before = found[-1].board.boot
    if not before or not board.boot:
        since = "This board cannot tell one start from another (its hello has no boot)"
    elif found[-1].board.name != board.name:
        since = f"TDC was found with another board, {found[-1].board.name}"
    else:
        since = f"The board has started again since TDC was found (boot {before}, now {board.boot})"
    return f"{since}, and there is no index pulse to find the place by: TDC IS LOST, and no result can be made of this sweep."


class LocatedTdc:
    """`found_by`: the newest capture of the piston stop and of the piston's travel; empty also where the job gives the count."""

    def __init__(self, job: Job, found_by: Iterable[Capture]) -> None:
        self.found_by = tuple(found_by)
        self._job = job
        self._seen = ("", 0, 0.0)  # link, cylinder and count: holds while the link does

    def found(self, capture: Capture) -> None:
        """TDC was found by a capture: it takes the place of the one of its kind."""
        kind = capture.header.step
        self.found_by = (*(c for c in self.found_by if c.header.step != kind), capture)

    def lose(self) -> None:
        """What found it does not hold any more."""
        self.found_by = ()

    def holds(self, here: Header) -> bool:
        """Whether it can be carried to a capture with this header: by the index pulse, or by one zero of the count."""
        headers = [capture.header for capture in self.found_by]
        return any((here.board.index and header.board.index) or same_count(header, here) for header in headers)

    def count(self, recording: RecordedStep) -> float | None:
        """TDC as a count of what is being taken; None while it is not known, and then `recording.tdc_why` says why."""
        if not self.found_by and self._job.rig.tdc_count is None:
            return None
        link, cylinder = recording.header.link, recording.header.cylinder
        known = recording.tdc(self._job, self.found_by)
        if known is not None:
            self._seen = (link, cylinder, known[0].value)
        return self._seen[2] if self._seen[:2] == (link, cylinder) else None
