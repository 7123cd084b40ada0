"""The procedure's tables, walked in every way that they allow."""

from __future__ import annotations

import itertools
import random

import pytest

from acquire.procedure.session import (
    LEFT,
    MET,
    OVERRIDDEN,
    REDONE,
    ROWS,
    TDC_AGAIN,
    TDC_LOST,
    Happened,
    Place,
    Plan,
    Session,
    after,
    check_in_hand,
    looked_at,
    may_check_tdc,
    needs,
    overridable,
    override,
    places,
    redo,
    taken_up,
)
from acquire.procedure.steps import CAUTIONS, DONE, RESULT, RIG, STEPS, STOP, STOP_OUT, SWEEP, TRAVEL, ZERO
from analysis.base.errors import UsageError

PLANS = [Plan(tdc, valves) for tdc in ("stop", "travel", "given") for valves in (("intake",), ("intake", "exhaust"), ("both",))]


def met(session: Session) -> Session:
    """The session once everything that it needs is there."""
    happened = looked_at(session, {need.key: need.least for need in needs(session)})
    assert happened is not None
    return after(session, happened)


def at(session: Session, place: Place) -> Session:
    while session.at != place:
        session = met(session)
    return session


def test_by_piston_stop_the_stop_comes_out_before_any_sweep() -> None:
    steps = [place.step for place in places(Plan("stop"))]
    assert steps == [CAUTIONS, RIG, STOP, STOP_OUT, ZERO, SWEEP, RESULT, ZERO, SWEEP, RESULT, DONE]


def test_by_piston_travel_there_is_no_stop() -> None:
    steps = [place.step for place in places(Plan("travel", ("both",)))]
    assert steps == [CAUTIONS, RIG, TRAVEL, ZERO, SWEEP, RESULT, DONE]


@pytest.mark.parametrize("plan", PLANS, ids=str)
def test_every_place_needs_something_but_the_last(plan: Plan) -> None:
    assert [bool(STEPS[place.step].needs) for place in places(plan)] == [*[True] * (len(places(plan)) - 1), False]


@pytest.mark.parametrize("plan", PLANS, ids=str)
def test_nothing_moves_on_while_one_need_is_missing(plan: Plan) -> None:
    session = Session(plan)
    for place in places(plan)[:-1]:
        session = at(session, place)
        for missing in needs(session):
            facts = {need.key: need.least for need in needs(session) if need is not missing}
            assert looked_at(session, facts) is None
            assert looked_at(session, facts | {missing.key: missing.least - 1e-6}) is None


def test_a_person_says_only_what_the_data_cannot_show() -> None:
    said = {need.text for step in STEPS.values() for need in step.needs if need.key == "said"}
    assert said == {
        "read and understood",
        "piston stop fitted",
        "indicator on the piston",
        "piston stop removed",
        "indicator set up",
        "result read",
    }


def test_every_row_is_reached_by_some_plan() -> None:
    used = set()
    for plan in (*PLANS, Plan("stop", again=True), Plan("travel", again=True)):
        for place in places(plan):
            session = at(Session(plan), place)
            used |= {i for i, row in enumerate(ROWS) if row.step in ("", place.step) and place.step != DONE and row.when(session)}
    assert used == set(range(len(ROWS)))


def test_at_most_one_row_holds_for_a_happening() -> None:
    for plan, what in itertools.product(PLANS, (MET, TDC_LOST)):
        for place in places(plan):
            session = at(Session(plan), place)
            holding = [row for row in ROWS if row.step in ("", place.step) and row.what == what and row.when(session)]
            assert len(holding) == (0 if place.step == DONE and what == MET else 1)


def test_an_override_goes_on_and_is_kept_with_its_reason() -> None:
    session = at(Session(Plan()), Place(RIG))
    went = after(session, override(session, " encoder has a broken index wire "))
    assert went.at == Place(STOP)
    assert went.overrides == (Happened(OVERRIDDEN, Place(RIG), "encoder has a broken index wire"),)


@pytest.mark.parametrize("reason", ["", "  "])
def test_an_override_without_a_reason_is_refused(reason: str) -> None:
    with pytest.raises(UsageError, match="needs a reason"):
        override(at(Session(Plan()), Place(RIG)), reason)


def test_at_the_end_there_is_nothing_to_override() -> None:
    with pytest.raises(UsageError, match="nothing to override"):
        override(at(Session(Plan()), Place(DONE)), "because")


