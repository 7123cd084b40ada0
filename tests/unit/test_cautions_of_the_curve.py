"""The cautions that the lift curve itself gives: each comes from a rig that earns it, and a sound rig earns none."""

from __future__ import annotations

import math
import re
from dataclasses import replace

import numpy as np
import pytest

from acquire.simulator.cam import Flank, LawLobe
from acquire.simulator.encoder import Encoder
from acquire.simulator.hand import Hand
from acquire.simulator.indicator import Indicator
from acquire.simulator.rig import Work
from acquire.simulator.truth import crossings
from analysis.base.finding import Finding
from analysis.curve.repeats import flank_shifts
from analysis.diagnosis.examine import examine
from analysis.lobe.result import Measurement
from tests.recorded import captures
from tests.rigs import SHORT, Rig, job_for, told, with_lobes

THREE = replace(SHORT, work=Work(touches=3, turns=6.6))


def run(rig: Rig, /, **tables: dict[str, object]) -> Measurement:
    return examine(job_for(rig, **tables), captures(rig, ("stop", "intake")))


def codes(found: Measurement) -> list[str]:
    return [caution.code for caution in told(found)]


def the(found: Measurement, code: str) -> Finding:
    (caution,) = (c for c in found.findings if c.code == code)
    assert len(caution.text) > 100
    assert caution.text.endswith(".")
    return caution


@pytest.mark.parametrize("seed", range(4))
def test_a_sound_rig_earns_none(seed: int) -> None:
    assert codes(run(replace(THREE, seed=seed))) == []


def test_an_asymmetric_lobe() -> None:
    """A closing flank of 78 cam degrees against one of 62: by the events the middle lies later than near the nose."""
    lobe = LawLobe(7.6, Flank("4-5-6-7", 62.0), Flank("4-5-6-7", 78.0))
    rig = with_lobes(SHORT, lobe, separation_deg=108.5)
    caution = the(run(rig), "unsymmetrical")
    low = sum(crossings(rig, "intake", 1.27, "lobe")) / 2
    high = sum(crossings(rig, "intake", 7.6 - 1.27, "lobe")) / 2
    assert f"{low - high:.1f} degrees after" in caution.text
    mirrored = with_lobes(SHORT, LawLobe(7.6, Flank("4-5-6-7", 78.0), Flank("4-5-6-7", 62.0)), separation_deg=108.5)
    assert "degrees before" in the(run(mirrored), "unsymmetrical").text


def test_an_indicator_that_leans() -> None:
    """Fifteen degrees: 1 - cos 15 = 3.4 % less (a fixed tip), against the lift that the card gives."""
    rig = replace(SHORT, indicators=(Indicator(tilt_deg=15.0, tip="fixed"),))
    card = {"intake": {"lobe_lift_mm": float(rig.cam.intake.lift(0.0))}}
    caution = the(run(rig, specification=card), "off-axis")
    assert f"{100 * (1 - math.cos(math.radians(15.0))):.1f} % less" in caution.text
    assert "leans by 15 degrees" in caution.text
    assert "off-axis" not in codes(run(SHORT, specification=card))
    assert "off-axis" not in codes(run(rig)), "without a card there is nothing to hold it against"


def test_an_encoder_that_slips_on_its_coupling_with_its_index() -> None:
    """0.8 degrees lost between the first and the second pass; the index pulse slips along, so that counts look right."""
    rig = replace(THREE, encoder=Encoder(cpr=1200, slip_deg=0.8, slip_after_deg=700.0))
    found = run(rig)
    assert "counts-lost" not in codes(found)
    caution = the(found, "encoder-loose")
    assert "Tighten" in caution.text
    (late,) = re.findall(r"([0-9.]+) degrees (?:later|earlier|altogether)", caution.text)
    assert float(late) == pytest.approx(0.8, abs=0.15)


def test_passes_that_lie_to_and_fro() -> None:
    """The second pass 0.7 degrees late, the third in place again: no coupling does that."""
    given = captures(THREE, ("stop", "intake"))
    s = given[1].samples
    gone = (s.crank - s.crank[0]) * 360.0 / 1200
    second = (gone > 720.0) & (gone < 1440.0)
    late = np.rint(np.interp(gone - 0.7, gone[np.diff(gone, prepend=-1) > 0], s.lift[0][np.diff(gone, prepend=-1) > 0]))
    moved = replace(given[1], samples=replace(s, lift=np.where(second, late, s.lift[0])[None].astype(np.int64)))
    found = examine(job_for(THREE), [given[0], moved])
    assert "encoder-loose" not in codes(found)
    assert "lie 0." in the(found, "passes-apart").text


def test_shifts_of_passes_are_found_to_a_hundredth() -> None:
    """One pass of a sound sweep is moved by hand by a known angle."""
    curve = run(THREE).intake.swept.curve
    shifts = flank_shifts(curve)
    late, error = shifts.late, shifts.u
    assert np.nanmax(np.abs(late)) < 0.05
    moved = replace(
        curve, points=replace(curve.points, deg=curve.points.deg + 0.5 * (curve.points.pass_ == curve.points.pass_[0]))
    )
    assert (flank_shifts(moved).late - late)[0] == pytest.approx(0.5, abs=0.02)
    assert np.all(error[~np.isnan(error)] < 0.05)


def test_a_hand_too_fast_for_a_slow_gauge() -> None:
    rig = replace(
        SHORT, indicators=(Indicator(per_s=5.0, latency_s=0.06),), hand=Hand(speed=(45.0, 60.0)), work=Work(touches=3, turns=2.6)
    )
    stop = captures(replace(rig, hand=Hand()), ("stop",))  # at the stop the hand takes its time
    caution = the(examine(job_for(rig), [*stop, *captures(rig, ("stop", "intake"))[1:]]), "too-fast")
    assert "Turn slower" in caution.text
    slower = captures(replace(rig, hand=Hand(speed=(3.0, 8.0))), ("stop", "intake"))[1:]
    assert "too-fast" not in codes(examine(job_for(rig), [*stop, *slower]))


def test_a_zero_that_wanders() -> None:
    """A millimetre an hour is 0.00028 mm/s; this stand gives two micrometres a second."""
    rig = replace(THREE, indicators=(Indicator(drift_mm_s=0.002),))
    caution = the(run(rig), "zero-drift")
    drift = float(caution.text.split(" by ")[1].split()[0])
    assert 0.04 < drift < 0.6
    assert "own zero" in caution.text
