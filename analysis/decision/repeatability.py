"""How well the numbers of many sweeps repeat: under the same conditions, and from one operator, setting or day to another."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from analysis.base.errors import DataError
from analysis.base.precision import GaugeStudy, analysis_of_variance, cochran, grubbs, interval_of_sum, mandel, mandel_limits
from analysis.base.quantity import Quantity, Source, linear_combination
from analysis.base.samples import Floats
from analysis.base.variance_components import reml
from analysis.compare.laid import Cells, lay, marks_of
from analysis.decision.sweep_by_sweep import OneSweep
from analysis.job.model import Tolerance
from analysis.lobe.slack import Position, Reversal

By = Literal["operator", "setting", "day"]
# An outlier is one that chance makes once in a hundred (ISO 5725-2 calls it that; once in twenty is a straggler).
OUTLIER = 0.01
# The two indicators that Mandel's h and k are held against.
INDICATORS = (0.05, 0.01)
_CENTERLINES = {"equal_lift": "centerline", "event_midpoint": "event midpoint", "peak": "angle of peak lift"}
PART, GROUP, BOTH = "part", "group", "part x group"


@dataclass(frozen=True)
class Mandel:
    """One of Mandel's statistics with its indicators at 5 % and 1 %."""

    value: float
    limits: tuple[float, float]

    @property
    def beyond(self) -> float | None:
        """The smaller chance whose indicator it lies beyond; None if beyond none."""
        return next(
            (chance for chance, limit in zip(INDICATORS[::-1], self.limits[::-1], strict=True) if abs(self.value) > limit), None
        )


@dataclass(frozen=True)
class Consistency:
    """One lobe under one condition against the same lobe under the others (ISO 5725-2): `h`, how far its mean lies off theirs, told
    of three conditions or more; `k`, how much its sweeps scatter against theirs. None where it cannot be told.
    """

    part: str
    group: str
    h: Mandel | None
    k: Mandel | None


@dataclass(frozen=True)
class ReversalValue:
    """Mean over `n` sweeps of the reversal value (deg) at one lift of one flank; `s` their standard deviation, None of one."""

    position: Position
    n: int
    value: Quantity
    s: float | None


@dataclass(frozen=True)
class Reversals:
    """The reversal values of one valve (ISO 230-2), crank degrees, at the lifts of its events."""

    each: tuple[ReversalValue, ...]

    @property
    def mean(self) -> Quantity:
        """The mean reversal value of all positions."""
        return linear_combination(*((1.0 / len(self.each), one.value) for one in self.each))

    @property
    def largest(self) -> ReversalValue:
        """The reversal value of the axis: the largest of all positions, whatever its sign."""
        return max(self.each, key=lambda one: abs(one.value.value))


@dataclass(frozen=True)
class Repeated:
    """One number over many sweeps: how many, of how many `parts` (lobes) and `groups`, and what its spread is made of.

    `s_r`: standard deviation of repeatability, `s_R` (`s_big_r`) of reproducibility with their 95 % intervals; the first None where
    no lobe was swept twice under one condition, the second with a single group. `width`: of its tolerance, 0 if it has none.
    `outliers`: in words. `consistency`: Mandel's h and k.
    """

    name: str
    unit: str
    n: int
    parts: int
    groups: int
    mean: float
    gauge: GaugeStudy
    interval_r: tuple[float, float] | None
    interval_big_r: tuple[float, float] | None
    width: float
    outliers: tuple[str, ...] = ()
    consistency: tuple[Consistency, ...] = ()

    @property
    def s_r(self) -> float | None:
        """Repeatability; None where no lobe was swept twice under one condition."""
        return None if self.interval_r is None else self.gauge.equipment

    @property
    def s_big_r(self) -> float | None:
        """Reproducibility, that of repeatability included; None with a single group."""
        return None if self.interval_big_r is None else self.gauge.gauge

    @property
    def of_tolerance(self) -> float | None:
        """Per cent of the tolerance that the gauge takes up."""
        return self.gauge.of_tolerance(self.width) if self.width else None


