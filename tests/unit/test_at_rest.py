"""The base circle's report against rigs whose zero, runout, drift and bleeding are known."""

from __future__ import annotations

from dataclasses import replace

import pytest

from acquire.simulator.hand import Hand
from acquire.simulator.indicator import Indicator
from acquire.simulator.rig import Rig, Work
from acquire.simulator.train import Train
from analysis.diagnosis.examine import examine
from analysis.lobe.result import AtRest
from analysis.lobe.result_json import result_json
from analysis.report.sheet import sheet
from tests.recorded import captures
from tests.rigs import SHORT, job_for

THREE = replace(SHORT, work=Work(touches=3, turns=6.6))


def rest_of(rig: Rig) -> AtRest:
    found = examine(job_for(rig), captures(rig, ("stop", "intake"))).lobes[0].at_rest
    assert found is not None
    return found


@pytest.mark.parametrize("preload", [1.0, 0.4037, 2.7262])
def test_the_zero(preload: float) -> None:
    rig = replace(THREE, indicators=(Indicator(preload_mm=preload, noise_mm=0.004),))
    rest = rest_of(rig)
    assert rest.zero.value == pytest.approx(preload, abs=0.003)
    assert abs(rest.zero.value - preload) < 1.3 * rest.zero.u95
    assert rest.covered_deg > 300
    assert rest.sank_mm == 0.0
    assert abs(rest.drift_mm) < 0.002
    assert rest.runout_mm < 0.006


def test_a_zero_within_one_code_is_known_to_half_a_step() -> None:
    """Without noise nothing shows where between two codes it lies: 0.95 of half a step (a rectangular distribution)."""
    rest = rest_of(replace(THREE, indicators=(Indicator(preload_mm=1.0032, noise_mm=0.0),)))
    assert rest.zero.value == pytest.approx(1.0, abs=1e-6)
    assert rest.zero.u95 == pytest.approx(0.95 * 0.005, rel=0.05)


@pytest.mark.parametrize("amplitude", [0.03, 0.06])
def test_the_runout(amplitude: float) -> None:
    """Once a cam turn, at the lobe, where no closed valve hides it: the base circle is half of the turn, and shows between one and
    two amplitudes.
    """
    rest = rest_of(replace(THREE, train=Train(runout_mm=amplitude), indicators=(Indicator(where="lobe"),)))
    assert 0.9 * amplitude < rest.runout_mm < 2.1 * amplitude


@pytest.mark.parametrize("speed", [0.0008, -0.0008])
def test_the_drift(speed: float) -> None:
    """So many millimetres a second, from the first pass to the last."""
    rig = replace(THREE, indicators=(Indicator(drift_mm_s=speed),))
    capture = captures(rig, ("stop", "intake"))[1]
    seconds = float(capture.samples.time_us[-1] - capture.samples.time_us[0]) * 1e-6
    rest = rest_of(rig)
    # Three turns of the camshaft and a bit: two of them lie between the first pass and the last on the same side.
    assert rest.drift_mm == pytest.approx(speed * seconds * 2 / 3.3, rel=0.35)


def test_the_bleeding() -> None:
    """0.5 mm at the lobe, 0.75 mm at the valve at most, and only while the crank stands."""
    rest = rest_of(replace(SHORT, train=Train(bleed_mm=0.5), hand=Hand(rest=(2.0, 3.5))))
    assert 0.05 < rest.sank_mm < 0.75


def test_it_is_on_the_sheet_and_in_json() -> None:
    rig = replace(THREE, train=Train(runout_mm=0.06), indicators=(Indicator(where="lobe"),))
    result = examine(job_for(rig), captures(rig, ("stop", "intake")))
    rest = result.lobes[0].at_rest
    assert rest is not None
    text = sheet(result, job_for(rig))
    assert f"base circle zero {rest.zero.value:.4f}"[:20] in text
    assert f"runout {rest.runout_mm:.3f}" in text
    assert max(map(len, text.splitlines())) <= 80
    assert result_json(result)["lobes"][0]["at_rest"]["runout_mm"] == rest.runout_mm
