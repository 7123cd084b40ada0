"""Every sample capture, replayed strictly: as it was, near the truth, judged as it was made to be, no file over."""

from __future__ import annotations

import importlib.util
import json
import sys
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

from acquire.cli import run

TOP = Path(__file__).parents[2]
ROOT = TOP / "sample-captures"
BASELINE = "sample-captures/baseline.json"
# The recorded answer within so small a share of its uncertainty: a change of an answer is seen, rounding is not.
SAME = "0.02"


def _load_make() -> ModuleType:
    spec = importlib.util.spec_from_file_location("sample_captures_make", ROOT / "make.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module  # dataclasses look their module up
    spec.loader.exec_module(module)
    return module


make = _load_make()
SAMPLES = {sample.name: sample for sample in make.SAMPLES}
FOLDERS = sorted(path.name for path in ROOT.iterdir() if path.is_dir() and path.name != "__pycache__")
BY_VERDICT = {"outside": {"counts-down", "slack"}, "cannot tell": {"bleed-down"}}


@pytest.fixture(autouse=True)
def _at_the_top(monkeypatch: pytest.MonkeyPatch) -> None:
    """Where the names in the baseline begin."""
    monkeypatch.chdir(TOP)


def baseline() -> dict[str, Any]:
    loaded: dict[str, Any] = json.loads((TOP / BASELINE).read_text(encoding="utf-8"))
    return loaded


def job_of(name: str) -> dict[str, Any]:
    found: dict[str, Any] = baseline()["jobs"][f"sample-captures/{name}"]
    return found


def test_nothing_is_missing_and_nothing_is_left_over() -> None:
    assert sorted(SAMPLES) == FOLDERS
    assert len(FOLDERS) >= 8
    assert sorted(baseline()["jobs"]) == [f"sample-captures/{name}" for name in FOLDERS]
    top = {path.name for path in ROOT.iterdir() if path.is_file()}
    assert top == {".gitattributes", "README.md", "baseline.json", "make.py"}
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    for name, sample in SAMPLES.items():
        assert f"| `{name}` |" in readme
        files = {path.relative_to(ROOT / name).as_posix() for path in (ROOT / name).rglob("*") if path.is_file()}
        captures = {f"captures/{number}-{phase}.csv" for number, phase in enumerate(sample.phases, 1)}
        assert files == {"job.toml", *captures}
    assert sum(path.stat().st_size for path in ROOT.rglob("*") if "__pycache__" not in path.parts and path.is_file()) < 1_000_000


def test_they_come_to_what_they_came_to(capsys: pytest.CaptureFixture[str]) -> None:
    code = run(["verify", "sample-captures", "--baseline", BASELINE, "--moved", SAME])
    assert code == 0, capsys.readouterr().out


@pytest.mark.parametrize("name", FOLDERS)
def test_each_earns_its_findings_and_has_a_true_value_for_nearly_every_number(name: str) -> None:
    job = job_of(name)
    assert job["findings"] == list(SAMPLES[name].findings)
    assert job["errors"] == []
    assert {number for number, each in job["numbers"].items() if "true" not in each} == {"1 tdc"}


def test_check_says_something_true_of_each(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["check", "sample-captures", "--json"]) == 1
    verdicts = {Path(each["job"]).name: each["verdict"] for each in json.loads(capsys.readouterr().out)["jobs"]}
    expected = {name: verdict for verdict, names in BY_VERDICT.items() for name in names}
    assert verdicts == {name: expected.get(name, "within") for name in FOLDERS}
    assert {name for name, sample in SAMPLES.items() if sample.card_deg} == BY_VERDICT["outside"]


def test_the_physical_check_can_fail(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """Two and a half degrees on one event, and a third of a millimetre on the peak, are seen."""
    whole = baseline()
    numbers = whole["jobs"]["sample-captures/clean"]["numbers"]
    numbers["1 intake.events.1.27.opens"]["true"] += 2.5
    numbers["1 exhaust.peak_lift"]["true"] -= 0.3
    (tmp_path / "off.json").write_text(json.dumps(whole), encoding="utf-8")
    assert run(["verify", "sample-captures/clean", "--baseline", str(tmp_path / "off.json"), "--json"]) == 1
    differ = json.loads(capsys.readouterr().out)["differences"]
    assert {each["what"] for each in differ} == {"1 intake.events.1.27.opens", "1 exhaust.peak_lift"}
    assert all("further from what is true" in each["said"] for each in differ)


@pytest.mark.parametrize("name", FOLDERS)
def test_made_again_they_are_the_same_bytes(name: str, tmp_path: Path) -> None:
    folder = tmp_path / name
    make.make(SAMPLES[name], folder)
    for path in sorted(folder.rglob("*")):
        if path.is_file():
            assert path.read_bytes() == (ROOT / name / path.relative_to(folder)).read_bytes(), path.name


def test_the_truth_made_again_is_the_same(tmp_path: Path) -> None:
    made = tmp_path / "baseline.json"
    made.write_bytes((TOP / BASELINE).read_bytes())
    make.add_truth(made)
    for name, job in json.loads(made.read_text(encoding="utf-8"))["jobs"].items():
        for path, number in job["numbers"].items():
            assert number.get("true") == pytest.approx(baseline()["jobs"][name]["numbers"][path].get("true"), abs=1e-6)


def test_the_bleeding_lifter_is_far_off_and_said_to_be() -> None:
    """What is in doubt is not promised for a reason: its numbers really do miss."""
    numbers = [number for number in job_of("bleed-down")["numbers"].values() if "true" in number]
    missed = [number for number in numbers if abs(number["value"] - number["true"]) > 1.5 * number["u95"]]
    assert len(missed) >= 5
    assert all("bleed-down" in number["doubts"] for number in missed)
