"""Carrying TDC from the capture that found it to the capture that needs it."""

from __future__ import annotations

from collections.abc import Sequence

from analysis.base.errors import DataError
from analysis.base.quantity import Quantity, Source
from analysis.base.samples import Capture, Header
from analysis.crank.motion import index_phase
from analysis.job import Job
from analysis.tdc.stop import TdcFound

# Numbers that the board's count can take (i32 on the wire).
RANGE = 1 << 32


def same_count(a: Header, b: Header) -> bool:
    """Whether two captures share one zero of the board's count: one connection, or one start of a board that can tell its
    starts apart.
    """
    return (a.link != "" and a.link == b.link) or (
        a.board.boot != 0 and a.board.boot == b.board.boot and a.board.name == b.board.name
    )


def count_of(capture: Capture) -> str:
    """A name of the count that a capture was recorded on: captures with one name are on one count (`same_count`). A board that cannot
    tell its starts apart, over a connection that has no name, leaves it with the capture.
    """
    header = capture.header
    if header.board.boot:
        return f"start {header.board.boot} of board {header.board.name}"
    return f"connection {header.link}" if header.link else f"capture {capture.sha256} {capture.path}"


def carry_tdc(tdc: TdcFound, source: Capture, target: Capture) -> tuple[Quantity, float]:
    """TDC as a count of the target capture, to any whole number of turns, and by how many degrees the count moved in between against
    the index pulse (0 if it did not, or that cannot be told).

    By the index pulse where both have one (it survives a new start of the board, and shows a coupling that slipped in between);
    else by the board's own count if it went on. Raises DataError if neither can be had: then TDC must be found again.
    """
    a, b = source.header, target.header
    if a.board.cpr != b.board.cpr:
        raise DataError(
            f"the encoder had {a.board.cpr} counts a turn when TDC was found and has {b.board.cpr} now",
            where=target.path,
            do="Find TDC again",
        )
    cpr = a.board.cpr
    here, there = index_phase(source.index, cpr), index_phase(target.index, cpr)
    one_count = same_count(a, b)
    count = tdc.count - _ran_over(source, target) if one_count else tdc.count
    if here is None or there is None:
        if one_count:
            return count, 0.0
        raise DataError(
            "the board has started again since TDC was found, and there is no index pulse to find the place by",
            where=target.path,
            do="Many boards start anew when their port is opened: find TDC and sweep in one connection, lobetrace live JOB",
        )
    shift = (there - here + (tdc.count - count).value + cpr / 2) % cpr - cpr / 2
    if one_count and abs(shift) <= 1.0:
        return count, 0.0
    moved = count + shift
    moved = moved.with_part(Source("TDC: index pulse carried over", distribution="triangular"), 1 / 6**0.5)
    if not one_count:
        return moved, 0.0
    return moved, abs(shift) * 360.0 / cpr


def _ran_over(source: Capture, target: Capture) -> int:
    """By how much the count of the target lies below that of the source because the board's 32 bits ran over in between: each
    capture is unwrapped for itself, and 2^32 counts are not a whole number of turns.
    """
    way = int(source.samples.crank[-1]) - int(target.samples.crank[0])
    return (way + RANGE // 2) // RANGE * RANGE


def fires_after(job: Job, cylinder: int, first: int) -> float:
    """Crank degrees by which TDC of a cylinder comes after that of `first`, evenly firing, in [0, 720)."""
    order = job.engine.firing_order
    return (order.index(cylinder) - order.index(first)) % len(order) * 720.0 / len(order)


def found_on(job: Job, captures: Sequence[Capture]) -> int:
    """The cylinder on which TDC was found, by the last capture of the stop or of the piston's travel; the job's if there is none."""
    finders = [c.header.cylinder for c in captures if c.header.step != "sweep"]
    return finders[-1] if finders and finders[-1] in job.engine.firing_order else job.measure.cylinder