@dataclass(frozen=True)
class Repeatability:
    """All numbers of one valve, and its profile: over `deg`, shape (k,), the standard deviations (mm) of repeatability and of
    reproducibility, once each sweep is turned onto the others; NaN where they cannot be told. `reversal`: None without backward
    motion.
    """

    valve: str
    by: By
    groups: tuple[str, ...]
    sweeps: tuple[OneSweep, ...]
    numbers: tuple[Repeated, ...]
    deg: Floats
    s_r_mm: Floats
    s_big_r_mm: Floats
    reversal: Reversals | None = None


def repeatability(sweeps: Sequence[OneSweep], by: By) -> tuple[Repeatability, ...]:
    """Every valve that was swept often enough. Raises DataError if none was, or if the captures do not say who measured."""
    silent = sorted({f"{sweep.job} {sweep.capture}".strip() for sweep in sweeps if not group_of(sweep, by)})
    if silent:
        missing = {"operator": "who measured", "day": "when it was recorded", "setting": "how it was set up"}[by]
        raise DataError(
            f"{len(silent)} captures do not say {missing}, the first of them {silent[0]}",
            do="Give operator in [record] of job.toml before recording, or take --by setting",
        )
    found = []
    for valve in ("intake", "exhaust"):
        mine = [sweep for sweep in sweeps if sweep.valve == valve]
        if len(mine) - len({part_of(sweep) for sweep in mine}) >= 2:
            found.append(_of_valve(valve, mine, by))
    if not found:
        raise DataError("no lobe was swept often enough: three sweeps of one, or two of two", do="Sweep the same lobes again")
    return tuple(found)


def part_of(sweep: OneSweep) -> str:
    """Which lobe a sweep is of: the camshaft by its serial number, else the engine by its number, else the job."""
    identity = sweep.lobe.swept.sweep.header.identity
    whose = identity.camshaft_serial or identity.engine_number or sweep.job
    return f"{whose} cylinder {sweep.cylinder} {sweep.valve}"


def group_of(sweep: OneSweep, by: By) -> str:
    """Under which conditions it was taken."""
    header = sweep.lobe.swept.sweep.header
    if by == "operator":
        return header.identity.operator
    return header.started[:10] if by == "day" else marks_of(sweep.lobe)["indicator"]


def numbers_of(sweep: OneSweep) -> Iterator[tuple[str, Quantity, float]]:
    """What one sweep says, each with its name and the width of its tolerance (0: none)."""
    lobe, tolerance = sweep.lobe, sweep.lobe.job.specification.tolerance
    for event in lobe.events:
        for kind in ("opens", "closes", "duration"):
            yield f"{kind} {event.lift_mm:g}", getattr(event, kind), _width(kind, tolerance)
    for name, number in lobe.centerlines.items():
        yield _CENTERLINES.get(name, name), number, _width("centerline", tolerance)
    yield "peak lift", lobe.peak_lift, 2 * tolerance.lift_mm
    if lobe.slack is not None:
        yield "slack", lobe.slack, 0.0


def _width(kind: str, tolerance: Tolerance) -> float:
    each = {"duration": tolerance.duration_deg, "centerline": tolerance.centerline_deg}
    return 2 * each.get(kind, tolerance.event_deg)


def _of_valve(valve: str, sweeps: Sequence[OneSweep], by: By) -> Repeatability:
    parts, groups = [part_of(sweep) for sweep in sweeps], [group_of(sweep, by) for sweep in sweeps]
    if by == "setting":  # the indicator is set anew for each lobe: the k-th setting of each is one condition for all
        groups = _numbered(parts, groups)
    rows: dict[str, list[tuple[int, Quantity, float]]] = {}
    for k, sweep in enumerate(sweeps):
        for name, number, width in numbers_of(sweep):
            rows.setdefault(name, []).append((k, number, width))
    numbers = [
        _repeated(name, found, [parts[k] for k, _, _ in found], [groups[k] for k, _, _ in found]) for name, found in rows.items()
    ]
    cells = Cells.of(sweeps[0].lobe.swept.curve.spline)
    laid = np.array([lay(cells, sweep.lobe).mm for sweep in sweeps])
    s_r, s_big_r = _by_angle(laid, parts, groups)
    return Repeatability(
        valve,
        by,
        tuple(dict.fromkeys(groups)),
        tuple(sweeps),
        tuple(each for each in numbers if each is not None),
        cells.deg,
        s_r,
        s_big_r,
        _reversals(sweeps),
    )


