"""`check` and the sheet judge every cylinder that was swept: one wrong lobe anywhere fails the job, and is named."""

from __future__ import annotations

import json
from dataclasses import replace
from importlib import resources
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import jsonschema
import pytest

from acquire.cli import run
from analysis.base.samples import Capture
from analysis.base.selection import only
from analysis.decision.decide import Decision, decide
from analysis.report.decision_json import decision_json
from analysis.report.html import sheet_html
from analysis.report.lobe_table import lobe_table, lobes_of
from analysis.report.sentences import headline, requirements, story
from tests.six import engine_of, folder_of_six, job_of_six

SWEPT = (1, 3, 5)


def judged(**late_of: float) -> Decision:
    return decide(job_of_six(), engine_of(SWEPT, **late_of))


def not_within(decision: Decision) -> list[str]:
    return [name for name, verdict, _ in requirements(decision) if verdict != "within"]


def test_a_sound_engine_is_within_in_every_cylinder() -> None:
    decision = judged()
    assert decision.verdict == "within"
    names = [name for name, _, _ in requirements(decision)]
    for cylinder in SWEPT:
        assert f"cylinder {cylinder}, intake opens at 1.27 mm, lobe" in names
        assert f"cylinder {cylinder}, exhaust lobe lift" in names
    assert len(set(names)) == len(names) == len(decision.verdicts)
    assert {(row.cylinder, row.valve, row.verdict) for row in lobes_of(decision)} == {
        (cylinder, valve, "within") for cylinder in SWEPT for valve in ("intake", "exhaust")
    }


def test_a_wrong_lobe_of_another_cylinder_fails_the_job_and_is_named() -> None:
    """The intake lobe of cylinder 5 is ground 4 crank degrees late: everything else is as ordered."""
    decision = judged(c5_intake=4.0)
    assert decision.verdict == "outside"
    outside = not_within(decision)
    assert "cylinder 5, intake opens at 1.27 mm, lobe" in outside
    assert "cylinder 5 intake spacing" in outside
    assert all("5" in name.split()[1] for name in outside)
    said = " ".join(story(decision))
    assert "Cylinder 5 is out of tolerance: " in said
    assert "The intake lobe of cylinder 5 stands 4.00 +/-0.02 crank degrees late against that of cylinder 1" in said

    assert "Out of tolerance" in headline(decision)
    rows = {(row.cylinder, row.valve): row.verdict for row in lobes_of(decision)}
    assert rows.pop((5, "intake")) == "outside"
    assert set(rows.values()) == {"within"}


def test_a_late_camshaft_is_corrected_by_the_mean_of_cylinders_that_agree() -> None:
    decision = judged(c1=3.8, c5=4.2, c3=4.0)
    assert decision.correction is not None
    (move,) = decision.correction.moves
    assert move.cylinders == SWEPT
    # The card is rounded to half a degree, so a little is left; the spread of the three must not be.
    alone = [decide(job_of_six(), engine_of([1, 5], c1=late, c5=late)).correction for late in (3.8,)]
    assert alone[0] is not None
    assert move.late.value == pytest.approx(alone[0].moves[0].late.value + 0.2, abs=0.08)
    assert "in the mean of cylinders 1, 3 and 5" in " ".join(story(decision))


def test_where_cylinders_disagree_the_first_says_how_the_camshaft_stands() -> None:
    decision = judged(c1=4.0, c5=0.0, c3=4.0)
    assert decision.correction is not None
    (move,) = decision.correction.moves
    assert move.cylinders == (1,)
    assert "by cylinder 1 alone" in " ".join(story(decision))


def spoiled(captures: list[Capture], cylinder: int) -> list[Capture]:
    """Both sweeps of a cylinder end before the lobe."""
    return [
        replace(c, samples=only(c.samples, slice(200))) if c.header.step == "sweep" and c.header.cylinder == cylinder else c
        for c in captures
    ]


