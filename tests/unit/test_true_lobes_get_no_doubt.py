"""What every cam designer draws is no mistake at the bench: motion laws with and without ramps, and the lobes of a real engine.

Laws: VDI 2143 Blatt 1 and R. L. Norton, Cam Design and Manufacturing Handbook, 2nd ed. (2009), ch. 3 (from memory).
"""

from __future__ import annotations

from dataclasses import replace

import pytest

from acquire.simulator.cam import Cam, Flank, LawLobe
from analysis.base.finding import DOUBT, REFUSAL
from analysis.lobe.result import Measurement
from tests.left_out import thorough
from tests.rigs import SHORT, measured
from tests.unit.test_tcc3_lobes import real_lobes

LAWS = ["simple harmonic", "cycloidal", "3-4-5", "4-5-6-7", "modified sine", "modified trapezoid", "constant acceleration"]


def doubts_of(found: Measurement) -> list[tuple[str, str]]:
    return [(finding.code, finding.text) for finding in found.findings if finding.weight in (DOUBT, REFUSAL)]


@pytest.mark.parametrize(
    ("law", "ramp_mm", "dwell_deg"),
    [
        *((law, 0.0, 0.0) for law in LAWS[:2]),
        ("3-4-5", 0.15, 6.0),
        *thorough(*((law, 0.0, 0.0) for law in LAWS[2:]), ("cycloidal", 0.15, 0.0), ("modified trapezoid", 0.0, 6.0)),
    ],
)
def test_motion_laws(law: str, ramp_mm: float, dwell_deg: float) -> None:
    flank = Flank(law, 62.0, ramp_mm=ramp_mm, ramp_deg=18.0 if ramp_mm else 0.0)
    lobe = LawLobe(7.2, flank, flank, dwell_deg=dwell_deg)
    found, _ = measured(replace(SHORT, seed=21, cam=Cam(lobe, lobe)))
    assert doubts_of(found) == []


@pytest.mark.parametrize("seed", [1, 2], ids=lambda seed: f"seed {seed}")
def test_real_lobes(seed: int) -> None:
    found, _ = measured(replace(SHORT, seed=seed, cam=real_lobes()), measure={"checking_at": "valve"})
    assert doubts_of(found) == []
