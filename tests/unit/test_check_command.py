"""`lobetrace check`, `report` and `compare` from outside: exit codes, JSON, JUnit XML, files."""

from __future__ import annotations

import json
from contextlib import redirect_stdout
from dataclasses import replace
from importlib import resources
from io import StringIO
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import jsonschema
import junitparser
import pytest

from acquire.cli import check, run, say
from acquire.simulator.rig import Rig
from acquire.simulator.scenarios import Scenario
from analysis.base.version import head
from analysis.job.folder import FoundJob
from analysis.report.decision_json import decision_json
from analysis.report.junit import Case, Suite, junit_xml
from tests.decided import late, whole
from tests.recorded import demo_job, job_folder
from tests.rigs import SHORT


def job(folder: Path, rig: Rig = SHORT, text: str = "") -> Path:
    ordered = demo_job(Scenario("short", "A short rig.", SHORT))
    return job_folder(folder, text or ordered, rig)


@pytest.fixture(scope="module")
def jobs(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    folder = tmp_path_factory.mktemp("jobs")
    empty = folder / "empty"
    empty.mkdir()
    (empty / "job.toml").write_text(demo_job(Scenario("short", "", SHORT)), encoding="utf-8")
    return {"good": job(folder / "good"), "late": job(folder / "late", late(4.0)), "empty": empty, "none": folder / "none"}


@pytest.mark.parametrize(
    ("names", "code"),
    [(["good"], 0), (["late"], 1), (["empty"], 2), (["none"], 2), (["good", "empty"], 2), (["empty", "late"], 1)],
)
def test_the_exit_code_is_the_verdict(
    jobs: dict[str, Path], names: list[str], code: int, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(["check", *(str(jobs[name]) for name in names)]) == code
    out, err = capsys.readouterr()
    assert err == ""
    for name in names:
        assert f"{jobs[name]}: " in out


def test_what_is_wrong_its_cause_and_what_to_do_are_said(jobs: dict[str, Path], capsys: pytest.CaptureFixture[str]) -> None:
    run(["check", str(jobs["late"])])
    out = capsys.readouterr().out
    assert "out of tolerance intake opens at 1.27 mm, lobe" in out
    assert out.count("Likely cause: The camshaft stands") == out.count("late (retarded), or TDC is off") == 1
    assert "Evidence: As the job stands " in out
    assert "advance it by" in out


def test_many_jobs_are_checked_by_many_processes_with_the_same_answer(
    jobs: dict[str, Path], capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(["check", "--json", str(jobs["late"])]) == 1
    alone = json.loads(capsys.readouterr().out)["jobs"][0]
    assert run(["check", "--json", *[str(jobs[name]) for name in ("good", "late", "empty", "none")]]) == 1
    together = json.loads(capsys.readouterr().out)
    assert [each["verdict"] for each in together["jobs"]] == ["within", "outside", "cannot tell", "cannot tell"]
    # The last digits depend on how many threads the linear algebra takes.
    assert together["jobs"][1]["decision"]["lines"][0]["measured"]["value"] == pytest.approx(
        alone["decision"]["lines"][0]["measured"]["value"], abs=1e-6
    )
    assert "there are no captures" in together["jobs"][2]["error"]


def schema() -> dict[str, Any]:
    return json.loads((resources.files("analysis") / "decision.schema.json").read_text(encoding="utf-8"))  # type: ignore[no-any-return]


def closed(part: Any) -> Any:
    """The schema with no key allowed that it does not name."""
    if isinstance(part, dict):
        shut = {key: closed(value) for key, value in part.items()}
        return shut | {"additionalProperties": False} if "properties" in part and "required" in part else shut
    return [closed(each) for each in part] if isinstance(part, list) else part


@pytest.mark.parametrize("late_deg", [0.0, 4.0])
def test_the_decision_is_what_its_schema_documents(late_deg: float) -> None:
    printed = json.loads(json.dumps(decision_json(whole(late_deg)), allow_nan=False))
    jsonschema.Draft202012Validator.check_schema(schema())
    jsonschema.Draft202012Validator(closed(schema())).validate(printed)
    del printed["lines"][0]["measured"]["u95"]
    with pytest.raises(jsonschema.ValidationError):
        jsonschema.Draft202012Validator(schema()).validate(printed)


def test_junit_is_read_by_another_library(jobs: dict[str, Path], tmp_path: Path) -> None:
    file = tmp_path / "verdicts.xml"
    assert run(["check", "--junit", str(file), *[str(jobs[name]) for name in ("good", "late", "none")]]) == 1
    suites = list(junitparser.JUnitXml.fromfile(str(file)))
    assert [(suite.failures, suite.errors) for suite in suites] == [(0, 0), (7, 0), (0, 1)]
    failed = [case for case in suites[1] if case.result]
    assert all("out of tolerance: specified" in case.result[0].message for case in failed)
    assert suites[0].tests == len(list(suites[0])) == 12
    assert "Likely cause" in ElementTree.parse(file).getroot()[1].findtext("system-out", "")


def test_junit_takes_any_text() -> None:
    name = 'a<b>&"\x00\x1b\ud800 é 𝄞'
    text = junit_xml([Suite(name, (Case(name, "outside", name), Case("b", "not compared", "why")), (name,))])
    (suite,) = junitparser.JUnitXml.fromstring(text.encode("utf-8"))
    assert suite.name == 'a<b>&"??? é 𝄞'
    assert (suite.tests, suite.failures, suite.errors) == (2, 1, 1)


def test_a_sheet_that_is_refused_says_which_unit_would_fit(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = job(tmp_path / "inch")
    for file in (folder / "captures").glob("*.csv"):
        file.write_text(
            file.read_text(encoding="utf-8").replace('"steps_mm": [0.01]', '"steps_mm": [0.0003937]'), encoding="utf-8"
        )
    assert "0.0003937" in (folder / "captures" / "intake-01.csv").read_text(encoding="utf-8")
    assert run(["check", str(folder)]) == 2
    assert "The indicator counts in inches, and was read as millimetres" in capsys.readouterr().out


@pytest.mark.parametrize(("name", "begins"), [("sheet.html", b"<!doctype html>"), ("sheet.pdf", b"%PDF-")])
def test_report_writes_what_the_name_asks_for(
    jobs: dict[str, Path], tmp_path: Path, name: str, begins: bytes, capsys: pytest.CaptureFixture[str]
) -> None:
    if name.endswith("pdf"):
        pytest.importorskip("weasyprint", reason="no WeasyPrint, or its Pango is missing", exc_type=(ImportError, OSError))  # type: ignore[arg-type]
    assert run(["report", str(jobs["late"]), "-o", str(tmp_path / name)]) == 0
    assert (tmp_path / name).read_bytes().startswith(begins)
    assert "outside" in capsys.readouterr().out
    assert [file.name for file in tmp_path.iterdir()] == [name]
    assert run(["report", str(jobs["good"]), "-o", str(tmp_path / name)]) == 0, "an older sheet is replaced"


@pytest.mark.parametrize(("name", "words"), [("sheet.doc", "neither HTML nor PDF"), ("none/sheet.html", "cannot be written")])
def test_report_refuses_what_it_cannot_write(
    jobs: dict[str, Path], tmp_path: Path, name: str, words: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(["report", str(jobs["good"]), "-o", str(tmp_path / name)]) == 2
    assert words in capsys.readouterr().err


def test_a_recheck_is_held_against_its_prediction(
    jobs: dict[str, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    again = str(job(tmp_path / "again", replace(SHORT, seed=5)))
    assert run(["compare", str(jobs["late"]), again, "--advanced", "4"]) == 0
    assert "agree within the expanded uncertainty" in capsys.readouterr().out
    assert run(["compare", str(jobs["late"]), str(jobs["late"]), "--json"]) == 1
    found = json.loads(capsys.readouterr().out)
    assert found["advanced_deg"]["intake"] == pytest.approx(4.0, abs=0.3)
    assert found["verdict"] == "outside"


def test_lifter_against_valve_gives_the_rocker_ratio(
    jobs: dict[str, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    lifter = replace(SHORT, indicators=(replace(SHORT.indicators[0], where="lobe"),))
    text = (jobs["good"] / "job.toml").read_text(encoding="utf-8").replace('indicator_at = "valve"', 'indicator_at = "lobe" ')
    folder = job(tmp_path / "lifter", lifter, text)
    assert run(["compare", str(folder), str(jobs["good"]), "--json"]) == 0
    found = json.loads(capsys.readouterr().out)["rocker_ratio"]
    assert found["intake"]["at_full_lift"]["value"] == pytest.approx(1.5, abs=0.005)
    assert len(found["exhaust"]["ratio"]) > 20


def test_what_cannot_be_compared_is_said(jobs: dict[str, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    good, text = str(jobs["good"]), (jobs["good"] / "job.toml").read_text(encoding="utf-8")
    lifter = job_folder(
        tmp_path / "lifter", text.replace('indicator_at = "valve"', 'indicator_at = "lobe" '), SHORT, ("stop", "intake")
    )
    other = job_folder(tmp_path / "other", text, SHORT, ("stop", "exhaust"))
    assert run(["compare", str(lifter), str(other)]) == 2
    out, err = capsys.readouterr()
    assert (out, "no lobe in common" in err) == ("", True)
    for deg in ("nan", "1e9"):
        assert run(["compare", good, good, f"--advanced={deg}"]) == 2
    capsys.readouterr()
    renamed = text.replace("bore_mm = 86.0", "bore_mm = 84.0")
    assert renamed != text
    assert run(["compare", good, str(job(tmp_path / "bored", SHORT, renamed)), "--advanced", "0"]) == 0
    assert "do not describe the same engine" in capsys.readouterr().err


def test_each_job_is_told_as_it_is_done_in_the_order_given(
    jobs: dict[str, Path], capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    told: list[str] = []
    one = check.check

    def seen(job: FoundJob) -> check.Checked:
        told.append(capsys.readouterr().out)
        return one(job)

    monkeypatch.setattr(check, "check", seen)
    names = ("late", "none", "good")
    assert run(["check", "-j", "1", *[str(jobs[name]) for name in names]]) == 1
    assert told[0] == ""
    assert [name for name, out in zip(names, told[1:], strict=False) if out.startswith(f"{jobs[name]}: ")] == ["late", "none"]


def test_a_folder_and_a_pattern_are_searched_for_jobs(
    jobs: dict[str, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "2026" / "may").mkdir(parents=True)
    for name in ("b", "a"):
        (tmp_path / "2026" / "may" / name).symlink_to(jobs["good"], target_is_directory=True)
    (tmp_path / "2026" / "notes.txt").touch()
    monkeypatch.chdir(tmp_path)
    junit = tmp_path / "verdicts.xml"
    for root in ("2026", "20*", "2026/may/*"):
        assert run(["check", root, "2026/notes.txt", "--junit", str(junit)]) == 0
        assert capsys.readouterr().out.splitlines()[-1] == "2 jobs: 2 within tolerance"
        suites = list(junitparser.JUnitXml.fromfile(str(junit)))
        assert [suite.name for suite in suites] == ["2026/may/a", "2026/may/b"]
        cases = [(case.classname, case.name) for case in suites[0]]
        assert ("2026/may/a/cylinder 1", "intake opens at 1.27 mm, lobe") in cases
        assert len({*cases}) == len(cases) == 12
        assert suites[0].time == pytest.approx(sum(case.time for case in suites[0]), abs=1e-4)
        assert suites[0].time > 0


def test_a_root_without_a_job_is_no_clean_result(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "empty").mkdir()
    assert run(["check", str(tmp_path / "empty")]) == 2
    assert "there is no job file" in capsys.readouterr().out
    (tmp_path / "notes.txt").touch()
    assert run(["check", str(tmp_path / "notes.txt")]) == 2
    assert "there is no job among these files" in capsys.readouterr().err


def test_a_junit_file_that_cannot_be_written_is_refused_before_the_work(
    jobs: dict[str, Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(["check", str(jobs["good"]), "--junit", str(tmp_path / "none" / "verdicts.xml")]) == 2
    out, err = capsys.readouterr()
    assert (out, "cannot be written" in err) == ("", True)


def test_what_json_prints_is_one_document_also_of_no_value() -> None:
    with redirect_stdout(StringIO()) as out:
        told = say.Growing("check", "jobs", as_json=True)
        told.end({"verdict": "within"}, "")
    assert json.loads(out.getvalue()) == {**head("urn:lobetrace:commands:1#/$defs/check"), "jobs": [], "verdict": "within"}
