"""`lobetrace verify`: recorded jobs against what they once came to."""

from __future__ import annotations

import json
import shutil
import signal
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from acquire.cli import run
from tests.archived import archive
from tests.left_out import thorough

NUMBER = "1 intake.centerline"


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with two jobs in jobs/ and their baseline."""
    folder = tmp_path_factory.mktemp("verified")
    archive(folder / "jobs", 2)
    assert run(["verify", str(folder / "jobs"), "--baseline", str(folder / "baseline.json"), "--update"]) == 0
    return folder


@pytest.fixture
def folder(made: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    shutil.copytree(made, tmp_path, dirs_exist_ok=True)
    monkeypatch.chdir(tmp_path)
    return tmp_path


def changed(folder: Path, change: Callable[[dict[str, Any]], object]) -> dict[str, Any]:
    """The baseline with the first job's entry changed."""
    file = folder / "baseline.json"
    whole: dict[str, Any] = json.loads(file.read_text(encoding="utf-8"))
    change(whole["jobs"]["jobs/000/engine-00000"])
    file.write_text(json.dumps(whole), encoding="utf-8")
    return whole


def verified(capsys: pytest.CaptureFixture[str], *more: str) -> tuple[int, list[dict[str, Any]]]:
    capsys.readouterr()
    code = run(["verify", "jobs", "--baseline", "baseline.json", "--json", *more])
    return code, json.loads(capsys.readouterr().out)["differences"]


def test_the_same_captures_give_the_same_numbers(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert verified(capsys) == (0, [])
    assert run(["verify", "jobs", "--baseline", "baseline.json"]) == 0
    assert capsys.readouterr().out == "2 jobs, 34 numbers: the same as in baseline.json.\n"
    assert json.loads((folder / "baseline.json").read_text(encoding="utf-8"))["schema"] == 1


@pytest.mark.parametrize(("share", "code"), [(0.09, 0), (-0.11, 1), *thorough((0.11, 1), (3.0, 1))])
def test_a_number_that_moved_by_more_than_a_tenth_of_its_uncertainty_differs(
    folder: Path, share: float, code: int, capsys: pytest.CaptureFixture[str]
) -> None:
    def move(entry: dict[str, Any]) -> None:
        number = entry["numbers"][NUMBER]
        number["value"] += share * number["u95"]

    changed(folder, move)
    found, differ = verified(capsys)
    assert found == code
    assert [(each["what"], each["said"]) for each in differ] == [(NUMBER, "moved")] * code
    assert all(each["share"] == pytest.approx(abs(share)) for each in differ)
    assert verified(capsys, "--moved", "4")[0] == 0
    run(["verify", "jobs", "--baseline", "baseline.json"])
    assert (f"{NUMBER} " in capsys.readouterr().out) == bool(code)


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (lambda entry: entry["numbers"].pop(NUMBER), "was not measured"),
        (lambda entry: entry["numbers"].update({"1 old": {"value": 1.0, "u95": 1.0}}), "is no longer measured"),
        (lambda entry: entry["numbers"][NUMBER].update(u95=1.0), "has another uncertainty"),
        (lambda entry: entry["numbers"][NUMBER].update(true=111.0), "is further from what is true than its uncertainty"),
        (lambda entry: entry["findings"].append("bleed-down"), "no longer: bleed-down"),
        (lambda entry: entry["findings"].remove("capture-incomplete"), "new: capture-incomplete"),
        (lambda entry: entry["errors"].append("no TDC"), "no longer: no TDC"),
    ],
)
def test_whatever_else_is_not_as_it_was_differs(
    folder: Path, change: Callable[[dict[str, Any]], object], said: str, capsys: pytest.CaptureFixture[str]
) -> None:
    changed(folder, change)
    code, differ = verified(capsys)
    assert code == 1
    assert said in [each["said"] for each in differ]


def test_what_is_true_stays_in_the_baseline_and_is_held_to(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    changed(folder, lambda entry: entry["numbers"][NUMBER].update(true=107.0))
    assert verified(capsys)[0] == 0
    assert run(["verify", "jobs", "--baseline", "baseline.json", "--update"]) == 0
    whole = json.loads((folder / "baseline.json").read_text(encoding="utf-8"))
    assert whole["jobs"]["jobs/000/engine-00000"]["numbers"][NUMBER]["true"] == 107.0
    assert verified(capsys, "--true", "0.0001")[0] == 1


def test_a_job_that_is_new_or_gone_differs_and_others_of_the_baseline_do_not(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (folder / "jobs" / "000" / "engine-00001").rename(folder / "jobs" / "other")
    code, differ = verified(capsys)
    assert (code, {each["job"]: each["said"] for each in differ}) == (
        1,
        {"jobs/other": "is not in the baseline", "jobs/000/engine-00001": "was not found"},
    )
    assert run(["verify", "jobs/000/engine-00000", "--baseline", "baseline.json"]) == 0
    assert run(["verify", ".", "--baseline", "baseline.json", "--update"]) == 0
    assert list(json.loads((folder / "baseline.json").read_text(encoding="utf-8"))["jobs"]) == [
        "jobs/000/engine-00000",
        "jobs/other",
    ]


@pytest.mark.parametrize("text", ["", "[]", "{}", '{"jobs": []}', '{"jobs": {"a": {}}}', '{"jobs": {"a": null}}', "[" * 100_000])
def test_what_is_no_baseline_is_a_sentence(folder: Path, text: str, capsys: pytest.CaptureFixture[str]) -> None:
    (folder / "baseline.json").write_text(text, encoding="utf-8")
    assert run(["verify", "jobs", "--baseline", "baseline.json"]) == 2
    assert "no baseline of lobetrace" in capsys.readouterr().err
    (folder / "baseline.json").unlink()
    assert run(["verify", "jobs", "--baseline", "baseline.json"]) == 2
    assert "add --update" in capsys.readouterr().err


@pytest.mark.usefixtures("folder")
def test_a_job_that_cannot_be_read_is_no_difference(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["verify", "jobs", "gone", "--baseline", "baseline.json"]) == 2
    assert "gone: it cannot be read" in capsys.readouterr().err


@pytest.mark.usefixtures("folder")
def test_a_signal_ends_it_with_nothing_written(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    before = Path("baseline.json").read_bytes()
    monkeypatch.setattr("acquire.cli.verify.job_rows", lambda _job: signal.raise_signal(signal.SIGTERM))
    assert run(["verify", "jobs", "--baseline", "baseline.json", "--update"]) == 128 + signal.SIGTERM
    assert "nothing was compared or written" in capsys.readouterr().err
    assert Path("baseline.json").read_bytes() == before
