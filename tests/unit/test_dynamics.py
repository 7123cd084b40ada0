"""Motion at a speed: peak coefficients of known motion laws, the spring's force, harmonics, and whether the uncertainty covers.

Laws and their Cv, Ca: VDI 2143 Blatt 1 (1980), from memory; the digits were computed from the closed forms outside the project.
"""

from __future__ import annotations

import json
import math
from dataclasses import replace
from functools import cache
from importlib import resources
from pathlib import Path

import jsonschema
import numpy as np
import pandas as pd
import pytest

from acquire.cli import run
from acquire.simulator.cam import Flank, LawLobe
from acquire.simulator.indicator import Indicator
from acquire.simulator.scenarios import Scenario as Named
from analysis.decision.dynamics import Dynamics, dynamics
from analysis.job import Job
from analysis.job.clearance_keys import Spring, ValveSpring
from analysis.lobe.result import Lobe
from tests.left_out import typical
from tests.lobes_laid import bench_job, measured_lobe
from tests.recorded import demo_job, job_folder
from tests.rigs import FINE, SHORT, lobe_of, measured, with_lobes
from tests.statistics.trials import RATIO, Scenario, rig_of

SCHEMA = json.loads((resources.files("analysis") / "dynamics.schema.json").read_text(encoding="utf-8"))
LIFT_MM, FLANK_CAM_DEG, RPM = 10.0, 70.0, 6000.0
# Peak velocity and acceleration, normalised.
LAWS = {
    "cycloidal": (2.0, 6.283185307),
    "3-4-5": (1.875, 5.773502692),
    "4-5-6-7": (2.1875, 7.513188404),
    "modified sine": (1.7596033860, 5.5279570705),
}


@cache
def of_law(law: str) -> tuple[Lobe, float]:
    found, _ = measured(with_lobes(FINE, lobe_of(law, LIFT_MM, FLANK_CAM_DEG)), ("stop", "intake"))
    return found.intake, FINE.train.ratio


@pytest.mark.parametrize("law", typical(("4-5-6-7",), LAWS))
def test_peak_coefficients_of_a_law_through_a_simulated_sweep(law: str) -> None:
    """v = Cv h / T and a = Ca h / T^2 for a rise of h in the time T, at the valve by the rocker's ratio; to 0.5 %."""
    lobe, ratio = of_law(law)
    found = dynamics(lobe.job, lobe, RPM)
    rise_s = 2 * FLANK_CAM_DEG / (6.0 * RPM)
    height_m = ratio * LIFT_MM * 1e-3
    velocity, acceleration = LAWS[law]
    assert found.extreme(1, 1)[0].value == pytest.approx(velocity * height_m / rise_s, rel=5e-3)
    assert found.extreme(1, -1)[0].value == pytest.approx(-velocity * height_m / rise_s, rel=5e-3)
    assert found.extreme(2, 1)[0].value == pytest.approx(acceleration * height_m / rise_s**2, rel=5e-3)


def test_motion_grows_with_the_powers_of_the_speed() -> None:
    lobe, _ = of_law("cycloidal")
    slow, fast = (dynamics(lobe.job, lobe, rpm) for rpm in (1000.0, 2000.0))
    for order, factor in enumerate((1.0, 2.0, 4.0, 8.0)):
        assert fast.value[order] == pytest.approx(factor * slow.value[order])
        assert fast.u[order] == pytest.approx(factor * slow.u[order])


def with_spring(job: Job, **keys: float) -> Job:
    spring = ValveSpring(
        installed_height_mm=42.0, closed_height_mm=42.0, closed_load_n=400.0, open_height_mm=31.0, open_load_n=900.0, **keys
    )
    return job.model_copy(update={"spring": Spring(intake=spring)})


def test_the_spring_runs_out_of_force_where_mass_times_deceleration_says() -> None:
    """At the nose of a cycloidal lobe the acceleration is zero; of a 3-4-5 lobe it is least at x = 0.7887: F = k x + F0 by hand."""
    lobe, ratio = of_law("3-4-5")
    job = with_spring(lobe.job, moving_mass_g=110.0)
    found = dynamics(job, lobe, RPM)
    assert found.force is not None
    x = np.linspace(0.5, 1.0, 20001)
    lift = ratio * LIFT_MM * (10 * x**3 - 15 * x**4 + 6 * x**5)
    rise_s = 2 * FLANK_CAM_DEG / (6.0 * RPM)
    acceleration = ratio * LIFT_MM * 1e-3 * (60 * x - 180 * x**2 + 120 * x**3) / rise_s**2
    force = 400.0 + (900.0 - 400.0) / 11.0 * lift
    left = force + 0.110 * acceleration
    assert found.force.least.value == pytest.approx(left.min(), abs=0.01 * 400.0)
    inside = acceleration < -1.0
    speed = RPM * math.sqrt((force[inside] / (-0.110 * acceleration[inside])).min())
    assert found.force.float_rpm.value == pytest.approx(speed, rel=5e-3)


