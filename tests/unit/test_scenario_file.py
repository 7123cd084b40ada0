"""A scenario of one's own: a rig from a file, its lobes from tables, and what is refused."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from acquire.cli import run
from acquire.simulator.scenario_file import lobe_from, read_scenario, scenario_of
from acquire.simulator.scenarios import SCENARIOS
from analysis.base.errors import UsageError

TABLE = "cam_deg,lift_mm\n" + "\n".join(f"{k},{4 + 4 * np.cos(np.pi * (k - 90) / 70):.6f}" for k in range(20, 161)) + "\n"
TOML = """
base = "workshop"
text = "Worn a little."
seed = 4
phases = ["stop", "intake"]
[cam]
intake = "lobe.csv"
advance_deg = 2
[train]
lash_mm = 0.15
[indicator]
tilt_deg = 3.5
tip = "fixed"
[hand]
speed = [5.0, 20.0]
[encoder]
cpr = 3600
"""


def written(folder: Path, text: str = TOML, table: str = TABLE) -> Path:
    (folder / "lobe.csv").write_text(table, encoding="utf-8")
    file = folder / "rehearsal.toml"
    file.write_text(text, encoding="utf-8")
    return file


def test_a_file_changes_what_it_names_and_keeps_the_rest(tmp_path: Path) -> None:
    found, base = read_scenario(written(tmp_path)), SCENARIOS["workshop"]
    assert (found.name, found.text, found.phases) == ("rehearsal", "Worn a little.", ("stop", "intake"))
    rig = found.rig
    assert (rig.seed, rig.encoder.cpr, rig.cam.advance_deg, rig.train.lash_mm) == (4, 3600, 2.0, 0.15)
    assert rig.hand.speed == (5.0, 20.0)
    assert (rig.indicators[0].tilt_deg, rig.indicators[0].tip) == (3.5, "fixed")
    assert rig.indicators[0].noise_mm == base.rig.indicators[0].noise_mm
    assert rig.cam.exhaust == base.rig.cam.exhaust


def test_the_nose_of_a_table_is_its_greatest_lift(tmp_path: Path) -> None:
    written(tmp_path)
    lobe = lobe_from(tmp_path / "lobe.csv")
    assert float(lobe.lift(0.0)) == pytest.approx(8.0)
    assert lobe.span_deg == (-70.0, 70.0)
    inch = TABLE.replace("cam_deg,lift_mm", "crank_deg,lift_in")
    (tmp_path / "inch.csv").write_text(inch, encoding="utf-8")
    other = lobe_from(tmp_path / "inch.csv")
    assert other.span_deg == (-35.0, 35.0)
    assert float(other.lift(0.0)) == pytest.approx(8.0 * 25.4)


def test_another_seed_can_be_asked_for_and_a_name_is_a_name(tmp_path: Path) -> None:
    assert scenario_of(str(written(tmp_path)), 9).rig.seed == 9
    assert scenario_of("clean") == SCENARIOS["clean"]


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("lash = 1\n", "lash is no key here"),
        ("seed = 'one'\n", "seed = 'one' is not a whole number"),
        ("base = 'none'\n", "there is no scenario 'none'"),
        ("phases = ['dance']\n", "there is no phase 'dance'"),
        ("train = 3\n", r"\[train\] is no table"),
        ("[train]\nlash_mm = true\n", "lash_mm = True is not a number"),
        ("[train]\nratio_mm = 1.5\n", "ratio_mm is no key here"),
        ("[hand]\nspeed = 5\n", "speed = 5 is not a list"),
        ("[cam]\nintake = 'none.csv'\n", "cannot be read"),
        ("[cam\n", "not valid TOML"),
    ],
)
def test_what_is_wrong_is_named(tmp_path: Path, text: str, said: str) -> None:
    with pytest.raises(UsageError, match=said):
        read_scenario(written(tmp_path, text))


@pytest.mark.parametrize(
    ("table", "said"),
    [
        ("deg,lift_mm\n1,2\n", "does not say its angle"),
        ("cam_deg,lift_mm\n1,x\n", "lacks a number"),
        ("cam_deg,lift_mm\n1,2\n0,1\n", "at least four rows"),
    ],
)
def test_a_table_that_makes_no_lobe_is_refused(tmp_path: Path, table: str, said: str) -> None:
    with pytest.raises(UsageError, match=said):
        read_scenario(written(tmp_path, table=table))


def test_a_scenario_that_is_missing_is_said(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["simulate", "--scenario", str(tmp_path / "none.toml")]) == 2
    assert "cannot be read" in capsys.readouterr().err


def test_the_truth_of_a_file_is_that_of_its_lobe(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The truth is written before anything is served: an unknown phase ends it here."""
    file, truth = written(tmp_path), tmp_path / "truth.json"
    assert run(["simulate", "--scenario", str(file), "--truth", str(truth), "--phases", "dance"]) == 2
    assert "there is no phase" in capsys.readouterr().err
    from acquire.simulator.truth import truth as truth_of

    found = truth_of(scenario_of(str(file)).rig).tree()
    (intake,) = [each for each in found["lobes"] if each["valve"] == "intake"]
    assert intake["peak_lobe_lift_mm"] == pytest.approx(8.0, abs=1e-6)
