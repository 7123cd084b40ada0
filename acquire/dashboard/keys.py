"""Which keys do something now: those that the footer shows and the screen hears."""

from __future__ import annotations

from acquire.procedure.session import Place, may_check_tdc, overridable, places
from acquire.procedure.station import Station
from acquire.procedure.steps import CAUTIONS, DONE, RESULT, STEPS, STOP, TRAVEL


def offered(station: Station, *, curve: bool) -> dict[str, bool]:
    """By action; those that always do something are not in it. `curve`: whether there is one to view."""
    played = station.setup.replayed is not None
    return {
        "said": STEPS[station.session.at.step].asks and not station.said and not played,
        "override": overridable(station.session) and not played,
        "redo": bool(to_redo(station)) and not played,
        "review": curve,
        "cylinders": may_choose(station),
        "timing": asks_for_change(station),
        "check_tdc": may_check(station),
        "leave_check": station.session.at.again and station.session.at.step in (STOP, TRAVEL),
    }


def may_choose(station: Station) -> bool:
    """Whether other cylinders may be chosen: at the beginning, at the end, and at a result that asks for no change before that."""
    step = station.session.at.step
    there = step in (CAUTIONS, DONE) or (step == RESULT and not asks_for_change(station))
    return station.setup.guided and station.job.engine.cylinders > 1 and there


def may_check(station: Station) -> bool:
    """Whether TDC may be found once more: at the end, and at the last result if that asks for no change."""
    there = station.session.at.step == DONE or not asks_for_change(station)
    return station.setup.guided and there and may_check_tdc(station.session)


def asks_for_change(station: Station) -> bool:
    """Whether a result asks for the camshaft to be advanced or retarded."""
    correction = None if station.decision is None else station.decision.correction
    return station.setup.guided and correction is not None and correction.wanted


def to_redo(station: Station) -> list[Place]:
    """The places that may be done again, the one in hand last. None before the cautions are read, which come first at every start."""
    session = station.session
    if session.at.step == CAUTIONS:
        return []
    return [place for place in places(session.plan) if place.step != DONE and (place in session.done or place == session.at)]
