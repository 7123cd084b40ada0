"""What the header of a capture says in each step of the procedure."""

from __future__ import annotations

from dataclasses import replace

from acquire.procedure.session import Place
from acquire.procedure.setup import Setup
from acquire.procedure.steps import STEPS, STOP, TRAVEL
from analysis.base.errors import UsageError
from analysis.base.samples import Board, Header


def header_for(setup: Setup, place: Place, board: Board, link: str) -> Header:
    """The header of what is taken at `place`; of a capture that is played again, its own.

    `link` names the connection. UsageError if the board has fewer indicators than the place asks for.
    """
    if setup.replayed is not None:
        return replace(setup.replayed, note="replay")
    return Header(
        board=board,
        step=STEPS[place.step].record or "sweep",
        cylinder=place.cylinder or setup.job.measure.cylinder,
        channels=_channels(place, place.valve or setup.plan.valves[0], len(board.steps_mm)),
        link=link,
        software=setup.software,
        engine=setup.job.engine.name,
        note=setup.note,
        identity=setup.job.identity,
    )


def _channels(place: Place, valve: str, has: int) -> tuple[str, ...]:
    if valve == "both" and has < 2:
        raise UsageError("this board has one indicator channel", do="Measure one valve after the other")
    if place.step == STOP:
        return ("unknown",) * has
    if place.step == TRAVEL:
        return ("piston", "unknown")[:has]
    return ("intake", "exhaust") if valve == "both" else (valve, "unknown")[:has]
