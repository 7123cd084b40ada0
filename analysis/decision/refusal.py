"""Captures that cannot be measured as they are: whether another unit would make sense of them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from analysis.base.errors import DataError
from analysis.base.finding import NOTE, Finding
from analysis.base.samples import Capture
from analysis.decision.reinterpret import MM_PER_INCH
from analysis.decision.verdict import compare
from analysis.job import Job
from analysis.measure import measure

_UNITS = (
    (MM_PER_INCH, "The indicator counts in inches, and was read as millimetres."),
    (1 / MM_PER_INCH, "The indicator counts in millimetres, and was read as inches."),
)


def causes_of_refusal(job: Job, captures: Sequence[Capture], refused: DataError) -> tuple[Finding, ...]:
    """Units in which captures that were `refused` can be measured and agree with the card better than not."""
    found = []
    for factor, text in _UNITS:
        try:
            lines = compare(job, measure(job, [_scaled(capture, factor) for capture in captures]))
        except DataError:
            continue
        agreed = sum(line.verdict == "within" for line in lines)
        if agreed > len(lines) / 2:
            evidence = (
                f"As it is the measurement was refused: {refused.what}. With this cause {agreed} of {len(lines)} lines agree."
            )
            found.append(Finding("inch-for-mm", NOTE, evidence, text))
    return tuple(found)


def _scaled(capture: Capture, factor: float) -> Capture:
    """The capture with its indicators' counts worth `factor` times as much."""
    board = capture.header.board
    steps = tuple(step * factor for step in board.steps_mm)
    return replace(capture, header=replace(capture.header, board=replace(board, steps_mm=steps)))
