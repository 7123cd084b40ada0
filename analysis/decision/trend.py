"""One camshaft over its jobs: how a number drifts with the date, with its interval, and whether the lobe wore or the set-up
changed.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime

import numpy as np
from scipy import special

from analysis.base.errors import DataError
from analysis.base.quantity import Quantity
from analysis.base.samples import Floats
from analysis.compare.difference import Named
from analysis.compare.lobes import compare_lobes
from analysis.decision.repeatability import numbers_of, part_of
from analysis.decision.sweep_by_sweep import OneSweep

LEAST_DATES = 3
DAYS = 365.25
# What a lobe does and what a set-up does to a profile.
WEAR = ("nose", "opening flank", "closing flank", "ramp")
SETTING = ("indexing", "height", "scale", "tilt", "runout")


@dataclass(frozen=True)
class Drift:
    """One number of one lobe over its dates: `values` with their expanded uncertainties, `days` since the first; a year's drift
    with the half-width of its 95 % interval. `place`: from where an angle is read. `clear`: whether the interval leaves out none.
    """

    name: str
    unit: str
    place: str
    days: Floats
    values: Floats
    u95: Floats
    per_year: float
    per_year_u95: float

    @property
    def clear(self) -> bool:
        """Whether it drifts at all."""
        return abs(self.per_year) > self.per_year_u95


@dataclass(frozen=True)
class Trend:
    """One lobe over its dates: its numbers, and what differs of the last date's profile against the first's, sorted into what the
    lobe did (wear) and what the set-up did. `sweeps`: what it was made of, by date.
    """

    lobe: str
    valve: str
    dates: tuple[str, ...]
    drifts: tuple[Drift, ...]
    wear: tuple[Named, ...]
    setting: tuple[Named, ...]
    other: tuple[Named, ...]
    sweeps: tuple[OneSweep, ...]


def trends(sweeps: Sequence[OneSweep]) -> tuple[Trend, ...]:
    """Every lobe that was swept on three dates at least. Raises DataError if none was, or if captures have no date."""
    undated = [sweep for sweep in sweeps if not _started(sweep)]
    if undated:
        raise DataError(
            f"{len(undated)} captures do not say when they were recorded, the first of them {undated[0].capture}",
            do="Take captures that were recorded by lobetrace",
        )
    lobes: dict[str, list[OneSweep]] = {}
    for sweep in sorted(sweeps, key=_started):
        lobes.setdefault(part_of(sweep), []).append(sweep)
    found = [_trend(name, mine) for name, mine in lobes.items() if len({_date(sweep) for sweep in mine}) >= LEAST_DATES]
    if not found:
        raise DataError(
            f"no lobe was swept on {LEAST_DATES} dates",
            do="Give the camshaft one camshaft_serial in every job of it, and name all of its jobs",
        )
    return tuple(found)


def _started(sweep: OneSweep) -> str:
    return sweep.lobe.swept.sweep.header.started


def _date(sweep: OneSweep) -> str:
    return _started(sweep)[:10]


def _trend(name: str, sweeps: Sequence[OneSweep]) -> Trend:
    rows: dict[str, list[tuple[str, Quantity]]] = {}
    for sweep in sweeps:
        for kind, number, _ in numbers_of(sweep):
            rows.setdefault(kind, []).append((_started(sweep), number))
    drifts = [found for kind, numbers in rows.items() if (found := _drift(kind, numbers)) is not None]
    first, last = ([sweep for sweep in sweeps if _date(sweep) == _date(sweeps[k])] for k in (0, -1))
    compared = compare_lobes([first[0].lobe, *(sweep.lobe for sweep in last)], "first")
    differs = [whole.named for line in compared[-1:] if (whole := line.whole) is not None]
    named = differs[0] if differs else ()
    wear, setting, other = (tuple(_of(named, kinds)) for kinds in (WEAR, SETTING, ("other",)))
    dates = tuple(dict.fromkeys(_date(sweep) for sweep in sweeps))
    return Trend(name, sweeps[0].valve, dates, tuple(drifts), wear, setting, other, tuple(sweeps))


def _of(named: Sequence[Named], kinds: Sequence[str]) -> Iterator[Named]:
    return (each for each in named if each.kind in kinds)


def _drift(name: str, numbers: Sequence[tuple[str, Quantity]]) -> Drift | None:
    """A straight line through a number's means by date, weighed alike: what sweeps of one date share is not told by their spread.
    None with fewer than three dates.
    """
    dates: dict[str, list[Quantity]] = {}
    for when, number in numbers:
        dates.setdefault(when[:10], []).append(number)
    if len(dates) < LEAST_DATES:
        return None
    start = datetime.fromisoformat(next(iter(dates)))
    days = np.array([(datetime.fromisoformat(date) - start).total_seconds() / 86400.0 for date in dates])
    values = np.array([float(np.mean([q.value for q in each])) for each in dates.values()])
    u95 = np.array([float(np.mean([q.u95 for q in each])) for each in dates.values()])
    away = days - days.mean()
    slope = float(away @ values) / float(away @ away)
    left = values - values.mean() - slope * away
    dof = days.size - 2
    s = math.sqrt(float(left @ left) / dof)
    half = float(special.stdtrit(dof, 0.975)) * s / math.sqrt(float(away @ away))
    return Drift(name, numbers[0][1].unit, numbers[0][1].place, days, values, u95, DAYS * slope, DAYS * half)