def test_a_stop_done_again_must_come_out_again_and_the_sweeps_stay_done() -> None:
    session = at(Session(Plan()), Place(RESULT, "exhaust"))
    again = after(session, redo(session, Place(STOP)))
    assert again.at == Place(STOP)
    assert Place(RESULT, "intake") in again.done
    again = met(again)
    assert again.at == Place(STOP_OUT)
    assert met(again).at == Place(RESULT, "exhaust"), "on to what is not done yet"


def test_a_zero_done_again_takes_its_sweep_and_result_with_it_and_no_other() -> None:
    session = at(Session(Plan()), Place(DONE))
    again = after(session, redo(session, Place(ZERO, "intake")))
    assert not {Place(SWEEP, "intake"), Place(RESULT, "intake")} & again.done
    assert {Place(SWEEP, "exhaust"), Place(RESULT, "exhaust")} <= again.done
    assert met(met(met(again))).at == Place(DONE)


def test_what_has_not_been_reached_cannot_be_done_again() -> None:
    session = at(Session(Plan()), Place(STOP))
    with pytest.raises(UsageError, match="not been reached"):
        redo(session, Place(SWEEP, "intake"))


@pytest.mark.parametrize(("plan", "step"), [(Plan("stop"), STOP), (Plan("travel"), TRAVEL), (Plan("given"), RIG)], ids=str)
def test_tdc_lost_anywhere_leads_back_to_where_it_is_found(plan: Plan, step: str) -> None:
    for place in places(plan):
        session = at(Session(plan), place)
        lost = after(session, Happened(TDC_LOST, place))
        if place.step == CAUTIONS:
            assert lost.at == place, "the cautions come first at every start"
        else:
            assert lost.at == Place(step)
        assert Place(STOP_OUT) not in lost.done, "the stop goes in again"


def test_tdc_lost_while_a_job_was_left_leads_to_the_stop_after_the_cautions() -> None:
    left = taken_up(Plan(), [Happened(MET, place) for place in places(Plan())[:6]])
    lost = after(left, Happened(TDC_LOST, left.at))
    assert lost.at == Place(CAUTIONS)
    assert met(lost).at == Place(STOP)


@pytest.mark.parametrize("place", [Place(CAUTIONS), Place(RESULT, "intake")], ids=lambda place: " ".join(place[:2]))
def test_a_persons_word_alone_cannot_be_overridden(place: Place) -> None:
    with pytest.raises(UsageError, match="nothing to override"):
        override(at(Session(Plan()), place), "because")


def test_a_step_done_again_is_overridden_no_more() -> None:
    session = at(Session(Plan()), Place(SWEEP, "intake"))
    session = after(session, override(session, "one pass is enough"))
    assert [each.place for each in session.overrides] == [Place(SWEEP, "intake")]
    assert after(session, redo(session, Place(STOP))).overrides == session.overrides
    assert after(session, redo(session, Place(ZERO, "intake"))).overrides == ()


def test_what_happens_elsewhere_moves_nothing() -> None:
    session = at(Session(Plan()), Place(STOP))
    with pytest.raises(UsageError, match="not in hand"):
        after(session, Happened(MET, Place(RIG)))


@pytest.mark.parametrize("seed", range(20), ids="seed={}".format)
def test_taken_up_from_what_was_written_it_stands_where_it_was_left(seed: int) -> None:
    chance = random.Random(seed)
    plan = chance.choice(PLANS)
    session, written = Session(plan), []
    for _ in range(chance.randrange(60)):
        choices = [Happened(MET, session.at)] * 4 if session.at.step != DONE else []
        choices += [redo(session, place) for place in session.done]
        choices += [Happened(TDC_LOST, session.at)] if chance.random() < 0.1 else []
        choices += [override(session, "known")] if overridable(session) else []
        happened = chance.choice(choices)
        session = after(session, happened)
        written.append(happened)
    again = taken_up(plan, written)
    assert again.at == Place(CAUTIONS), "cautions are read at every start"
    assert again.overrides == session.overrides
    assert met(again).at == next(place for place in places(plan)[1:] if place not in session.done)


def test_quit_in_every_place_and_back_it_is_the_same_place() -> None:
    for plan in PLANS:
        for place in places(plan)[1:]:
            walked = [Happened(MET, done) for done in itertools.takewhile(lambda p: p != place, places(plan))]  # noqa: B023
            assert met(taken_up(plan, walked)).at == place


