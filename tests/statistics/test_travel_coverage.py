"""TDC from the piston's travel, over rigs that are off in everything within their job's bounds: is the error what is said of it?"""

from __future__ import annotations

import math

import numpy as np
import pytest

from acquire.simulator.rig import Rig
from analysis.tdc.slider_crank import slider_crank
from analysis.tdc.stop import TdcFound
from analysis.tdc.travel import by_travel
from tests.statistics.short import holds, seeds
from tests.statistics.trials import Scenario, job, rig_of, sweep_captures


def found_by(rig: Rig) -> TdcFound:
    engine = job().engine
    return by_travel(sweep_captures(rig, "travel")[0], job().rig, slider_crank(engine.stroke_mm, engine.rod_mm, 0.0), 1)


def trial(scenario: Scenario, seed: int) -> tuple[list[float], list[float]]:
    """Errors and standard uncertainties of TDC and of the encoder's off-center parts, in degrees."""
    rig = rig_of(scenario, seed)
    encoder, found = rig.encoder, found_by(rig)
    off = found.count.value - float(encoder.reading(0.0)) - rig.count_offset
    per_count, amplitude, phase = 360.0 / encoder.cpr, math.degrees(encoder.eccentric), math.radians(encoder.eccentric_deg)
    errors = [
        ((off + encoder.cpr / 2) % encoder.cpr - encoder.cpr / 2) * per_count,
        found.sine.value - amplitude * math.cos(phase),
        found.cosine.value + amplitude * math.sin(phase),
    ]
    return errors, [found.count.u * per_count, found.sine.u, found.cosine.u]


@pytest.mark.parametrize("step_mm", [0.01, 0.001], ids=lambda mm: f"{mm} mm, seeds 0 to {seeds(30)[-1]}")
def test_tdc_by_travel_is_as_uncertain_as_it_says(step_mm: float) -> None:
    """Passes that drift apart and a hand that speeds up within the lag: with one height for all, or the lag found in two rounds,
    TDC's mean square was 2.6 and 4.0.
    """
    scenario = Scenario(0.036, step_mm, "edge", 3, "4-5-6-7")
    errors, u = (np.array(each) for each in zip(*(trial(scenario, seed) for seed in seeds(30)), strict=True))
    holds(errors / u, ["TDC", "sine", "cosine"])
    assert np.sqrt(np.mean(errors[:, 0] ** 2)) < 0.1 * step_mm + 0.0001