def test_without_mass_or_loads_nothing_is_said_of_force() -> None:
    lobe, _ = of_law("cycloidal")
    assert dynamics(lobe.job, lobe, RPM).force is None
    assert dynamics(with_spring(lobe.job), lobe, RPM).force is None


def test_harmonics_are_those_of_the_lift_by_a_fast_fourier_transform() -> None:
    lobe, ratio = of_law("4-5-6-7")
    found = dynamics(lobe.job, lobe, RPM)
    crank = np.arange(-360.0, 360.0, 0.05)
    true = ratio * lobe_of("4-5-6-7", LIFT_MM, FLANK_CAM_DEG).lift(crank / 2)
    amplitude = 2 * np.abs(np.fft.rfft(true))[1:31] / crank.size
    assert found.harmonics.amplitude_mm[:30] == pytest.approx(amplitude, abs=2e-3)
    assert found.harmonics.knows_to >= 8
    assert found.knows_to_hz == pytest.approx((found.harmonics.knows_to + 1) * RPM / 120.0)


def test_a_coarser_rig_knows_fewer_harmonics() -> None:
    """A ramp and no lash, so that the curve runs out to nothing by itself."""
    lobes = with_lobes(SHORT, LawLobe(LIFT_MM, *(Flank("4-5-6-7", 60.0, 0.2, 15.0),) * 2))
    gauges = (Indicator(step=step, noise_mm=noise, where="lobe") for step, noise in ((0.05, 0.02), (0.0005, 0.0002)))
    rough, fine = (measured(replace(lobes, indicators=(gauge,)), ("stop", "intake"))[0].intake for gauge in gauges)
    few, many = (dynamics(lobe.job, lobe, RPM).harmonics.knows_to for lobe in (rough, fine))
    assert few < many


def covered(seed: int) -> np.ndarray:
    """Share of the angles at which the truth lies within the 95 % interval, by order."""
    rig = rig_of(Scenario(0.15, 0.01, "edge", 3, "4-5-6-7"), seed)
    found: Dynamics = dynamics(bench_job(), measured_lobe(rig, f"covered {seed}"), RPM)
    deg, h = found.deg, 0.02

    def lift(at: np.ndarray) -> np.ndarray:
        return RATIO * rig.cam.lift("intake", at)

    first = (lift(deg + h) - lift(deg - h)) / (2 * h) * 6.0 * RPM * 1e-3
    second = (lift(deg + 10 * h) - 2 * lift(deg) + lift(deg - 10 * h)) / (10 * h) ** 2 * (6.0 * RPM) ** 2 * 1e-3
    off = np.abs(found.value[1:3] - np.array([first, second]))
    return np.asarray(np.mean(off <= 1.96 * found.u[1:3], axis=1))


def test_the_uncertainty_of_velocity_and_acceleration_covers() -> None:
    """Seeds 0 to 7; angles of one sweep hang together, so that the mean of eight sweeps scatters by some hundredths."""
    shares = np.mean([covered(seed) for seed in range(8)], axis=0)
    assert shares[0] > 0.88
    assert shares[1] > 0.85


@pytest.fixture(scope="module")
def job(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("dynamics")
    job_folder(folder, demo_job(Named("short", "A short rig.", SHORT)), replace(SHORT, seed=3), ("stop", "intake"))
    return folder


def test_the_command_prints_draws_and_writes(job: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    files = [tmp_path / "d.svg", tmp_path / "d.csv"]
    assert run(["dynamics", str(job), "--rpm", "6000", "--plot", str(files[0]), "--table", str(files[1])]) == 0
    out = capsys.readouterr().out
    assert "INTAKE of cylinder 1 at 6000 rpm" in out
    assert "curve says nothing" in out.replace("\n  ", " ")
    assert max(map(len, out.splitlines())) <= 80
    table = pd.read_csv(files[1])
    assert (table.filter(like="u95_") > 0).all(axis=None)
    assert files[0].read_text(encoding="utf-8").count("<g ") == 4


def test_json_is_what_the_schema_documents(job: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["dynamics", str(job), "--rpm", "3000", "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    jsonschema.Draft202012Validator.check_schema(SCHEMA)
    jsonschema.validate(found, SCHEMA)
    assert found["lobes"][0]["rpm"] == 3000
