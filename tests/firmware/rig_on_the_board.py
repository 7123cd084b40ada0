"""A simulated rig's motion as a script for the emulated board: the same crank, the same lifts, with a scale on each channel."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from acquire.simulator.phases import Recording
from acquire.simulator.rig import Rig
from acquire.simulator.train import Lift
from acquire.simulator.trajectory import Play
from tests.firmware.emulation import Script

STILL_US = 1_500_000  # after each phase, so that a recording can end; then the rig waits for the next one


def script_of(rig: Rig, phases: Sequence[Recording], step_mm: float, channels: int) -> Script:
    """Knots half way between the crank's edges, so that each edge falls where the rig's encoder has it, and the lift is right there.

    A channel's scale counts steps of `step_mm` from the base circle. Phases follow each other with a stand-still and a hold.
    """
    position = int(np.floor(rig.encoder.reading(rig.encoder.index_deg))) + rig.count_offset
    script = Script().say(f"index {position} 1 {rig.encoder.cpr}")
    for channel in range(1, channels + 1):
        script.say(f"channel {channel} scale")
    us, driven = 0, rig.start_deg
    for phase in phases:
        if us:
            script.say(f"hold {us}")
            us += 100_000
        drive = Play(phase.motion, rig.train.slack_deg, driven)
        driven = drive.end
        begin, end = float(phase.motion.time[0]), float(phase.motion.time[-1])
        between = (phase.crank.time[1:] + phase.crank.time[:-1]) / 2
        time = np.concatenate([[begin], between, [end]])
        count = phase.crank.at(time)
        lifts = []
        for name, gauge in zip(phase.channels, rig.indicators, strict=True):
            travel = np.zeros_like(time)
            if name in ("intake", "exhaust"):
                travel = Lift(rig.cam, rig.train, name, gauge.where, drive)(time)
            lifts.append(np.rint(gauge.sign * gauge.gain * travel / step_mm).astype(int))
        for t, *counts in zip(time - begin, count, *lifts, strict=True):
            at = us + round(float(t) * 1e6)
            if at > script.last_us:
                script.knot(at, *(int(c) for c in counts))
        us = script.last_us + STILL_US
    return script.end(STILL_US)
