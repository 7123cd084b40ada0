"""The procedure over several cylinders, and again after the timing set was moved: which places follow, what stays done."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from acquire.procedure.answers import moved_by, to_measure
from acquire.procedure.saved_session import read_session, write_session
from acquire.procedure.session import CHOSEN, MET, MOVED, Choice, Happened, Moved, Place, Plan, Session, after, places, taken_up
from acquire.procedure.simulated_hand import phase_for
from acquire.procedure.steps import CAUTIONS, DONE, RESULT, RIG, STOP, STOP_OUT, SWEEP, ZERO
from acquire.simulator.phases import is_phase
from analysis.base.errors import UsageError
from analysis.decision.correction import Correction, Move
from tests.rigs import SHORT, job_for, known

ORDER = (1, 3, 4, 2)
BOTH = ("intake", "exhaust")


def walked(session: Session, to: Place | None = None) -> tuple[Session, list[Happened]]:
    """Everything met up to a place (the end if none is given), as it would be written down."""
    written = []
    while session.at not in (to, Place(DONE)):
        written.append(Happened(MET, session.at))
        session = after(session, written[-1])
    return session, written


def chosen(text: str, valves: tuple[str, ...] = BOTH) -> Happened:
    return Happened(CHOSEN, Place(CAUTIONS), str(to_measure(text, ORDER, 1, valves)))


@pytest.mark.parametrize(
    ("text", "cylinders", "valves"),
    [
        ("all", ORDER, BOTH),
        ("2, 4 1,3", ORDER, BOTH),
        ("2,3", (3, 2), BOTH),
        ("3 exhaust", (3,), ("exhaust",)),
        ("exhaust", (1,), ("exhaust",)),
        ("All exhaust intake", ORDER, BOTH),
    ],
)
def test_cylinders_are_swept_in_firing_order_whatever_order_they_are_named_in(
    text: str, cylinders: tuple[int, ...], valves: tuple[str, ...]
) -> None:
    assert to_measure(text, ORDER, 1, BOTH) == Choice(cylinders, valves, 1)


def test_the_firing_order_begins_with_the_jobs_own_cylinder() -> None:
    assert to_measure("all", ORDER, 4, BOTH).cylinders == (4, 2, 1, 3)


@pytest.mark.parametrize("text", ["5", "1,0", "left", "1 3 inlet", "-2"])
def test_what_there_is_not_cannot_be_chosen(text: str) -> None:
    with pytest.raises(UsageError, match="there is no cylinder or valve"):
        to_measure(text, ORDER, 1, BOTH)


def test_two_indicators_stay_two_indicators() -> None:
    assert to_measure("1,3 intake", ORDER, 1, ("both",)).valves == ("both",)


def test_every_cylinder_follows_the_other_and_tdc_is_found_once() -> None:
    plan = Plan(cylinders=(1, 3))
    swept = [Place(step, valve, c) for c in (1, 3) for valve in BOTH for step in (ZERO, SWEEP, RESULT)]
    assert places(plan) == (*map(Place, (CAUTIONS, RIG, STOP, STOP_OUT)), *swept, Place(DONE))


def test_a_place_names_its_cylinder_where_there_are_several() -> None:
    assert Place(ZERO, "intake", 3).do[0].startswith("Set the indicator on the intake valve of cylinder 3, ")
    assert Place(SWEEP, "exhaust", 3).title == "Sweep, exhaust of cylinder 3"
    assert Place(STOP, "", 1).do[0].startswith("Fit the stop in cylinder 1 and confirm.")
    assert "cylinder" not in " ".join((Place(ZERO, "intake").title, *Place(ZERO, "intake").do, *Place(STOP).do))


def test_what_was_measured_before_others_were_chosen_stays_done() -> None:
    done, _ = walked(Session(Plan()), Place(RESULT, "exhaust"))
    more = after(done, chosen("1,3"))
    assert more.at == Place(RESULT, "exhaust", 1)
    assert Place(SWEEP, "intake", 1) in more.done
    assert after(more, Happened(MET, more.at)).at == Place(ZERO, "intake", 3)
    end, _ = walked(done)
    assert after(end, chosen("all")).at == Place(ZERO, "intake", 3)
    assert after(end, chosen("exhaust")).at == Place(DONE)


def test_a_place_that_is_not_to_be_measured_any_more_is_left() -> None:
    at, _ = walked(Session(Plan()), Place(RESULT, "intake"))
    assert after(at, chosen("1 exhaust")).at == Place(ZERO, "exhaust", 1)


@pytest.mark.parametrize("stop", [*places(Plan(cylinders=(1, 3)))[1:]], ids=lambda place: " ".join(map(str, place)))
def test_a_session_over_cylinders_goes_on_where_it_was(stop: Place, tmp_path: Path) -> None:
    """From its file too, and by whatever plan the command would begin."""
    begun = after(Session(Plan()), chosen("1,3"))
    session, written = walked(begun, stop)
    for happened in (chosen("1,3"), *written):
        write_session(tmp_path, happened, "2030-01-02T03:04:05+00:00")
    again = taken_up(Plan(), read_session(tmp_path))
    assert (again.plan, again.done) == (session.plan, session.done - {Place(CAUTIONS)})
    assert after(again, Happened(MET, Place(CAUTIONS))).at == stop


def test_a_session_file_of_before_has_no_cylinders(tmp_path: Path) -> None:
    (tmp_path / "procedure.jsonl").write_text('{"at": "", "what": "met", "step": "sweep", "valve": "intake", "reason": ""}\n')
    assert read_session(tmp_path) == (Happened(MET, Place(SWEEP, "intake")),)


@given(st.text())
def test_a_choice_that_was_spoiled_is_passed_over(text: str) -> None:
    for what in (CHOSEN, MOVED):
        assert taken_up(Plan(), [Happened(what, Place(CAUTIONS), text)]).plan == Plan()


def test_after_the_timing_set_was_moved_only_the_sweeps_are_done_again() -> None:
    done, _ = walked(Session(Plan(cylinders=(1, 3))))
    moved = after(done, Happened(MOVED, done.at, str(Moved({"intake": -4.0, "exhaust": -4.0}, -4.0))))
    assert moved.at == Place(ZERO, "intake", 1)
    assert moved.done == {Place(CAUTIONS), Place(RIG), Place(STOP), Place(STOP_OUT)}
    assert moved.moved == Moved({"intake": -4.0, "exhaust": -4.0}, -4.0)


def test_of_two_camshafts_the_one_that_was_left_alone_is_not_swept_again() -> None:
    done, _ = walked(Session(Plan()))
    moved = after(done, Happened(MOVED, done.at, str(Moved({"intake": 0.0, "exhaust": 2.0}))))
    assert moved.at == Place(ZERO, "exhaust")
    assert Place(RESULT, "intake") in moved.done
    assert walked(moved)[0].at == Place(DONE)


def move(name: str, valves: tuple[str, ...], advance: float, position: float | None) -> Move:
    return Move(name, valves, known(advance, 0.1), 0.1, "outside", advance, position)


ONE = Correction((move("camshaft", BOTH, -4.0, -4.0),), (), ())
TWO = Correction((move("intake camshaft", ("intake",), -3.0, None), move("exhaust camshaft", ("exhaust",), 2.0, None)), (), ())


@pytest.mark.parametrize(
    ("correction", "text", "moved"),
    [
        (ONE, "-4", Moved({"intake": -4.0, "exhaust": -4.0}, -4.0)),
        (ONE, " -2.5 ", Moved({"intake": -2.5, "exhaust": -2.5}, None)),
        (TWO, "-3 2", Moved({"intake": -3.0, "exhaust": 2.0}, None)),
        (TWO, "0, 2", Moved({"intake": 0.0, "exhaust": 2.0}, None)),
    ],
)
def test_how_far_it_was_moved_and_to_which_mark(correction: Correction, text: str, moved: Moved) -> None:
    assert moved_by(correction, text) == moved
    assert Moved.read(str(moved)) == moved


@pytest.mark.parametrize(
    ("correction", "text"), [(ONE, "four"), (ONE, "1 2"), (TWO, "1"), (ONE, "0"), (ONE, "1000"), (ONE, "nan")]
)
def test_what_is_no_move_is_refused(correction: Correction, text: str) -> None:
    with pytest.raises(UsageError):
        moved_by(correction, text)


@pytest.mark.parametrize(
    ("place", "advanced", "phase"),
    [
        (Place(SWEEP, "intake"), {}, "intake"),
        (Place(SWEEP, "intake", 1), {}, "intake"),
        (Place(SWEEP, "exhaust", 3), {}, "exhaust@180"),
        (Place(SWEEP, "exhaust", 2), {"exhaust": 4.0}, "exhaust@536"),
        (Place(SWEEP, "intake"), {"intake": 2.5, "exhaust": 0.0}, "intake@717.5"),
        (Place(SWEEP, "both"), {"intake": -4.0, "exhaust": -4.0}, "both@4"),
        (Place(STOP), {"intake": 4.0}, "stop"),
    ],
)
def test_a_simulated_hand_knows_the_cylinder_and_how_the_timing_set_was_moved(
    place: Place, advanced: dict[str, float], phase: str
) -> None:
    assert phase_for(job_for(SHORT), place, True, advanced) == phase
    assert is_phase(phase)
