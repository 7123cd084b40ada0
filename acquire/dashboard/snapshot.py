"""What one picture is drawn from: frozen, so that nothing moves while it is drawn; a newer one takes its place."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from acquire.procedure.counts import Counts
from acquire.procedure.link_state import LinkState
from acquire.procedure.messages import Message
from acquire.procedure.session import Place
from analysis.decision.decide import Decision
from analysis.decision.recheck import Again
from analysis.job import Job
from analysis.live.contacts import Contacts
from analysis.live.partial import Passed
from analysis.live.trace import Trace
from analysis.lobe.result import Measurement
from analysis.tdc.stop import TdcFound


@dataclass(frozen=True)
class Asked:
    """One need of the step in hand: what, how much there is, how much it takes, and whether that is enough.

    `said`: a person meets it by saying so.
    """

    text: str
    have: float
    least: float
    unit: str
    met: bool
    said: bool = False


@dataclass(frozen=True)
class Curve:
    """The live trace of one valve, angles from overlap TDC. `shift`: degrees to add to a cell's angle. `marks`: (deg, mm at the
    indicator) of the specification's events.
    """

    valve: str
    trace: Trace
    shift: float
    marks: tuple[tuple[float, float], ...]


@dataclass(frozen=True)
class Snapshot:
    """Everything on the screen. `deg` is the crank from TDC in (-180, 180], or turned so far if `tdc_known` is false.

    `cursor`: crank degrees from overlap TDC in [-360, 360), None if that is not known. `way` as of `analysis.live.direction.Crank`.
    `armed`: the recording waits for the first turn. `back_up`: readings do not count since the crank was turned back; `to_go_deg`
    until they do again. `counts`: what the recording has come to; `forward`: the sign of counting in the direction of rotation, 0
    while only the hand can tell it. `said`: what the step asks a person to say has been said. `cylinder`: the one in hand;
    `to_measure`: all of the plan and their valves in words.
    """

    job: Job
    place: Place
    number: int
    of: int
    needs: tuple[Asked, ...] = ()
    deg: float | None = None
    tdc_known: bool = False
    lift_mm: float | None = None
    zeroed: bool = False
    way: int = 0
    back_up: bool = False
    to_go_deg: float = 0.0
    armed: bool = False
    cursor: float | None = None
    curve: Curve | None = None
    events: tuple[Passed, ...] = ()
    counts: Counts = field(default_factory=Counts)
    forward: int = 0
    said: bool = False
    contacts: Contacts | None = None
    tdc: TdcFound | None = None
    result: Measurement | None = None
    decision: Decision | None = None
    again: tuple[Again, ...] = ()
    cylinder: int = 1
    to_measure: str = ""
    waiting_for: str = ""
    goes_on: str = ""  # at the cautions of a job that was begun before: the title of where it goes on
    link: LinkState = field(default_factory=LinkState)
    messages: tuple[Message, ...] = ()
    overrides: tuple[str, ...] = ()  # which steps, and why
    played: bool = False  # a recorded capture is played again: there is no procedure
    fits: int = 0  # how often the result has been worked out

    @property
    def has_readings(self) -> bool:
        """Whether there is anything of a curve to draw."""
        return self.curve is not None and not np.isnan(self.curve.trace.low).all()
