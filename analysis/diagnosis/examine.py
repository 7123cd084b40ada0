"""A measurement and what must be said about it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

from analysis.base.finding import Caution
from analysis.base.samples import Capture
from analysis.curve.sweep_selection import left_out
from analysis.diagnosis.of_curve import about_curve
from analysis.diagnosis.of_sweep import about_both_tdc, about_capture, about_carried_tdc, about_sweep, about_tdc
from analysis.job import Job
from analysis.lobe.result import Measurement
from analysis.measure import measure


def examine(job: Job, captures: Sequence[Capture], *, after_deg: float = 0.0) -> Measurement:
    """`measure`, with its findings. Raises DataError as that does."""
    found = measure(job, captures, after_deg=after_deg)
    return replace(found, findings=tuple(dict.fromkeys(_findings(job, captures, found))))


def _findings(job: Job, captures: Sequence[Capture], found: Measurement) -> Iterator[Caution]:
    seen = found.evidence
    for capture in captures:
        yield from about_capture(capture)
    if seen.stop is not None:
        yield from about_tdc(seen.stop)
        if seen.travel is not None and seen.one_count:
            yield from about_both_tdc(seen.stop, seen.travel, seen.forward)
    for moved_deg in seen.moved_deg:
        yield from about_carried_tdc(moved_deg)
    for lobe in found.lobes:
        yield from about_sweep(job, lobe)
        yield from about_curve(job, lobe)
    yield from left_out(seen.sweeps, [valve for lobe in found.lobes for valve in (lobe.valve, lobe.swept.sweep.stood_on)])
