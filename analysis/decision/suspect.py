"""What a suspected cause is: another reading of the same numbers, and how often it is met."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from analysis.base.samples import Floats
from analysis.decision.card import VALVES, Asked
from analysis.decision.flanks import Flanks
from analysis.decision.reinterpret import Reading
from analysis.job import Job


@dataclass(frozen=True)
class Case:
    """One value of a suspect's parameter: how the sweeps are read then, the card then, and what is taken off each line (deg)."""

    reading: Reading
    card: tuple[Asked, ...]
    shift: Floats | float = 0.0


@dataclass(frozen=True)
class Suspect:
    """A possible cause. `code` is stable; `about` are valves it concerns. `parameter` and `weight` have one entry a case.

    `say` gives the cause in words for a value of the parameter. `foreign`: the valves whose lobes may be any others.
    """

    code: str
    prior: float
    cases: tuple[Case, ...]
    parameter: Floats
    weight: Floats
    say: Callable[[float], str]
    about: tuple[str, ...] = ()
    foreign: tuple[str, ...] = ()
    with_phase: bool = True


@dataclass(frozen=True)
class Scene:
    """What suspects are made from."""

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


def one(
    code: str, prior: float, reading: Reading, card: tuple[Asked, ...], say: Callable[[float], str], *, with_phase: bool = True
) -> Suspect:
    """A suspect without a parameter."""
    return Suspect(code, prior, (Case(reading, card),), np.zeros(1), np.ones(1), say, with_phase=with_phase)