def test_a_cylinder_that_cannot_be_measured_leaves_the_others_their_numbers() -> None:
    decision = decide(job_of_six(), spoiled(engine_of(SWEPT), 5))
    assert decision.verdict == "cannot tell"
    assert not_within(decision) == ["cylinder 5"]
    assert [row.cylinder for row in lobes_of(decision) if row.why] == [5]
    assert "not measured: " in "\n".join(lobe_table(decision.job, lobes_of(decision)))
    assert "Cylinder 5 was not measured: " in " ".join(story(decision))
    schema = json.loads((resources.files("analysis") / "decision.schema.json").read_text(encoding="utf-8"))
    tree = decision_json(decision)
    jsonschema.Draft202012Validator(schema).validate(tree)
    assert [(each["cylinder"], each["error"] is None) for each in tree["others"]] == [(3, True), (5, False)]


def test_the_jobs_own_cylinder_may_be_the_one_that_cannot_be_measured() -> None:
    decision = decide(job_of_six(), spoiled(engine_of(SWEPT, c5_intake=4.0), 1))
    assert decision.job.measure.cylinder == 3
    assert decision.verdict == "outside"
    assert {"cylinder 1", "cylinder 5, intake opens at 1.27 mm, lobe"} <= set(not_within(decision))


def test_of_another_cylinder_only_what_was_swept_is_asked() -> None:
    captures = [c for c in engine_of(SWEPT) if (c.header.cylinder, c.header.channels) != (5, ("exhaust",))]
    decision = decide(job_of_six(), captures)
    assert decision.verdict == "within"
    assert not [name for name, _, _ in requirements(decision) if name.startswith("cylinder 5, exhaust")]
    first = [c for c in engine_of(SWEPT) if (c.header.cylinder, c.header.channels) != (1, ("exhaust",))]
    assert decide(job_of_six(), first).verdict == "cannot tell", "the job's own cylinder is asked everything"


def test_the_table_of_all_lobes_keeps_to_the_width_of_a_sheet() -> None:
    lines = lobe_table(job_of_six(), lobes_of(judged(c5_intake=4.0)))
    assert max(map(len, lines)) <= 80
    assert sum("within tolerance" in line for line in lines) == 5
    assert sum("out of tolerance" in line for line in lines) == 1
    said = " ".join(" ".join(lines).split())
    assert "intake against cylinder 1, crank degrees: cylinder 3 " in said
    assert "cylinder 5 4." in said


def test_the_page_shows_all_lobes_first_and_then_what_is_not_within() -> None:
    page = sheet_html(judged(c5_intake=4.0))
    assert page.count('<h2 id="lobes">') == 1
    assert "Intake, cylinder 5: not within tolerance" in page
    assert "Exhaust, cylinder 5" not in page
    assert "Cylinders 1, 3 and 5 of 6" in page
    assert page.index('<h2 id="lobes">') < page.index('<h2 id="card">')
    for name in ("5-intake-01.csv", "3-exhaust-01.csv"):
        assert name in page, "its data stand behind the sheet too"


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return folder_of_six(tmp_path_factory.mktemp("six") / "job", SWEPT, c5_intake=4.0)


def test_check_fails_with_the_lobe_in_words_and_in_junit(
    folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    junit = tmp_path / "junit.xml"
    assert run(["check", str(folder), "--junit", str(junit)]) == 1
    out = capsys.readouterr().out
    assert "out of tolerance cylinder 5, intake opens at 1.27 mm, lobe" in out
    assert "ALL LOBES" in out
    failed = [case for case in ElementTree.parse(junit).iter("testcase") if case.find("failure") is not None]
    names = [f"{case.get('classname', '').rpartition('/')[2]}, {case.get('name')}" for case in failed]
    assert "cylinder 5, intake opens at 1.27 mm, lobe" in names
    assert all("cylinder 5" in name for name in names)


def test_analyze_ends_with_the_table(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["analyze", str(folder)]) == 0
    out = capsys.readouterr().out
    assert out.count("CAMSHAFT SHEET") == 3
    table: Any = out.partition("ALL LOBES")[2]
    assert table.count(" intake ") == 4, "three lobes, and how they stand to each other"
