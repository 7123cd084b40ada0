"""The result steps say the verdict and what to change, in words and as fit the terminal."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

import pytest

from acquire.dashboard.cautioned import cautioned
from acquire.dashboard.decided import decided
from acquire.dashboard.picture import snapshot_of
from acquire.dashboard.snapshot import Snapshot
from acquire.dashboard.text_lines import Line
from acquire.dashboard.verdict_view import event_table, verdict
from acquire.procedure.session import Place
from acquire.procedure.steps import DONE, RESULT, ZERO
from acquire.simulator.scenarios import SCENARIOS
from analysis.base.finding import DOUBT, NOTE, Finding
from analysis.capture import load
from analysis.decision.decide import decide
from analysis.live.partial import Passed
from analysis.report.sentences import headline, story
from tests.decided import whole
from tests.rigs import known
from tests.walked import Walk


def text(lines: Sequence[Line]) -> list[str]:
    return ["".join(part for part, _ in line) for line in lines]


def test_a_late_camshaft_is_outside_and_to_be_advanced() -> None:
    said = " ".join(" ".join(text(decided(whole(4.0), "", 100))).split())
    assert said.startswith("Out of tolerance")
    assert "advance it by 4 crank degrees" in said
    assert "position +4 of the timing set" in said
    assert "Advance: camshaft turned onward, events earlier." in said


def test_a_camshaft_in_its_place_is_left_there() -> None:
    said = " ".join(text(decided(whole(0.0), "", 100)))
    assert "leave it" in said
    assert "Advance:" not in said


@pytest.mark.parametrize("valve", ["intake", "exhaust"])
def test_one_lobe_is_judged_by_its_own_lines(valve: str) -> None:
    decision = whole(4.0)
    lines = tuple(line if line.asked.valve == valve else replace(line, verdict="outside") for line in decision.lines)
    mine = {line.verdict for line in lines if line.asked.valve == valve and line.measured is not None}
    first = text(decided(replace(decision, lines=lines), valve, 80))[0]
    assert first == f" {valve.capitalize()} lobe: {'out of' if 'outside' in mine else 'within'} tolerance."


def test_the_last_step_shows_what_the_check_of_the_folder_says(walks: Callable[..., Walk]) -> None:
    walk = walks()
    walk.jump(Place(RESULT, "exhaust"), swept=True)
    walk.workers.settle()
    assert snapshot_of(walk.station).decision is not None
    walk.to(Place(DONE))
    assert snapshot_of(walk.station).decision is None, "that of the step before says nothing about this one"
    walk.workers.settle()
    picture = snapshot_of(walk.station)
    decision = decide(walk.job, [load(path) for path in sorted((walk.folder / "captures").glob("*.csv"))])
    assert picture.decision is not None
    assert (picture.decision.lines, picture.decision.correction) == (decision.lines, decision.correction)
    shown = " ".join(" ".join(text(verdict(picture, 80))).split())
    assert headline(decision) in shown
    for sentence in story(decision):
        assert sentence.replace("+/-", "±") in shown


def asymmetric(valve: str, deg: float) -> Finding:
    seen = f"The {valve} lobe is asymmetric by {deg} degrees."
    return Finding("unsymmetrical", NOTE, seen, "Compare like with like.", touches=frozenset({f"{valve}.centerline"}))


SPIKES = Finding("spikes", NOTE, "Intake: 2 of 6815 readings were outliers.", "A few are usual.", touches=frozenset({"intake"}))


def test_what_was_said_of_one_lobe_is_not_said_again_of_the_other() -> None:
    said = cautioned([asymmetric("intake", 7.1), SPIKES, asymmetric("exhaust", 7.3)])
    assert said == [
        "The intake lobe is asymmetric by 7.1 degrees. Compare like with like.",
        "The exhaust lobe is asymmetric by 7.3 degrees.",
        SPIKES.text,
    ], "those of a kind stand together, every figure stays, the advice stands once"


def test_every_sentence_of_every_caution_is_shown() -> None:
    cautions = [
        asymmetric("exhaust", 7.3),
        SPIKES,
        replace(SPIKES, seen=SPIKES.seen.replace("Intake: 2", "Exhaust: 1"), touches=frozenset({"exhaust"})),
    ]
    shown = " ".join(cautioned(cautions))
    for caution in cautions:
        for sentence in caution.text.rstrip(".").split(". "):
            assert sentence in shown


def test_a_lobe_is_shown_its_own_cautions_and_those_of_the_whole() -> None:
    whole = Finding("count-moved", NOTE, "Between two captures the count moved by 3.", touches=frozenset({"tdc"}))
    both = Finding("wrong-valve", DOUBT, "This looks like the intake valve, not the exhaust valve.", touches=frozenset({"*"}))
    cautions = [SPIKES, asymmetric("exhaust", 7.3), whole, both]
    assert cautioned(cautions, "exhaust") == [cautions[1].text, whole.text, both.text]
    assert cautioned(cautions, "both") == [each.text for each in cautions]


def test_until_the_verdict_is_there_it_says_that_it_is_being_worked_out(walks: Callable[..., Walk]) -> None:
    walk = walks()
    walk.jump(Place(ZERO, "intake"))
    walk.to(Place(RESULT, "intake"))
    shown = text(verdict(snapshot_of(walk.station), 80))
    assert shown[0] == " The verdict is being worked out."
    walk.workers.settle()
    assert not any("being worked out" in line for line in text(verdict(snapshot_of(walk.station), 80)))


@pytest.fixture(scope="module")
def at_a_result(tmp_path_factory: pytest.TempPathFactory) -> Snapshot:
    """The picture of a result, whatever it says."""
    walk = Walk(tmp_path_factory.mktemp("result") / "job", SCENARIOS["clean"])
    walk.jump(Place(RESULT, "intake"))
    picture = snapshot_of(walk.station)
    walk.station.close()
    return picture


@pytest.mark.parametrize("width", [80, 99, 100, 200])
@pytest.mark.parametrize(("off", "u95"), [(12.34, 0.12), (-3.786, 0.0803), (0.2, 0.5), (4.2, 0.0312)])
def test_the_table_of_events_fits(at_a_result: Snapshot, width: int, off: float, u95: float) -> None:
    picture = at_a_result
    asked = picture.job.specification.intake.duration
    events = tuple(
        Passed(
            row.lift_mm,
            row.at,
            known(row.opens + off, u95, "deg", "intake opens"),
            known(row.closes + off, u95, "deg", "intake closes"),
            known(row.deg + off, u95, "deg"),
        )
        for row in asked
        if row.opens is not None and row.closes is not None
    )
    assert events
    lines = text(event_table(picture, "intake", events, width))
    assert max(len(line.rstrip()) for line in lines) <= width
    if abs(off) > 1.0:
        assert any("OUT" in line if width >= 100 else "!" in line for line in lines[1:])
    opens, closes, duration = (lines[0].index(word) for word in ("opens", "closes", "duration"))
    for line in lines[1:]:
        assert [line[start - 1] for start in (opens, closes, duration)] == [" "] * 3, "columns that do not touch"
        assert " " not in (line[opens], line[closes], line[duration]), "and stand below their heads"
