"""An encoder that sits off center reads wrong once a turn, and the budget says by how much: against the simulator's encoder, whose
error is known, each number's parts times the true size of their causes are its error.
"""

from __future__ import annotations

import math
from dataclasses import replace
from functools import cache

import numpy as np
import pytest

from acquire.simulator.encoder import Encoder
from acquire.simulator.rig import Rig
from acquire.simulator.truth import TrueLobe
from analysis.base.quantity import Quantity, Source
from analysis.compare.overlay import overlay
from analysis.decision.cylinders import measure_cylinders, spacings
from analysis.job import Job
from analysis.lobe.result import Measurement
from analysis.measure import find_tdc
from analysis.tdc.stop import TdcFound
from tests.statistics.trials import OFFCENTER_DEG, Scenario, job, rig_of, stop_capture, sweep_capture, true_lobe

SCENARIO = Scenario(0.036, 0.001, "edge", 1, "unsymmetrical")
U = OFFCENTER_DEG / math.sqrt(6)
AFTER = {1: 0.0, 3: 180.0, 4: 360.0}
ECCENTRIC_DEG = (20.0, 110.0)


def fine(eccentric_deg: float, direction: int = 1) -> Rig:
    """A rig with nothing wrong but its encoder, seed 0, on a camshaft that stands as it is cut."""
    rig = rig_of(SCENARIO, 0)
    return replace(
        rig,
        cam=replace(rig.cam, advance_deg=0.0),
        train=replace(rig.train, runout_mm=0.0),
        encoder=Encoder(
            cpr=10_000, eccentric=math.radians(OFFCENTER_DEG), eccentric_deg=eccentric_deg, phase=0.5, direction=direction
        ),
        indicators=(replace(rig.indicators[0], latency_s=0.0, drift_mm_s=0.0, tilt_deg=0.0),),
    )


def owner(rig: Rig, **known: float) -> Job:
    """What the owner states: four cylinders, and what is `known` of the rig beside."""
    plain = job()
    engine = plain.engine.model_copy(update={"cylinders": 4, "firing_order": (1, 3, 4, 2)})
    way = "up" if rig.encoder.direction > 0 else "down"
    return plain.model_copy(update={"engine": engine, "rig": plain.rig.model_copy(update={"direction": way, **known})})


def off_center(encoder: Encoder) -> dict[str, float]:
    """The two parts of the encoder's error in degrees. A once-a-turn error is the opposite half a turn on."""
    at = encoder.direction * encoder.reading(np.array([0.0, 90.0, 180.0, 270.0])) * 360.0 / encoder.cpr
    return {"across": (at[1] - at[3] + 180.0) / 2, "along": (at[0] - at[2] + 180.0) / 2}


def explained(found: Quantity, encoder: Encoder) -> float:
    """By how much the encoder's true error makes a number wrong, by the number's own budget."""
    true = off_center(encoder)
    parts = {s.name.removeprefix("encoder off center, "): part for s, part in found.parts.items() if s.name.startswith("encoder")}
    return -sum(parts.get(way, 0.0) / U * size for way, size in true.items())


def angles(measured: Measurement, true: TrueLobe) -> list[tuple[Quantity, float]]:
    """Angles beside their truth."""
    lobe = measured.intake
    found = [(getattr(lobe.centerlines, way), true.centerline_by[way]) for way in ("equal_lift", "centroid")]
    for event in true.events[1:]:
        found += [
            (lobe.opens(event.lift_mm), event.opens_deg),
            (lobe.closes(event.lift_mm), event.closes_deg),
        ]
    return found


@cache
def cylinders(eccentric_deg: float) -> tuple[Job, dict[int, Measurement], Encoder]:
    """Three cylinders with one lobe each, all ground and timed alike; the job gives the count at the first one's TDC."""
    rig = fine(eccentric_deg)
    swept = []
    for cylinder, after in AFTER.items():
        later = replace(rig, cam=replace(rig.cam, advance_deg=rig.cam.advance_deg - after))
        capture = sweep_capture(later)
        swept.append(replace(capture, header=replace(capture.header, cylinder=cylinder), path=f"{cylinder}.csv"))
    stated = owner(rig, tdc_count=float(rig.encoder.reading(0.0)) + rig.count_offset)
    return stated, measure_cylinders(stated, swept), rig.encoder


