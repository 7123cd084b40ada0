"""The guided procedure: which step follows which, and what moves it on. Tables and pure functions; no screen, port, clock or file.

Two tables say everything. `steps.STEPS` names each step, what a person does in it, what is recorded, and what the data
must show before it is over (`needs`). `ROWS` says where each happening leads. A `Session` is what has happened so far, folded by
`after`; what was written down of it can be folded again, so a job is taken up where it was left.

Only what the data show moves a session on. A person says what the data cannot show: cautions read, stop fitted, indicator set,
stop taken out, result read. A person can also override a need, with a reason, which stays with the job.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, replace
from typing import Final, NamedTuple

from acquire.procedure.steps import CAUTIONS, DONE, RESULT, RIG, SAID, STEPS, STOP, STOP_OUT, SWEEP, TRAVEL, ZERO, Need
from analysis.base.errors import UsageError

Facts = Mapping[str, float]

# What can happen.
MET, OVERRIDDEN, REDONE, TDC_LOST, CHOSEN, MOVED = "met", "overridden", "redone", "tdc lost", "chosen", "timing set moved"
TDC_AGAIN, LEFT = "tdc again", "left"


@dataclass(frozen=True)
class Plan:
    """How this job is gone through. `tdc`: "stop", "travel" or "given"; `valves`: in order, each "intake", "exhaust" or "both".

    `cylinders`: in order, each with all its valves before the next; empty: the job's own, whose places have no number. `again`:
    TDC is found once more at the end.
    """

    tdc: str = "stop"
    valves: tuple[str, ...] = ("intake", "exhaust")
    cylinders: tuple[int, ...] = ()
    again: bool = False

    @property
    def swept(self) -> tuple[tuple[str, int], ...]:
        """Every valve and cylinder to sweep, in order."""
        return tuple((valve, cylinder) for cylinder in self.cylinders or (0,) for valve in self.valves)


class Place(NamedTuple):
    """A step, the valve it is done for (empty if for none), the cylinder (0: the job's own), and whether it finds TDC once more after
    the sweeps.
    """

    step: str
    valve: str = ""
    cylinder: int = 0
    again: bool = False

    @property
    def title(self) -> str:
        """The step's title with the valve's name."""
        return STEPS[self.step].title.format(**self._names)

    @property
    def do(self) -> tuple[str, ...]:
        """What a person does, line by line."""
        return tuple(line.format(**self._names) for line in STEPS[self.step].do)

    @property
    def _names(self) -> dict[str, str]:
        of = f" of cylinder {self.cylinder}" if self.cylinder else ""
        again = " once more" if self.again else ""
        return {"valve": _spoken(self.valve), "of": of, "on": of.replace("of", "in", 1), "again": again}


class Happened(NamedTuple):
    """Something that moved the session, as it is written down. `place`: where it was; for REDONE, where it goes; for LEFT, what is
    given up.

    `reason` of CHOSEN says what is to be measured (`Choice`), of MOVED by how much the timing set was moved (`Moved`).
    """

    what: str
    place: Place
    reason: str = ""


START: Final = Place(CAUTIONS)


class Choice(NamedTuple):
    """What is to be measured, as a session keeps it: cylinders in firing order, valves, and the job's own cylinder."""

    cylinders: tuple[int, ...]
    valves: tuple[str, ...]
    own: int

    def __str__(self) -> str:
        return json.dumps(self._asdict())

    @classmethod
    def read(cls, text: str) -> Choice:
        """Of what `str` made. UsageError if it is something else."""
        try:
            row = json.loads(text)
            read = cls(tuple(map(int, row["cylinders"])), tuple(map(str, row["valves"])), int(row["own"]))
        except (ValueError, TypeError, KeyError):
            read = cls((), (), 0)
        if not read.cylinders or not read.valves or not set(read.valves) <= {"intake", "exhaust", "both"}:
            raise UsageError(f"{text!r} does not say what to measure", do="Choose the cylinders again")
        return read


class Moved(NamedTuple):
    """By how many crank degrees the lobes of each valve were advanced, and the mark of the timing set they stand at (None: not
    known).
    """

    advanced_deg: Mapping[str, float]
    position_deg: float | None = None

    def __str__(self) -> str:
        return json.dumps({"advanced_deg": dict(self.advanced_deg), "position_deg": self.position_deg})

    @classmethod
    def read(cls, text: str) -> Moved:
        """Of what `str` made. UsageError if it is something else."""
        try:
            row = json.loads(text)
            position = row["position_deg"]
            advanced = {str(valve): float(deg) for valve, deg in row["advanced_deg"].items()}
            return cls(advanced, None if position is None else float(position))
        except (ValueError, TypeError, KeyError, AttributeError):
            raise UsageError(f"{text!r} does not say how far the timing set was moved", do="Say it again") from None


@dataclass(frozen=True)
class Session:
    """Where a job stands: its plan, the place in hand, the places that are done, those overridden, with reasons, and how the timing
    set was moved last.
    """

    plan: Plan
    at: Place = START
    done: frozenset[Place] = frozenset()
    overrides: tuple[Happened, ...] = ()
    moved: Moved | None = None


class Row(NamedTuple):
    """From `step` (any if empty), when `what` happens and `when` holds, to `to`."""

    step: str
    what: str
    when: Callable[[Session], bool]
    to: Callable[[Session], Place]


def _always(_session: Session) -> bool:
    return True


def _tdc_by(way: str) -> Callable[[Session], bool]:
    return lambda session: session.plan.tdc == way


def _more(session: Session) -> bool:
    return (session.at.valve, session.at.cylinder) != session.plan.swept[-1]


def _ends(session: Session) -> bool:
    return not _more(session) and not session.plan.again


def _again_by(way: str) -> Callable[[Session], bool]:
    return lambda session: not _more(session) and session.plan.again and session.plan.tdc == way


def _first_time(session: Session) -> bool:
    return not session.at.again


def _again(session: Session) -> bool:
    return session.at.again


def _to(step: str) -> Callable[[Session], Place]:
    return lambda _session: Place(step)


def _to_again(step: str) -> Callable[[Session], Place]:
    return lambda _session: Place(step, again=True)


def _same_place(step: str) -> Callable[[Session], Place]:
    return lambda session: session.at._replace(step=step)


def _first_valve(session: Session) -> Place:
    return Place(ZERO, *session.plan.swept[0])


def _next_valve(session: Session) -> Place:
    order = session.plan.swept
    return Place(ZERO, *order[order.index((session.at.valve, session.at.cylinder)) + 1])


ROWS: Final[tuple[Row, ...]] = (
    Row(CAUTIONS, MET, _always, _to(RIG)),
    Row(RIG, MET, _tdc_by("stop"), _to(STOP)),
    Row(RIG, MET, _tdc_by("travel"), _to(TRAVEL)),
    Row(RIG, MET, _tdc_by("given"), _first_valve),
    Row(STOP, MET, _always, _same_place(STOP_OUT)),
    Row(STOP_OUT, MET, _first_time, _first_valve),
    Row(STOP_OUT, MET, _again, _to(DONE)),
    Row(TRAVEL, MET, _first_time, _first_valve),
    Row(TRAVEL, MET, _again, _to(DONE)),
    Row(ZERO, MET, _always, _same_place(SWEEP)),
    Row(SWEEP, MET, _always, _same_place(RESULT)),
    Row(RESULT, MET, _more, _next_valve),
    Row(RESULT, MET, _ends, _to(DONE)),
    Row(RESULT, MET, _again_by("stop"), _to_again(STOP)),
    Row(RESULT, MET, _again_by("travel"), _to_again(TRAVEL)),
    Row("", TDC_LOST, _tdc_by("stop"), _to(STOP)),
    Row("", TDC_LOST, _tdc_by("travel"), _to(TRAVEL)),
    Row("", TDC_LOST, _tdc_by("given"), _to(RIG)),
)

# Done again, a step makes these undone: what was built on it. Captures stay; a later one of the same valve replaces the earlier.
UNDOES: Final[Mapping[str, tuple[str, ...]]] = {STOP: (STOP_OUT,), ZERO: (SWEEP, RESULT), SWEEP: (RESULT,)}


def places(plan: Plan) -> tuple[Place, ...]:
    """Every place of the procedure, in order."""
    found, session = [], Session(plan)
    while session.at.step != DONE:
        found.append(session.at)
        session = after(session, Happened(MET, session.at))
    return (*found, session.at)


def needs(session: Session) -> tuple[Need, ...]:
    """What the place in hand needs."""
    return STEPS[session.at.step].needs


def is_met(need: Need, facts: Facts) -> bool:
    """Whether the facts meet a need."""
    return facts.get(need.key, 0.0) >= need.least


def looked_at(session: Session, facts: Facts) -> Happened | None:
    """What the facts make happen: MET once every need of the place in hand is met."""
    wanted = needs(session)
    return Happened(MET, session.at) if wanted and all(is_met(need, facts) for need in wanted) else None


def overridable(session: Session) -> bool:
    """Whether the place in hand waits for the data, and not for a person's word alone: that cannot be overridden."""
    return any(need.key != SAID for need in needs(session))


def override(session: Session, reason: str) -> Happened:
    """A person goes on although the data do not say so. UsageError without a reason, or where there is nothing to override."""
    if not reason.strip():
        raise UsageError("an override needs a reason", where=session.at.title, do="Write why the data need not show it")
    if not overridable(session):
        raise UsageError("there is nothing to override", where=session.at.title, do="Confirm it, or redo a step instead")
    return Happened(OVERRIDDEN, session.at, reason.strip())


def redo(session: Session, place: Place) -> Happened:
    """A person goes back to a place (or begins the one in hand again). UsageError if it has not been reached yet."""
    if place != session.at and place not in session.done:
        raise UsageError(f"{place.title} has not been reached yet", where=session.at.title, do="Redo a step that is done")
    return Happened(REDONE, place)


def may_check_tdc(session: Session) -> bool:
    """Whether TDC may be found once more: everything is measured, and the last result is in hand or read."""
    if session.plan.tdc == "given" or session.at.step not in (RESULT, DONE):
        return False
    left = {place for place in places(session.plan) if place.step != DONE and not place.again} - session.done
    return left <= {session.at} and (session.at.step == DONE or not _more(session))


def check_in_hand(session: Session) -> Place | None:
    """The place at which TDC is to be found once more, if it was begun and is not done; else None."""
    pending = [p for p in places(session.plan) if p.again and p.step in (STOP, TRAVEL) and p not in session.done]
    return pending[0] if pending else None


def after(session: Session, happened: Happened) -> Session:
    """The session after what happened. UsageError if the tables know no way from there."""
    if happened.what == REDONE:
        return _anew(session, happened.place)
    if happened.what == CHOSEN:
        return _chosen(session, Choice.read(happened.reason))
    if happened.what == MOVED:
        return _moved(session, Moved.read(happened.reason))
    if happened.what == TDC_AGAIN:
        return _check_tdc(session)
    if happened.what == LEFT and happened.place.again and session.at == START:
        return replace(session, done=session.done | {happened.place})
    if happened.what == TDC_LOST:
        back = _anew(session, _leads_to(session, TDC_LOST))
        return replace(back, at=START) if session.at == START else back  # whoever comes back reads the cautions first
    if happened.place != session.at:
        raise UsageError(f"{happened.place.title} is not in hand", where=session.at.title, do="Redo it first")
    went = replace(session, at=_leads_to(session, MET), done=session.done | {session.at})
    while went.at in went.done:  # after a redo, on to what is not done yet
        went = replace(went, at=_leads_to(went, MET))
    return replace(went, overrides=(*went.overrides, happened)) if happened.what == OVERRIDDEN else went


def taken_up(plan: Plan, written: Iterable[Happened]) -> Session:
    """The session of a job that was left: everything done stays done, but the cautions are read again first.

    What no longer fits the plan is passed over.
    """
    session = Session(plan)
    for happened in written:
        try:
            session = after(session, happened)
        except UsageError:
            continue
    return replace(session, at=START, done=session.done - {START})


def _leads_to(session: Session, what: str) -> Place:
    for row in ROWS:
        if row.step in ("", session.at.step) and row.what == what and row.when(session):
            return row.to(session)
    raise UsageError(f"nothing follows {what!r} here", where=session.at.title, do="Redo a step instead")


def _anew(session: Session, place: Place) -> Session:
    """At a place once more: it and what was built on it are not done."""
    undone = {place, *(place._replace(step=step) for step in UNDOES.get(place.step, ()))}
    return replace(_without(session, undone), at=place)


def _without(session: Session, undone: Iterable[Place]) -> Session:
    """Some places are not done any more."""
    gone = frozenset(undone)
    overrides = tuple(overridden for overridden in session.overrides if overridden.place not in gone)
    return replace(session, done=session.done - gone, overrides=overrides)


def _chosen(session: Session, choice: Choice) -> Session:
    """With another plan. What is done stays done; a place that the plan has no more leads to the first that is not done."""

    def numbered(place: Place) -> Place:
        return place._replace(cylinder=place.cylinder or choice.own) if place.valve else place

    overrides = tuple(each._replace(place=numbered(each.place)) for each in session.overrides)
    plan = replace(session.plan, cylinders=choice.cylinders, valves=choice.valves)
    done = frozenset(map(numbered, session.done))
    chosen = replace(session, plan=plan, at=numbered(session.at), done=done, overrides=overrides)
    stays = chosen.at.step != DONE and chosen.at in places(plan) and chosen.at not in done
    return chosen if stays else _to_first(chosen)


def _moved(session: Session, moved: Moved) -> Session:
    """Every sweep of a camshaft that was moved is to be done again. TDC and the rig check hold: the crank and its encoder were left
    alone.
    """
    hit = {valve for valve, deg in moved.advanced_deg.items() if deg} | {"both"}
    undone = {place for place in (*session.done, session.at) if place.valve in hit}
    return _to_first(replace(_without(session, undone), moved=moved))


def _check_tdc(session: Session) -> Session:
    """Where TDC is found once more. UsageError if it is not the time for it."""
    if not may_check_tdc(session):
        raise UsageError("TDC is found again once everything is swept", where=session.at.title, do="Finish the sweeps first")
    read = session.done | {session.at} if session.at.step == RESULT else session.done
    place = Place(TRAVEL if session.plan.tdc == "travel" else STOP, again=True)
    return _anew(replace(session, plan=replace(session.plan, again=True), done=read), place)


def _to_first(session: Session) -> Session:
    """At the first place that is not done."""
    return replace(session, at=next(place for place in places(session.plan) if place not in session.done))


def _spoken(valve: str) -> str:
    return "intake and exhaust" if valve == "both" else valve
