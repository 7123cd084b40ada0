"""Which sweeps count: one cylinder's, in the direction of rotation, the last of each valve."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from analysis.base.errors import DataError
from analysis.base.samples import Capture
from analysis.curve.sweep import Sweep
from analysis.job import Job


def of_one_cylinder(job: Job, sweeps: Sequence[Capture]) -> None:
    """DataError if sweeps of several cylinders of the engine are to be measured as one."""
    swept = {c.header.cylinder for c in sweeps} & set(job.engine.firing_order)
    if len(swept) > 1:
        raise DataError(
            f"these are sweeps of cylinders {', '.join(map(str, sorted(swept)))}",
            do="Measure one at a time, or all of them with analysis.decision.cylinders.measure_cylinders",
        )


def onward(sweep: Sweep) -> bool:
    """Whether the crank was turned further in the direction of rotation than back."""
    return turned_on(sweep.capture, sweep.forward)


def turned_on(capture: Capture, forward: int) -> bool:
    """The same of a capture, with the sign of counting in direction of rotation."""
    step = np.diff(capture.samples.crank) * forward
    return bool(step[step > 0].sum() > -step[step < 0].sum())


def for_slack(sweep: Sweep, sweeps: Sequence[Sweep]) -> list[Sweep]:
    """The sweep itself, and captures of backward motion over its lobe that belong to it: those that follow it, or that no other
    sweep of the valve came before. Between two sweeps the camshaft may have been moved.
    """
    mine = [s for s in sweeps if s.stood_on == sweep.stood_on]
    at = next(k for k, s in enumerate(mine) if s is sweep)
    first = next((k for k, s in enumerate(mine) if onward(s)), len(mine))
    return [s for k, s in enumerate(mine) if k == at or (not onward(s) and (k > at or k < first))]


def left_out(sweeps: Sequence[Sweep], measured: Sequence[str]) -> tuple[Sweep, ...]:
    """Sweeps of a valve that was not `measured`, because in none of them the crank was turned on."""
    return tuple(s for s in sweeps if s.stood_on not in ("unknown", *measured) and not onward(s))