def test_what_no_longer_fits_the_plan_is_passed_over() -> None:
    written = [Happened(MET, p) for p in places(Plan("stop"))[:-1]]
    again = taken_up(Plan("travel"), written)
    assert met(again).at.step == TRAVEL


def test_titles_and_sentences_name_the_valve() -> None:
    assert Place(ZERO, "exhaust").title == "Zero on the base circle, exhaust"
    assert "exhaust" in Place(ZERO, "exhaust").do[0]
    assert Place(SWEEP, "both").title == "Sweep, intake and exhaust"
    assert Happened(REDONE, Place(STOP)).reason == ""


def checking(plan: Plan, place: Place = Place(DONE)) -> Session:  # noqa: B008
    session = at(Session(plan), place)
    return after(session, Happened(TDC_AGAIN, place))


@pytest.mark.parametrize("place", [Place(DONE), Place(RESULT, "exhaust")], ids=lambda place: place.step)
def test_tdc_is_found_once_more_at_the_end_and_no_sweep_with_it(place: Place) -> None:
    session = checking(Plan(), place)
    assert session.at == Place(STOP, again=True)
    assert session.at.title == "Top dead center once more by piston stop"
    session = met(session)
    assert session.at == Place(STOP_OUT, again=True), "the stop must come out again"
    session = met(session)
    assert session.at == Place(DONE)
    assert session.done == {*places(Plan()), Place(STOP, again=True), Place(STOP_OUT, again=True)} - {Place(DONE)}


def test_by_travel_tdc_is_found_once_more_by_travel() -> None:
    session = checking(Plan("travel"))
    assert session.at == Place(TRAVEL, again=True)
    assert met(session).at == Place(DONE)


def test_tdc_may_be_found_once_more_as_often_as_one_likes() -> None:
    session = met(met(checking(Plan())))
    session = after(session, Happened(TDC_AGAIN, session.at))
    assert session.at == Place(STOP, again=True)
    assert not {Place(STOP, again=True), Place(STOP_OUT, again=True)} & session.done
    assert met(met(session)).at == Place(DONE)


@pytest.mark.parametrize("plan", PLANS, ids=str)
def test_tdc_is_not_found_once_more_before_everything_is_measured(plan: Plan) -> None:
    last = places(plan)[-2:]
    for place in places(plan):
        session = at(Session(plan), place)
        assert may_check_tdc(session) == (plan.tdc != "given" and place in last)
        if not may_check_tdc(session):
            with pytest.raises(UsageError, match="once everything is swept"):
                after(session, Happened(TDC_AGAIN, place))


@pytest.mark.parametrize("plan", [Plan("stop"), Plan("travel")], ids=lambda plan: plan.tdc)
def test_left_in_the_middle_of_the_last_step_it_is_taken_up_there(plan: Plan) -> None:
    written = [Happened(MET, place) for place in places(plan)[:-1]]
    written.append(Happened(TDC_AGAIN, Place(DONE)))
    again = places(Plan(plan.tdc, again=True))[-3 if plan.tdc == "stop" else -2 : -1]
    for k, place in enumerate(again):
        left = taken_up(plan, [*written, *(Happened(MET, done) for done in again[:k])])
        assert left.at == Place(CAUTIONS)
        assert met(left).at == place
    assert met(taken_up(plan, [*written, *(Happened(MET, done) for done in again)])).at == Place(DONE)


def test_given_up_the_stop_must_come_out_all_the_same() -> None:
    session = checking(Plan())
    assert check_in_hand(session) == Place(STOP, again=True)
    left = after(session, Happened(LEFT, session.at))
    assert left.at == Place(STOP_OUT, again=True)
    assert check_in_hand(left) is None
    assert met(left).at == Place(DONE)
    travel = checking(Plan("travel"))
    assert after(travel, Happened(LEFT, travel.at)).at == Place(DONE)


def test_given_up_at_the_cautions_it_goes_on_behind_it() -> None:
    written = [Happened(MET, place) for place in places(Plan())[:-1]]
    back = taken_up(Plan(), [*written, Happened(TDC_AGAIN, Place(DONE))])
    left = after(back, Happened(LEFT, Place(STOP, again=True)))
    assert left.at == Place(CAUTIONS)
    assert met(left).at == Place(STOP_OUT, again=True)