def _reversals(sweeps: Sequence[OneSweep]) -> Reversals | None:
    """Position by position, over all sweeps that were turned back there."""
    found: dict[tuple[str, float, str], list[Reversal]] = {}
    for sweep in sweeps:
        for one in sweep.lobe.reversal:
            found.setdefault((one.position.flank, one.position.lift_mm, one.position.at), []).append(one)
    return Reversals(tuple(_mean_reversal(each) for each in found.values())) if found else None


def _mean_reversal(each: Sequence[Reversal]) -> ReversalValue:
    """Of the sweeps at one position. Sources of one name count as one cause for all of them, scatter too; what sweeps differ by
    beyond that, and beyond what chance shows one time in forty, comes on top, as one cause for all positions.
    """
    n = len(each)
    mean = linear_combination(*((1.0 / n, one.value) for one in each))
    if n == 1:
        return ReversalValue(each[0].position, n, mean, None)
    variance = float(np.var([one.value.value for one in each], ddof=1))
    within = float(np.mean([one.value.u**2 for one in each]))
    if variance > within * (1.0 + 2.0 * math.sqrt(2.0 / (n - 1))):
        spread = Source("spread of the reversal between sweeps", dof=n - 1)
        mean = mean.with_part(spread, math.sqrt((variance - within) / n))
    return ReversalValue(each[0].position, n, mean, math.sqrt(variance))


def _numbered(parts: Sequence[str], groups: Sequence[str]) -> list[str]:
    """Conditions numbered anew for each part, in the order in which they come."""
    seen: dict[str, dict[str, str]] = {}
    found = []
    for part, group in zip(parts, groups, strict=True):
        mine = seen.setdefault(part, {})
        found.append(mine.setdefault(group, f"setting {len(mine) + 1}"))
    return found


def factors_of(parts: Sequence[str], groups: Sequence[str]) -> dict[str, Sequence[object]]:
    """What can be told apart in the spread of n sweeps, of which lobe and under which condition each. Where every sweep has a
    condition of its own, what differs is reproducibility, all of it; an interaction needs repeats.
    """
    n, kinds, conditions = len(parts), len(set(parts)), len(set(groups))
    cells = list(zip(parts, groups, strict=True))
    found: dict[str, Sequence[object]] = {PART: parts} if kinds > 1 else {}
    if 1 < conditions < n:
        found[GROUP] = groups
    if kinds > 1 and conditions > 1 and len(set(cells)) < n:
        found[BOTH] = cells
    return found


def _repeated(
    name: str, rows: Sequence[tuple[int, Quantity, float]], parts: Sequence[str], groups: Sequence[str]
) -> Repeated | None:
    """One number; None where too few sweeps have it."""
    values = np.array([number.value for _, number, _ in rows])
    values = values[0] + np.where(rows[0][1].place != "", (values - values[0] + 360.0) % 720.0 - 360.0, values - values[0])
    kinds, conditions = len(set(parts)), len(set(groups))
    cells = list(zip(parts, groups, strict=True))
    if values.size - kinds < 2 or float(np.ptp(values)) == 0.0:
        return None
    factors = factors_of(parts, groups)
    found, lines = reml(values, factors), analysis_of_variance(values, factors)
    gauge = GaugeStudy.of(found, PART, GROUP, BOTH)
    return Repeated(
        name=name,
        unit=rows[0][1].unit,
        n=values.size,
        parts=kinds,
        groups=conditions,
        mean=found.mean,
        gauge=gauge,
        interval_r=interval_of_sum(lines, ["scatter"]) if len(set(cells)) < len(cells) else None,
        interval_big_r=interval_of_sum(lines, [GROUP, BOTH, "scatter"]) if conditions > 1 else None,
        width=rows[0][2],
        outliers=tuple(_outliers(values, cells, parts)),
        consistency=tuple(_consistency(values, cells)),
    )