@pytest.mark.parametrize("cylinder", AFTER)
@pytest.mark.parametrize("eccentric_deg", ECCENTRIC_DEG)
def test_a_count_given_in_the_job_does_not_make_the_encoder_true(eccentric_deg: float, cylinder: int) -> None:
    """It holds what the encoder reads wrong at that TDC, not what it does elsewhere; and another cylinder is read elsewhere."""
    _, measured, encoder = cylinders(eccentric_deg)
    found = angles(measured[cylinder], true_lobe(SCENARIO.lobe))
    assert max(abs(q.value - known) for q, known in found) > 0.03
    for q, known in found:
        assert q.value - known == pytest.approx(explained(q, encoder), abs=0.006)


@pytest.mark.parametrize("eccentric_deg", ECCENTRIC_DEG)
def test_between_two_cylinders_the_encoder_is_read_at_two_places(eccentric_deg: float) -> None:
    stated, measured, encoder = cylinders(eccentric_deg)
    late = {spacing.cylinder: spacing.late for spacing in spacings(stated, measured)}
    assert late[3].value == pytest.approx(explained(late[3], encoder), abs=0.006)
    assert late[4].value == pytest.approx(0.0, abs=0.006)
    assert explained(late[4], encoder) == pytest.approx(0.0, abs=1e-4)
    assert late[3].u > 0.05


@pytest.mark.parametrize("eccentric_deg", ECCENTRIC_DEG)
def test_a_profile_laid_over_that_of_another_cylinder_tells_the_encoder_from_the_lobe(eccentric_deg: float) -> None:
    """Two places on an encoder off center read the lobe wrong in shape too, and by that the error is told and taken off the shift."""
    stated, measured, _ = cylinders(eccentric_deg)
    lobes = {cylinder: one.intake for cylinder, one in measured.items()}
    third, fourth = overlay(lobes[1], lobes[3]), overlay(lobes[1], lobes[4])
    assert third.kind == fourth.kind == "alike"
    assert third.later.value == pytest.approx(0.0, abs=0.02)
    assert abs(third.later.value) <= third.later.u95 < 0.5 * spacings(stated, measured)[0].late.u95
    assert fourth.later.value == pytest.approx(0.0, abs=0.006)
    assert all(abs(p) < 1e-4 for s, p in fourth.later.parts.items() if s.name.startswith("encoder"))


def test_cylinders_share_nothing_but_tdc_and_the_encoder() -> None:
    """The camshaft runs out otherwise at each lobe, and the indicator is set anew for it: equal names would make it one cause."""
    _, measured, _ = cylinders(20.0)
    for name in ("events.1.27.opens", "centerline", "centerline.centroid", "centerline.peak", "peak_lift"):
        one, other = (measured[cylinder].quantities()[f"intake.{name}"] for cylinder in (1, 3))
        assert len(other.parts) >= 4
        assert {s.name.split()[0] for s in one.parts.keys() & other.parts.keys()} <= {"TDC:", "encoder"}


@pytest.mark.parametrize("forward", [1, -1])
@pytest.mark.parametrize("after_deg", [0.0, 180.0, 240.0, 540.0])
def test_what_the_encoder_reads_at_the_top_of_another_cylinder(after_deg: float, forward: int) -> None:
    """Against the simulator's encoder: the middle of its readings at the contacts, and its reading at the other TDC."""
    encoder = Encoder(cpr=10_000, eccentric=math.radians(0.1), eccentric_deg=75.0, direction=forward)
    low, top, high = encoder.reading(np.array([-35.0, after_deg, 35.0]))
    sine, cosine = (Quantity(part) for part in off_center(encoder).values())
    count = Quantity(float(low + high) / 2 + forward * after_deg * encoder.cpr / 360.0)
    found = TdcFound(count, encoder.cpr, "stop", unswept_deg=70.0, sine=sine, cosine=cosine, after_deg=after_deg)
    assert found.at_top(forward).value == pytest.approx(top, abs=0.01)


def test_a_stop_beside_a_travel_of_another_connection_keeps_the_jobs_bound(monkeypatch: pytest.MonkeyPatch) -> None:
    """The encoder may have been taken off in between. The travel is less certain of TDC here than the stop."""
    rig = fine(20.0)
    stop = stop_capture(rig)
    board = replace(stop.header.board, boot=stop.header.board.boot + 1)
    elsewhere = replace(stop, header=replace(stop.header, step="travel", channels=("piston",), link="two", board=board))
    vague = TdcFound(Quantity(0.0, {Source("travel"): 100.0}), rig.encoder.cpr, "travel", sine=Quantity(0.07))
    monkeypatch.setattr("analysis.measure.by_travel", lambda *_: vague)
    tdc = find_tdc(owner(rig), [elsewhere, stop], 1).tdc
    assert tdc.method == "stop"
    assert (tdc.sine.value, tdc.sine.u, tdc.cosine.u) == (0.0, pytest.approx(U), pytest.approx(U))
