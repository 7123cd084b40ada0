"""What a cause of a misfit is: another reading of the same numbers."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass

from analysis.base.samples import Floats
from analysis.decision.card import VALVES, Asked
from analysis.decision.flanks import Flanks
from analysis.decision.reinterpret import Reading
from analysis.job import Job


@dataclass(frozen=True)
class Scene:
    """What causes are made from: the job, its cam card, and the lobes."""

    job: Job
    card: tuple[Asked, ...]
    lobes: tuple[Flanks, ...]

    @property
    def plain(self) -> Reading:
        """The job's own reading."""
        return Reading.of(self.job.rig)

    @property
    def misplaced(self) -> bool:
        """Whether a lobe looks like one of the valve that it was not said to be."""
        return any(lobe.stood_on in VALVES and lobe.stood_on != lobe.shown for lobe in self.lobes)

    @property
    def valves(self) -> tuple[str, ...]:
        """The valves that the card speaks of and a sweep shows."""
        return tuple(v for v in VALVES if any(a.valve == v for a in self.card) and any(lobe.shown == v for lobe in self.lobes))

    @property
    def targets(self) -> tuple[tuple[str, ...], ...]:
        """All valves together, and each by itself where there are two."""
        return (self.valves, *((v,) for v in self.valves if len(self.valves) > 1))


@dataclass(frozen=True, eq=False)
class Otherwise:
    """A cause as another reading: in words, how the sweeps are read and how the card, each for a value of the cause's own number.

    `between`: where that number is looked for; None if it has none. `about`: the valves that it is about. `takes`: what one unit of
    each further number does to the lines, shape (lines, k), and `freedoms` how many numbers of the card those come to.
    `open_ended`: it can explain nearly anything. `late_besides`: the camshaft may stand early or late as well. `kin`: causes of one
    kin are told as one, the best of them; those of one code and about the same valves if empty.
    """

    say: Callable[[float], str]
    reading: Callable[[float], Reading]
    card: Callable[[float], tuple[Asked, ...]]
    between: tuple[float, float] | None = None
    about: tuple[str, ...] = ()
    takes: Floats | None = None
    freedoms: int = 0
    open_ended: bool = False
    late_besides: bool = True
    kin: str = ""


@dataclass(frozen=True)
class Cause:
    """An entry of the table: a stable code, what to do about it, and the readings that it may be, made from a scene."""

    code: str
    do: str
    readings: Callable[[Scene], Iterable[Otherwise]]


@dataclass(frozen=True, eq=False)
class Shift:
    """A camshaft that stands off by a phase: its name, its valves (none: all), and what a degree late does to the lines."""

    camshaft: str
    about: tuple[str, ...]
    effect: Floats


@dataclass(frozen=True, eq=False)
class Fit:
    """A cause at its best. `left`: what it leaves of each line, NaN where it cannot read it; `late` (deg) of `shift` besides."""

    cause: Cause
    otherwise: Otherwise
    value: float
    left: Floats
    cost: float
    shift: Shift | None = None
    late: float = 0.0

    @property
    def about(self) -> tuple[str, ...]:
        """The valves that it is about; none: the whole camshaft."""
        return self.otherwise.about or (self.shift.about if self.shift else ())
