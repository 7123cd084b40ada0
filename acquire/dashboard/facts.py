"""What the data of a step show, by the keys of its needs (acquire.procedure.steps)."""

from __future__ import annotations

from typing import Final

from acquire.dashboard.taking import Taking
from acquire.procedure.session import Facts
from acquire.procedure.steps import RIG, STOP, STOP_OUT, SWEEP, TRAVEL, ZERO
from analysis.base.samples import Board
from analysis.job import Job
from analysis.live.partial import LiveResult

_RUN_DEG: Final = 50.0  # a forward run over the top is at least so long


def facts_of(
    step: str, job: Job, board: Board | None, taking: Taking | None, live: LiveResult | None, tdc: float | None
) -> Facts:
    """The facts of `step` from what is being taken, and from the result so far."""
    if taking is None or board is None:
        return {}
    if step == RIG:
        return _rig(job, board, taking)
    if step == STOP:
        touches = taking.touches()
        return {"touches low": len(touches.low), "touches high": len(touches.high), "agree": float(touches.agree)}
    if step == TRAVEL:
        runs = [run for run in taking.turning_runs if run * 360.0 / board.cpr >= _RUN_DEG]
        return {"crossings": len(runs), "found": float(live is not None and live.tdc is not None)}
    if step == STOP_OUT:
        return {"passed": float(tdc is not None and taking.passed(tdc))}
    if step in (ZERO, SWEEP):
        return _sweep(taking, live)
    return {}


def _rig(job: Job, board: Board, taking: Taking) -> Facts:
    seen = taking.checked()
    wanted = {"up": 1, "down": -1}.get(job.rig.direction, seen.way)
    return {
        "turned": seen.turned_deg if seen.way == wanted else 0.0,
        "direction": float(seen.way != 0 and seen.way == wanted),
        "index": float(seen.pulses > 0 or not board.index),
        "moved": seen.moved_mm,
        "opens": float(seen.opens > 0),
        "rests": taking.progress().crank.still_s,
    }


def _sweep(taking: Taking, live: LiveResult | None) -> Facts:
    stood_on = [k for k, channel in enumerate(taking.header.channels) if channel != "unknown"] or [0]
    traces = [taking.progress().trace[k] for k in stood_on]
    result = None if live is None else live.result
    whole = 0 if result is None or not result.lobes else min(lobe.passes for lobe in result.lobes)
    return {
        "flat": min(trace.flat_deg for trace in traces),
        "covered": min(trace.covered_deg for trace in traces),
        "passes": float(whole),
        "events": float(result is not None and len(result.lobes) >= len(stood_on)),
    }
