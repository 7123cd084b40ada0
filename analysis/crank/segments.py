"""A capture in which the board started again: what came before and what came behind share no zero of the count."""

from __future__ import annotations

from dataclasses import replace

from analysis.base.samples import Capture
from analysis.base.selection import only


def first_start(capture: Capture) -> Capture:
    """The capture up to the first new start of its board; the capture itself if there was none.

    Where the count began behind it nobody knows, so that nothing may be mixed or compared across it. Rows, index pulses and gaps are
    cut; the rest is that of the whole.
    """
    origin = capture.samples.origin
    if not origin.size or origin[-1] == origin[0]:
        return capture
    samples = only(capture.samples, origin == origin[0])
    index = only(capture.index, capture.index.origin == origin[0])
    gaps = tuple(gap for gap in capture.gaps if gap.row < samples.seq.size)
    return replace(capture, samples=samples, index=index, gaps=gaps)