def _consistency(values: Floats, cells: Sequence[tuple[str, str]]) -> Iterator[Consistency]:
    """Mandel's h and k of every lobe under every condition, lobe by lobe."""
    lobes: dict[str, dict[str, list[float]]] = {}
    for value, (part, group) in zip(values.tolist(), cells, strict=True):
        lobes.setdefault(part, {}).setdefault(group, []).append(value)
    for part, groups in lobes.items():
        if len(groups) < 2:
            continue
        repeated = sum(len(each) > 1 for each in groups.values())
        for (group, each), h, k in zip(groups.items(), *mandel([*groups.values()]), strict=True):
            limits = [(mandel_limits(len(groups), 2, a)[0], mandel_limits(max(repeated, 2), len(each), a)[1]) for a in INDICATORS]
            of_h, of_k = zip(*limits, strict=True)
            told_h, told_k = len(groups) > 2 and math.isfinite(h), repeated > 1 and math.isfinite(k)
            yield Consistency(part, group, Mandel(float(h), of_h) if told_h else None, Mandel(float(k), of_k) if told_k else None)


def _outliers(values: Floats, cells: Sequence[tuple[str, str]], parts: Sequence[str]) -> Iterator[str]:
    """Cells that scatter more than the others (Cochran), and a sweep that lies off the others of its lobe (Grubbs)."""
    grouped: dict[tuple[str, str], list[float]] = {}
    for value, cell in zip(values.tolist(), cells, strict=True):
        grouped.setdefault(cell, []).append(value)
    sizes = {len(each) for each in grouped.values()}
    if len(grouped) > 2 and len(sizes) == 1 and (size := sizes.pop()) > 1:
        variances = [float(np.var(each, ddof=1)) for each in grouped.values()]
        if sum(variances) > 0.0:
            statistic, critical = cochran(variances, size, OUTLIER)
            if statistic > critical:
                part, group = list(grouped)[int(np.argmax(variances))]
                yield f"{part} under {group} scatters more than the others (Cochran {statistic:.2f}, limit {critical:.2f})"
    mean: Mapping[str, float] = {p: float(np.mean([v for v, q in zip(values, parts, strict=True) if q == p])) for p in set(parts)}
    away = values - np.array([mean[part] for part in parts])
    if away.size > 2 and float(np.ptp(away)) > 0.0:
        statistic, critical = grubbs(away, OUTLIER)
        if statistic > critical:
            k = int(np.argmax(np.abs(away)))
            yield f"a sweep of {parts[k]} under {cells[k][1]} lies off the others (Grubbs {statistic:.2f}, limit {critical:.2f})"


def _by_angle(mm: Floats, parts: Sequence[str], groups: Sequence[str]) -> tuple[Floats, Floats]:
    """Repeatability and reproducibility of the profile, cell by cell: groups nested in lobes (ISO 5725-3). `mm`: shape (n, k). Two
    arrays of shape (k,); NaN where a sweep has no reading or there are no repeats.
    """
    cells = list(zip(parts, groups, strict=True))
    of_cell, of_part = _means(mm, cells), _means(mm, parts)
    n, c, p = len(cells), len(set(cells)), len(set(parts))
    none = np.full(mm.shape[1], np.nan)
    within = np.sum((mm - of_cell) ** 2, axis=0) / (n - c) if n > c else none
    if c == p:
        return np.sqrt(within), none
    between = np.sum((of_cell - of_part) ** 2, axis=0) / (c - p)
    if n == c:  # one sweep each: nothing but what lies between conditions
        return none, np.sqrt(between)
    return np.sqrt(within), np.sqrt(within + np.maximum((between - within) * c / n, 0.0))


def _means(mm: Floats, labels: Sequence[object]) -> Floats:
    """Each row replaced by the mean of those with its label. Shape of `mm`."""
    number = {label: k for k, label in enumerate(dict.fromkeys(labels))}
    at = np.array([number[label] for label in labels])
    sums = np.zeros((len(number), mm.shape[1]))
    np.add.at(sums, at, mm)
    return np.asarray((sums / np.bincount(at)[:, None])[at])
