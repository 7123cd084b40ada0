"""`lobetrace analyze` of several jobs: a sheet each, or one JSON document."""

from __future__ import annotations

import json
from importlib import resources
from pathlib import Path

import jsonschema
import pytest

from acquire.cli import run

SAMPLES = Path(__file__).parents[2] / "sample-captures"


@pytest.fixture
def jobs(tmp_path: Path) -> Path:
    """A folder of two jobs, of which one has no captures."""
    (tmp_path / "jobs" / "empty").mkdir(parents=True)
    (tmp_path / "jobs" / "empty" / "job.toml").write_bytes((SAMPLES / "clean" / "job.toml").read_bytes())
    (tmp_path / "jobs" / "sound").symlink_to(SAMPLES / "cut-short", target_is_directory=True)
    return tmp_path / "jobs"


@pytest.mark.parametrize(
    "arguments", [["jobs"], ["jobs/empty", "jobs/sound"], ["jobs/empty/job.toml", "jobs/sound/job.toml"], ["jobs/*"]]
)
def test_every_job_is_in_one_document(
    jobs: Path, arguments: list[str], monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(jobs.parent)
    assert run(["analyze", "jobs/sound", "--json"]) == 0
    alone = json.loads(capsys.readouterr().out)
    assert run(["analyze", *arguments, "--json"]) == 2
    empty, sound = json.loads(capsys.readouterr().out)["jobs"]
    assert (empty["result"], "there are no captures" in empty["error"]) == (None, True)
    assert (sound["error"], sound["result"]) == (None, alone)
    schema = json.loads((resources.files("analysis") / "result.schema.json").read_text(encoding="utf-8"))
    jsonschema.Draft202012Validator(schema).validate(sound["result"])


def test_every_job_has_its_sheet(jobs: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["analyze", str(jobs / "sound"), str(jobs / "sound"), "--budget"]) == 0
    out = capsys.readouterr().out
    assert out.count("CAMSHAFT SHEET") == out.count(f"{jobs / 'sound'}\n") == 2


def test_captures_of_one_job_are_still_captures(jobs: Path, capsys: pytest.CaptureFixture[str]) -> None:
    captures = [str(path) for path in sorted((jobs / "sound" / "captures").iterdir())]
    assert run(["analyze", str(jobs / "sound"), *captures, "--json"]) == 0
    assert len(json.loads(capsys.readouterr().out)["captures"]) == len(captures)
