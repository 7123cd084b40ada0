"""What one picture is drawn from: frozen, so that nothing moves while it is drawn; a newer one takes its place."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from acquire.procedure.session import Place
from analysis.decision.decide import Decision
from analysis.job import Job
from analysis.live.contacts import Touches
from analysis.live.partial import Passed
from analysis.live.profile import Trace
from analysis.lobe.result import Measurement
from analysis.tdc.stop import TdcFound

# States of the link, in words that the screen shows.
WAITING, LIVE, STALLED, DISCONNECTED, ENDED, FAILED = "waiting", "live", "stalled", "disconnected", "ended", "failed"


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
class LinkState:
    """`frames_s`: frames a second lately; `age_s` of the newest frame (None before the first); `file` being recorded, if any."""

    state: str = WAITING
    where: str = ""
    frames_s: float = 0.0
    lost: int = 0
    refused: int = 0
    age_s: float | None = None
    file: str = ""
    rows: int = 0


NOTE: Final = "note"
WARNING: Final = "warning"
ERROR: Final = "error"


@dataclass(frozen=True)
class Message:
    """A past-tense fact for the person. `kind`: NOTE, WARNING or ERROR. `at_s` by the clock of the station."""

    kind: str
    text: str
    at_s: float = 0.0


@dataclass(frozen=True)
class Failure(Message):
    """A worker that failed: the one message it ends in. `worker` says which, `error` its type."""

    worker: str = ""
    error: str = ""


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
    until they do again.
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
    touches: Touches | None = None
    tdc: TdcFound | None = None
    result: Measurement | None = None
    decision: Decision | None = None
    waiting_for: str = ""
    goes_on: str = ""  # at the cautions of a job that was begun before: the title of where it goes on
    link: LinkState = LinkState()
    messages: tuple[Message, ...] = ()
    overrides: tuple[str, ...] = ()  # which steps, and why
    played: bool = False  # a recorded capture is played again: there is no procedure
    fits: int = 0  # how often the result has been worked out
