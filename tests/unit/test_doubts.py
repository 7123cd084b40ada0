"""What a finding costs: which numbers it touches, and that a number in doubt is shown and never judged."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace
from functools import cache
from typing import Any

import pytest

from acquire.simulator.piston_stop import Stop
from acquire.simulator.rig import Work
from analysis.base.errors import DataError
from analysis.base.finding import DOUBT, NOTE, REFUSAL, Finding, doubts, in_order, refused
from analysis.base.samples import Capture
from analysis.curve.sweep import Swept
from analysis.decision.decide import Decision, decide
from analysis.decision.doubted import doubted
from analysis.decision.verdict import compare, overall
from analysis.diagnosis.all_rules import RULES
from analysis.diagnosis.arguments import Given
from analysis.diagnosis.examine import diagnose_captures
from analysis.diagnosis.rule import Seen, look_at, rule
from analysis.lobe.result import Measurement
from analysis.measure import measure
from analysis.report.decision_json import decision_json
from analysis.report.html import sheet_html
from analysis.report.sentences import headline, requirements
from analysis.report.sheet import sheet
from analysis.tdc.stop import TdcFound
from tests.cards import card_of
from tests.recorded import captures
from tests.rigs import SHORT, job_for

CARD = card_of(SHORT)
JOB = job_for(SHORT, specification=CARD)


@cache
def recorded() -> tuple[Capture, ...]:
    return tuple(captures(SHORT))


@cache
def measured() -> Measurement:
    return measure(JOB, recorded())


def finding(*touches: str, code: str = "some-doubt", weight: Any = DOUBT) -> Finding:
    return Finding(code, weight, "Something was seen.", touches=frozenset(touches))


@pytest.mark.parametrize(
    ("pattern", "path", "touched"),
    [
        ("*", "tdc", True),
        ("tdc", "tdc", True),
        ("tdc", "intake.events.1.27.opens", False),
        ("intake", "intake.events.1.27.opens", True),
        ("intake.*", "intake.peak_lift", True),
        ("intake", "exhaust.peak_lift", False),
        ("exhaust.events", "exhaust.events.0.15.duration", True),
        ("exhaust.events", "exhaust.centerline", False),
        ("intake.events.opens", "intake.events.1.27.opens", True),
        ("intake.events.opens", "intake.events.1.27.closes", False),
        ("intake.events@<0.6", "intake.events.0.5.opens", True),
        ("intake.events@<0.6", "intake.events.1.27.opens", False),
        ("intake.events@<0.6", "intake.centerline", False),
        ("intake.events@1.27", "intake.events.1.27.closes", True),
        ("intake.events@1", "intake.events.1.27.closes", False),
        ("intake.peak", "intake.peak_lift", False),
        ("intake.centerline", "intake.centerline.centroid", True),
        ("cam.*", "cam.separation", True),
    ],
)
def test_a_pattern_touches_the_numbers_that_it_names(pattern: str, path: str, touched: bool) -> None:
    assert finding(pattern).touched([path]) is touched
    assert bool(doubts([finding(pattern)], [path])) is touched
    assert doubts([finding(pattern, weight=NOTE)], [path]) == ()


def test_findings_stand_in_the_order_of_their_weight_and_once() -> None:
    note, doubt, refusal = (finding("*", code=weight.value, weight=weight) for weight in (NOTE, DOUBT, REFUSAL))
    assert in_order([note, doubt, note, refusal]) == (refusal, doubt, note)


def test_a_finding_names_the_valves_that_it_is_about() -> None:
    assert finding("exhaust.events", "intake").about == ("intake", "exhaust")
    assert finding("*").about == finding("tdc").about == ()


def test_an_error_that_leaves_no_number_is_a_refusal() -> None:
    found = refused(DataError("there is no base circle", where="intake-01.csv", do="Sweep on"))
    assert (found.code, found.weight, found.touches) == ("not-measured", REFUSAL, {"*"})
    assert found.text == "intake-01.csv: there is no base circle. Sweep on."


# What is held back by a doubt: kinds of lines of the card.
ANGLES = {"opens", "closes", "centerline", "advance"}


@pytest.mark.parametrize(
    ("touches", "held"),
    [
        (("*",), {*ANGLES, "duration", "lobe lift", "separation"}),
        (("tdc",), ANGLES),
        (("intake.events", "exhaust.events"), {"opens", "closes", "duration"}),
        (("intake.events.opens", "exhaust.events.opens"), {"opens"}),
        (("intake.events@<0.6",), set()),
        (("intake.peak_lift", "exhaust.peak_lift"), {"lobe lift"}),
        (("intake.centerline", "exhaust.centerline"), {"centerline", "separation", "advance"}),
        (("cam",), {"separation", "advance"}),
        (("intake.slack",), set()),
    ],
)
def test_a_doubt_holds_back_what_rests_on_the_number(touches: Sequence[str], held: set[str]) -> None:
    lines = doubted(compare(JOB, measured()), [finding(*touches)])
    assert {line.asked.kind for line in lines if line.verdict == "inconclusive"} == held
    for line in lines:
        assert (line.doubts == ("some-doubt",)) == (line.asked.kind in held)
        assert line.verdict in ("inconclusive" if line.asked.kind in held else "within")


def test_a_doubt_about_one_lobe_leaves_the_other() -> None:
    lines = doubted(compare(JOB, measured()), [finding("intake")])
    held = {line.asked.valve for line in lines if line.verdict == "inconclusive"}
    assert held == {"intake", ""}, "separation and advance rest on both"


def test_a_note_holds_nothing_back() -> None:
    lines = compare(JOB, measured())
    assert doubted(lines, [finding("*", weight=NOTE)]) == lines


def test_what_is_held_back_is_no_pass_and_a_line_that_is_outside_still_fails() -> None:
    assert overall(["within", "inconclusive"]) == "cannot tell"
    assert overall(["outside", "inconclusive"]) == "outside"


@cache
def with_a_loose_stop(**specification: float) -> Decision:
    """Contacts that spread over a degree: TDC is in doubt."""
    rig = replace(SHORT, stop=Stop(give_deg=1.2), work=Work(touches=4, turns=4.2))
    card = {**CARD, "intake": {**CARD["intake"], **specification}}
    return decide(job_for(rig, specification=card), captures(rig))


def test_tdc_in_doubt_leaves_durations_and_lifts_judged() -> None:
    decision = with_a_loose_stop()
    by_kind = {line.asked.kind: line.verdict for line in decision.lines}
    assert {kind for kind, verdict in by_kind.items() if verdict == "inconclusive"} == ANGLES
    assert by_kind["duration"] == by_kind["lobe lift"] == by_kind["separation"] == "within"
    assert decision.verdict == "cannot tell"
    assert decision.correction is None, "nothing is turned on the strength of a doubtful TDC"
    assert "touches-spread" in headline(decision)
    opens = next(said for name, _, said in requirements(decision) if "intake opens" in name)
    assert opens.startswith("touches-spread: specified")


def test_the_doubt_stands_beside_the_number_wherever_it_is_printed() -> None:
    decision = with_a_loose_stop()
    lines = {line["kind"]: line["verdict"] for line in decision_json(decision)["lines"]}
    assert lines["opens"] == "inconclusive: touches-spread"
    assert lines["duration"] == "within"
    warning = next(each for each in decision_json(decision)["result"]["warnings"] if each["code"] == "touches-spread")
    assert (warning["weight"], warning["touches"]) == ("doubt", ["tdc"])
    text = " ".join(sheet(decision.measured, decision.job).split())
    assert "IN DOUBT all of these: touches-spread" in text, "the count of TDC"
    assert "opens at 1.27, closes at 1.27" in text
    assert "In doubt: The contacts on one side of the stop spread" in text
    page = sheet_html(decision)
    assert "inconclusive: touches-spread" in page
    assert ">Warnings</h2>" in page


def test_a_lift_that_is_off_is_outside_though_tdc_is_in_doubt() -> None:
    assert with_a_loose_stop(lobe_lift_mm=9.0).verdict == "outside"


def test_nothing_of_an_altered_capture_is_judged() -> None:
    """The figures agree with the card to the last digit, and still it does not pass."""
    altered = [replace(c, complete=False, altered=True, missing=("Its SHA-256 is another",)) for c in recorded()[:1]]
    decision = decide(JOB, [*altered, *recorded()[1:]])
    assert {line.verdict for line in decision.lines} == {"inconclusive"}
    assert {code for line in decision.lines for code in line.doubts} == {"capture-altered"}
    assert decision.verdict == "cannot tell"
    assert [f.code for f in diagnose_captures(JOB, altered)] == ["capture-altered"]


def test_a_sound_job_has_neither_doubt_nor_cause() -> None:
    decision = decide(JOB, recorded())
    assert all(finding.weight is NOTE for finding in decision.findings)
    assert decision.causes.findings == ()
    assert decision.verdict == "within"
    assert "IN DOUBT" not in sheet(decision.measured, decision.job)


def test_every_rule_has_a_code_and_says_what_it_looks_for() -> None:
    looks = [each.look for each in RULES]
    assert len(looks) == len(set(looks))
    codes = {each.code for each in RULES}
    for each in RULES:
        assert re.fullmatch("[a-z0-9]+(-[a-z0-9]+)*", each.code)
        assert each.look.__doc__, each.code
        assert codes.issuperset(each.explains)


def test_a_rule_whose_evidence_is_not_there_is_skipped_and_not_passed() -> None:
    @rule("sees-travel", NOTE)
    def sees_travel(travel: TdcFound) -> Seen:
        return Seen(f"There is a travel, {travel.method}.")

    @rule("sees-lobes", NOTE)
    def sees_lobes(valve: str) -> Seen | None:
        return None if valve else Seen("A lobe of no valve.")

    examined = look_at((sees_travel, sees_lobes), Given(JOB, recorded(), measured()))
    assert (examined.findings, examined.skipped) == ((), ("sees-travel",))


def test_a_rule_cannot_ask_for_what_there_is_not() -> None:
    def of_the_moon(moon: str) -> Seen:
        return Seen(moon)

    with pytest.raises(TypeError, match="moon"):
        rule("of-the-moon", NOTE)(of_the_moon)


def test_a_rule_about_a_lobe_names_its_valve_and_touches_its_numbers() -> None:
    @rule("always", DOUBT, "{valve}.events")
    def always(swept: Swept) -> Seen:
        return Seen(f"{swept.good.size} readings were seen.")

    found = look_at((always,), Given(JOB, recorded(), measured())).findings
    assert [f.text.split(": ")[0] for f in found] == ["Intake", "Exhaust"]
    assert [f.touches for f in found] == [{"intake.events"}, {"exhaust.events"}]


def test_what_explains_the_others_is_said_before_them() -> None:
    @rule("effect", DOUBT, "{valve}")
    def effect(valve: str) -> Seen:
        return Seen(f"The {valve} lobe suffers.")

    @rule("cause", DOUBT, "{valve}", explains=("effect",))
    def cause(valve: str) -> Seen | None:
        return Seen(f"The {valve} lifter sinks.") if valve == "exhaust" else None

    found = look_at((effect, cause), Given(JOB, recorded(), measured())).findings
    assert [f"{f.code} {f.about[0]}" for f in found] == ["effect intake", "cause exhaust", "effect exhaust"]
