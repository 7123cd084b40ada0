"""What the data of a step show, by the keys of its needs (acquire.procedure.steps)."""

from __future__ import annotations

from acquire.procedure.recorded_step import RecordedStep
from acquire.procedure.session import Facts
from acquire.procedure.steps import RIG, STOP, STOP_OUT, SWEEP, TRAVEL, ZERO
from analysis.base.samples import Board
from analysis.job import Job
from analysis.live.partial import LiveResult


def facts_of(
    step: str, job: Job, board: Board | None, recording: RecordedStep | None, live: LiveResult | None, tdc: float | None
) -> Facts:
    """The facts of `step` from what is being taken, and from the result so far."""
    if recording is None or board is None:
        return {}
    if step == RIG:
        return _rig(job, board, recording)
    if step == STOP:
        low, high = recording.counts().contacts
        return {"contacts low": low, "contacts high": high, "agree": float(recording.contacts().agree)}
    if step == TRAVEL:
        return {"crossings": recording.counts().passes, "found": float(live is not None and live.tdc is not None)}
    if step == STOP_OUT:
        return {"passed": float(recording.passed(tdc))}
    if step in (ZERO, SWEEP):
        return _sweep(recording, live)
    return {}


def _rig(job: Job, board: Board, recording: RecordedStep) -> Facts:
    seen = recording.checked()
    wanted = {"up": 1, "down": -1}.get(job.rig.direction, seen.way)
    return {
        "turned": seen.turned_deg if seen.way == wanted else 0.0,
        "direction": float(seen.way != 0 and seen.way == wanted),
        "index": float(seen.pulses > 0 or not board.index),
        "moved": seen.moved_mm,
        "opens": float(seen.opens > 0),
        "rests": recording.progress().crank.still_s,
    }


def _sweep(recording: RecordedStep, live: LiveResult | None) -> Facts:
    counts, lobes = recording.counts(), () if live is None or live.result is None else live.result.lobes
    return {
        "flat": counts.flat_deg,
        "covered": counts.covered_deg,
        "passes": counts.passes,
        "events": float(len(lobes) >= len(recording.traces())),
    }
