"""A failure of lobetrace itself never speaks as a verdict, and costs in `check` the one job only."""

from __future__ import annotations

import json
import re
import shutil
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import pytest

from acquire.cli import analyze, check, run
from acquire.cli.demo_job import job_text
from acquire.simulator.scenarios import Scenario
from acquire.simulator.truth import truth
from analysis.base.errors import CaptureError, UsageError
from analysis.capture import load
from analysis.job import parse_job
from analysis.job.folder import captures_of
from analysis.job.template import template
from tests.recorded import job_folder
from tests.rigs import SHORT


@pytest.fixture(scope="module")
def good(tmp_path_factory: pytest.TempPathFactory) -> Path:
    text = job_text(Scenario("short", "A short rig.", SHORT), truth(SHORT))
    return job_folder(tmp_path_factory.mktemp("jobs") / "good", text, SHORT)


def boom(*_: object, **__: object) -> Any:
    raise ZeroDivisionError("boom")


def test_it_ends_in_code_2_one_sentence_and_a_trace(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    monkeypatch.delenv("LOBETRACE_DEBUG", raising=False)
    monkeypatch.setattr(analyze, "run", boom)
    assert run(["analyze", "job"]) == 2
    out, err = capsys.readouterr()
    (said,) = err.splitlines()
    assert out == ""
    assert "lobetrace itself failed" in said
    assert "Traceback" not in said
    (trace,) = tmp_path.iterdir()
    assert str(trace) in said
    assert "ZeroDivisionError: boom" in trace.read_text(encoding="utf-8")


@pytest.mark.parametrize("where", [0, 1, 2])
def test_debug_prints_the_trace(
    where: int, monkeypatch: pytest.MonkeyPatch, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    monkeypatch.setenv("LOBETRACE_DEBUG", "")
    monkeypatch.setattr(analyze, "run", boom)
    arguments = ["analyze", "job"]
    arguments.insert(where, "--debug")
    assert run(arguments) == 2
    assert "Traceback" in capsys.readouterr().err


HOSTILE = {
    "a number of 5,000 digits": "format = " + "1" * 5000,
    "a number of 10,000 hexadecimal digits": template().replace("cylinders = 4 ", "cylinders = 0x" + "f" * 10_000),
    "a number of 400 digits": template().replace("bore_mm = 86.0", "bore_mm = 1" + "0" * 400),
    "nested 100,000 deep": "format = " + "[" * 100_000,
    "tables nested 20,000 deep": "[" + ".".join("a" * 20_000) + "]",
    "half of a surrogate pair": 'format = 1\nname = "\\ud800"',
}


@pytest.mark.parametrize("text", HOSTILE.values(), ids=HOSTILE)
def test_a_hostile_job_file_ends_in_one_short_sentence(text: str) -> None:
    with pytest.raises(UsageError) as caught:
        parse_job(text)
    assert len(str(caught.value)) < 1000


def test_a_job_that_breaks_costs_that_job_only(
    good: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    broken = [shutil.copytree(good, tmp_path / f"broken-{n}") for n in range(2)]
    for folder, text in zip(broken, HOSTILE.values(), strict=False):
        (folder / "job.toml").write_text(text, encoding="utf-8")
    junit = tmp_path / "verdicts.xml"
    names = [str(good), *map(str, broken), str(good), str(good)]
    assert run(["check", "--json", "--junit", str(junit), *names]) == 2
    told = json.loads(capsys.readouterr().out)["jobs"]
    assert [each["verdict"] for each in told] == ["within", "cannot tell", "cannot tell", "within", "within"]
    assert len(ElementTree.parse(junit).getroot()) == 5


def test_our_own_failure_with_one_job_is_told_in_its_place(
    good: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    decide = check.decide
    seen: list[object] = []

    def once(job: Any, captures: Any) -> Any:
        seen.append(job)
        return boom() if len(seen) == 1 else decide(job, captures)

    monkeypatch.setattr(check, "decide", once)
    assert run(["check", str(good), str(good)]) == 2
    out, err = capsys.readouterr()
    assert err == ""
    assert "lobetrace itself failed" in out
    assert "2 jobs: 1 within" in out


def test_half_a_surrogate_pair_in_a_header_is_no_obstacle(good: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = shutil.copytree(good, tmp_path / "job")
    for path in captures_of(folder):
        text = path.read_text(encoding="utf-8")
        path.write_text(re.sub(r'"note": "[^"]*"', r'"note": "a\\ud800b"', text), encoding="utf-8")
        header = load(path).header
        assert header is not None
        assert header.note == "a?b"
    assert run(["report", str(folder), "-o", str(tmp_path / "sheet.html")]) == 0
    capsys.readouterr()


def test_a_header_nested_100000_deep_is_refused(good: Path, tmp_path: Path) -> None:
    first, _, rest = captures_of(good)[0].read_text(encoding="utf-8").partition("\n")
    path = tmp_path / "01-stop.csv"
    path.write_text(f'{first}\n# {{"capture": {"[" * 100_000}\n{rest.partition(chr(10))[2]}', encoding="utf-8")
    with pytest.raises(CaptureError):
        load(path)


@pytest.mark.parametrize("written", ['"1342"', '"1-3-4-2"', '"1 3 4 2"'])
def test_a_firing_order_as_the_trade_writes_it_is_told_how_to_be_written(written: str) -> None:
    with pytest.raises(UsageError, match=r"Write firing_order = \[1, 3, 4, 2\]"):
        parse_job(template().replace("firing_order = [1, 3, 4, 2]", f"firing_order = {written}"))
