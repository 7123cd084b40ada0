"""One number reads literally the same wherever it stands: on the text sheet, on the page, where a job is checked, on the screen."""

from __future__ import annotations

import re
from collections.abc import Iterable
from functools import cache
from html import unescape

import pytest

from acquire.dashboard.snapshot import Snapshot
from acquire.dashboard.verdict_view import verdict
from acquire.procedure.session import Place
from acquire.procedure.steps import DONE
from analysis.base.errors import DataError
from analysis.base.words import one_sign, plus_minus, said_in, sentence_in
from analysis.decision.decide import Decision
from analysis.decision.recheck import recheck
from analysis.lobe.result import Entry
from analysis.report.html import sheet_html
from analysis.report.recheck_table import recheck_table
from analysis.report.sentences import found, requirements, story
from analysis.report.sheet import sheet
from tests.decided import whole
from tests.left_out import thorough

JOBS = [(deg, units) for deg in (0.0, 4.0, -4.0) for units in ("mm", "in")]
OF_EVENTS = ("opens", "closes", "duration", "centerline")
OF_CAM = ("separation", "advance")
# An angle that is read from the wrong dead center or with a minus, and a move that turns its own word around.
WRONG = re.compile(
    r"\b(?:18[1-9]|19\d|[2-9]\d\d)(?:\.\d+)? [AB][TB]DC|-\d+(?:\.\d+)? [AB]?[TB]DC"
    r"|(?:advanced?|retard(?:ed)?)(?: it)?(?: by)? [-+]|[-+]\d\S* (?:advanced|retarded)"
)


def of_kinds(decision: Decision, *kinds: str) -> list[Entry]:
    chosen = [entry for entry in decision.measured.entries() if entry.kind in kinds]
    assert chosen
    return chosen


@cache
def on_the_sheet(deg: float, units: str) -> str:
    decision = whole(deg, units)
    return one_sign(sheet(decision.measured, decision.job))


@cache
def on_the_page(deg: float, units: str) -> str:
    page = re.sub(r"<style.*?</style>", "", sheet_html(whole(deg, units)), flags=re.DOTALL)
    return " ".join(unescape(re.sub(r"<[^>]+>", " ", page)).split())


@cache
def checked(deg: float, units: str) -> str:
    decision = whole(deg, units)
    return one_sign("\n".join([*(f"{name}: {text}" for name, _, text in requirements(decision)), *story(decision)]))


@cache
def on_the_screen(deg: float, units: str) -> str:
    decision = whole(deg, units)
    picture = Snapshot(decision.job, Place(DONE), 1, 1, result=decision.measured, decision=decision)
    return "\n".join("".join(text for text, _ in line) for line in verdict(picture, 160, 60))


@cache
def compared(deg: float, units: str) -> str:
    before, after = whole(deg, units), whole(0.0, units)
    return "\n".join(recheck_table(recheck(before.measured, after.measured, deg), before.job.measure.units))


def missing(entries: Iterable[Entry], units: str, *texts: str) -> list[tuple[str, str]]:
    said = [(entry.name, one_sign(plus_minus(entry.quantity, units))) for entry in entries]  # type: ignore[arg-type]
    return [(name, number) for name, number in said for text in texts if number not in text]


@pytest.mark.parametrize(("deg", "units"), [*JOBS[2:4], *thorough(*JOBS[:2], *JOBS[4:])])
def test_events_and_lifts_read_the_same(deg: float, units: str) -> None:
    entries = of_kinds(whole(deg, units), *OF_EVENTS, "peak lift", "peak lobe lift")
    assert missing(entries, units, on_the_sheet(deg, units), on_the_screen(deg, units)) == []
    shown = [entry for entry in entries if entry.kind != "peak lift"]  # the card gives the lift at the lobe
    assert missing(shown, units, on_the_page(deg, units)) == []


@pytest.mark.parametrize(("deg", "units"), JOBS)
def test_what_both_lobes_come_to_reads_the_same(deg: float, units: str) -> None:
    entries = of_kinds(whole(deg, units), *OF_CAM)
    texts = on_the_sheet(deg, units), on_the_screen(deg, units), on_the_page(deg, units), checked(deg, units)
    assert missing(entries, units, *texts) == []


@pytest.mark.parametrize(("deg", "units"), JOBS)
def test_what_is_judged_reads_as_where_it_is_checked(deg: float, units: str) -> None:
    decision = whole(deg, units)
    numbers = [one_sign(found(line, decision.job.measure.units)) for line in decision.lines]
    assert all(numbers)
    for text in (checked(deg, units), on_the_page(deg, units), on_the_sheet(deg, units), on_the_screen(deg, units)):
        assert [number for number in numbers if number not in text] == []


@pytest.mark.parametrize(("deg", "units"), JOBS)
def test_pictures_on_the_page_have_the_digits_of_its_tables(deg: float, units: str) -> None:
    """In words in a picture there is a number without its uncertainty: the same one, to the same digit."""
    decision, page = whole(deg, units), on_the_page(deg, units)
    for entry in of_kinds(decision, "opens", "closes", "centerline"):
        number = plus_minus(entry.quantity).partition(" +/-")[0]
        assert page.count(number) >= page.count(f"{number} ±") + 1, entry.name


@pytest.mark.parametrize(("deg", "units"), JOBS)
def test_no_angle_is_read_from_the_wrong_dead_center(deg: float, units: str) -> None:
    for said in (on_the_sheet, on_the_page, checked, on_the_screen, compared):
        assert WRONG.findall(said(deg, units)) == [], said.__name__


@pytest.mark.parametrize("units", ["mm", "in"])
def test_a_recheck_has_the_numbers_of_the_sheet(units: str) -> None:
    decision, text = whole(4.0, units), compared(4.0, units)
    for entry in of_kinds(decision, *OF_EVENTS, "peak lift"):
        assert plus_minus(entry.quantity, decision.job.measure.units).partition(" +/-")[0] in text, entry.name


def test_what_is_wrong_would_be_found() -> None:
    assert all(WRONG.search(text) for text in ("223.6 ABDC", "181 ATDC", "advanced by -3.1", "-41.3 ATDC", "-3.1 advanced"))
    assert not any(WRONG.search(text) for text in ("43.6 ABDC", "180 BTDC", "advanced by 3.1", "off by -0.1", "3.1 retarded"))


@pytest.mark.parametrize(
    ("said", "in_inches"),
    [
        ("The lift fell by 0.13 mm in 2 s.", "The lift fell by 0.005 in in 2 s."),
        ("moved by -0.012 mm, 3 degrees", "moved by -0.0005 in, 3 degrees"),
        ("moves by +0.0508 +/-0.0254 mm a second", "moves by +0.00200 +/-0.00100 in a second"),
        ("steps of 0.0127 mm, and 25.4 mm", "steps of 0.00050 in, and 1.00 in"),
        ("0.001 mm and 0.00 mm", "0.00004 in and 0.000 in"),
        ("units: inches written as mm, 3 mmol", "units: inches written as mm, 3 mmol"),
    ],
)
def test_a_sentence_says_its_lengths_in_the_units_of_the_job(said: str, in_inches: str) -> None:
    """One inch is 25.4 mm (ISO 80000-3)."""
    assert sentence_in(said, "in") == in_inches
    assert sentence_in(said, "mm") == said


def test_a_refusal_says_its_lengths_in_the_units_of_the_job() -> None:
    with pytest.raises(DataError, match=r"^6\.csv: it moved by 0\.10 in only\. Move it by 1\.0 in$"), said_in("in"):
        raise DataError("it moved by 2.5 mm only", where="6.csv", do="Move it by 25 mm")
