"""A job entered as text: what follows from a cam card's lines, and that text and job are the same thing said twice."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.job import Job, load_job, parse_job
from analysis.job.card_entry import contradictions, follows
from analysis.job.entry import UNITS, Units, blank, cells, groups, judged, like, other_units
from analysis.job.model import Record
from analysis.job.write import filled, written_job
from tests.any_job import jobs

SAMPLES = sorted((Path(__file__).parents[2] / "sample-captures").glob("*/job.toml"))
ENGINE = {"engine.cylinders": "4", "engine.bore_mm": "86", "engine.stroke_mm": "86", "engine.rod_mm": "145"}
DEGREES = st.integers(-200, 200).map(lambda half: half / 2)


def typed(**more: str) -> dict[str, str]:
    return blank("mm") | ENGINE | {name.replace("__", "."): text for name, text in more.items()}


@pytest.mark.parametrize(
    ("given_lines", "made"),
    [
        # The usual relations of a cam card (common practice), with numbers worked by hand.
        ({"separation": 110.0, "advance": 4.0}, {"intake center": 106.0, "exhaust center": 114.0}),
        ({"intake center": 106.0, "exhaust center": 114.0}, {"separation": 110.0, "advance": 4.0}),
        ({"separation": 110.0, "exhaust center": 114.0}, {"advance": 4.0, "intake center": 106.0}),
        ({"intake 0 opens": 12.0, "intake 0 closes": 56.0}, {"intake 0 duration": 248.0, "intake center": 112.0}),
        ({"exhaust 0 opens": 60.0, "exhaust 0 closes": 8.0}, {"exhaust 0 duration": 248.0, "exhaust center": 116.0}),
        ({"intake 0 duration": 248.0, "intake 0 opens": 12.0}, {"intake 0 closes": 56.0}),
        ({"intake 0 duration": 248.0, "intake center": 112.0}, {"intake 0 opens": 12.0, "intake 0 closes": 56.0}),
        ({"intake lobe lift": 7.0, "ratio": 1.5}, {"intake valve lift": 10.5}),
        ({"exhaust valve lift": 0.45, "ratio": 1.5}, {"exhaust lobe lift": 0.3}),
    ],
)
def test_what_follows_from_a_card(given_lines: dict[str, float], made: dict[str, float]) -> None:
    found = follows(given_lines)
    assert {name: found[name].value for name in made} == pytest.approx(made)


def test_what_holds_only_for_a_symmetric_lobe_says_so() -> None:
    found = follows({"intake 0 opens": 12.0, "intake 0 closes": 56.0, "separation": 110.0})
    assert not found["intake 0 duration"].symmetric
    assert found["intake center"].symmetric
    assert found["advance"].symmetric, "it follows from what does"


def test_what_does_not_fit_is_found_and_rounding_is_not() -> None:
    assert contradictions({"separation": 110.0, "advance": 4.0, "intake center": 106.5}) == {}
    assert contradictions({"separation": 110.0, "advance": 2.0, "intake center": 106.0}) == {"advance": 4.0}
    assert contradictions({"intake 0 duration": 220.0, "intake 0 opens": 4.0, "intake 0 closes": 40.0}) == {
        "intake 0 duration": 224.0
    }


@given(intake=DEGREES, exhaust=DEGREES)
def test_a_card_that_follows_from_itself_never_contradicts_itself(intake: float, exhaust: float) -> None:
    card = {"intake center": intake, "exhaust center": exhaust, "intake 0 opens": intake / 2, "intake 0 duration": 200.0}
    whole = card | {name: found.value for name, found in follows(card).items() if not found.symmetric}
    assert contradictions(whole) == {}


def test_only_what_the_card_gives_is_written() -> None:
    job = judged(typed(specification__cam__separation_deg="110", specification__cam__advance_deg="4")).job
    assert job is not None
    assert job.specification.cam.advance_deg == 4.0
    assert job.specification.intake.centerline_deg is None


@pytest.mark.parametrize("units", ["mm", "in"])
@pytest.mark.parametrize("path", SAMPLES, ids=lambda path: path.parent.name)
def test_a_copied_job_is_that_job(path: Path, units: Units) -> None:
    job = load_job(path)
    texts, rest = like(job, job.measure.units)
    assert judged(texts, rest).job == job
    other, rest = like(job, units)
    copied = judged(other, rest).job
    assert copied is not None
    # Five decimals of an inch are a quarter of a micrometre.
    assert copied.engine.stroke_mm == pytest.approx(job.engine.stroke_mm, abs=1.3e-4)
    assert copied.measure.units == units


def test_a_copied_card_keeps_its_checking_lifts() -> None:
    lifts = [
        {"lift_mm": 0.15, "deg": 250.0},
        {"lift_mm": 1.27, "deg": 210.0},
        {"lift_mm": 1.27, "at": "valve", "deg": 220.0},
    ]
    job = parse_job(filled({"specification.intake.duration": lifts, "specification.exhaust.duration": lifts[1:]}))
    texts, rest = like(job, "mm")
    copied = judged(texts, rest).job
    assert copied is not None
    assert copied.specification == job.specification
    assert texts["card.1.exhaust.deg"] == "210", "those of one lift stand on one line"


def test_more_checking_lifts_than_the_form_has_room_for_are_kept() -> None:
    lifts = [{"lift_mm": float(n), "deg": 260.0 - 10 * n} for n in range(1, 8)]
    job = parse_job(filled({"specification.intake.duration": lifts}))
    copied = judged(*like(job, "mm")).job
    assert copied is not None
    assert copied.specification == job.specification


def test_changing_the_unit_changes_what_was_entered_and_nothing_else() -> None:
    texts = typed(card__0__lift_mm="1.27", card__0__intake__deg="220")
    inch = other_units(texts, "in")
    assert (inch["card.0.lift_mm"], inch["card.0.intake.deg"], inch[UNITS]) == ("0.050", "220", "in")
    assert inch["engine.stroke_mm"] == "3.38583"
    assert other_units(inch, "mm") == texts, "a change of mind costs nothing"


@pytest.mark.parametrize(
    ("name", "text", "said"),
    [
        ("engine.bore_mm", "abc", 'bore_mm = "abc" does not fit'),
        ("engine.cylinders", "4.5", "cylinders = 4.5 does not fit"),
        ("engine.firing_order", "1-2-3", "firing_order must name each of the cylinders 1 to 4 once"),
        ("engine.rod_mm", "50", "rod_mm = 50 is too short"),
        ("card.0.exhaust.deg", "20", "deg = 20 is outside 60 to 480"),
        ("measure.cylinder", "9", "measure.cylinder = 9, but the engine has 4"),
        ("measure.checking_lifts_mm", "0.15 0.15", "at least one value, and none twice"),
        ("rig.lash_mm", "nan", "lash_mm = nan does not fit"),
    ],
)
def test_what_is_wrong_is_said_at_its_own_line(name: str, text: str, said: str) -> None:
    found = judged(typed(**{"card__0__lift_mm": "1.27"} if name.startswith("card") else {}) | {name: text})
    assert found.job is None
    assert said in found.wrong[name]


def test_a_reading_without_its_duration_asks_for_it() -> None:
    found = judged(typed(card__0__intake__opens_btdc_deg="4"))
    assert set(found.missing) == {"card.0.lift_mm", "card.0.intake.deg"}


@given(
    texts=st.dictionaries(st.sampled_from([cell.name for cell in cells(groups({}))]), st.text(max_size=8)),
    units=st.sampled_from(["mm", "in"]),
)
def test_whatever_is_typed_is_judged(texts: dict[str, str], units: Any) -> None:
    found = judged(blank(units) | texts)
    assert found.job is not None or found.wrong or found.missing
    if found.job is not None:
        assert parse_job(written_job(found.job)) == found.job


def test_every_line_is_explained() -> None:
    for units in ("mm", "in"):
        for cell in cells(groups({UNITS: units})):
            assert cell.help, cell.name
            assert "mm" not in cell.usual


@settings(max_examples=40, deadline=None)
@given(job=jobs())
def test_any_job_is_copied_as_it_is(job: Job) -> None:
    """As far as a form has room for its checking lifts, and but for what belongs to the other engine."""
    texts, rest = like(job, "mm")
    copied = judged(texts, rest).job
    assert copied is not None
    again = parse_job(written_job(copied, "mm"))
    for table in ("engine", "timing_set", "clearance", "spring"):
        assert getattr(again, table) == getattr(job, table)
    assert again.rig == job.rig.model_copy(update={"tdc_count": None})
    assert again.specification.cam == job.specification.cam
    for valve in ("intake", "exhaust"):
        mine, theirs = (set(getattr(each.specification, valve).duration) for each in (again, job))
        assert mine == theirs
    assert again.record == Record()
