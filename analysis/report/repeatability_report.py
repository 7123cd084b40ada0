"""How well numbers repeat, in words, as a table, as charts and for machines."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np

from analysis.base.precision import LIMIT
from analysis.base.version import head
from analysis.base.words import MM_PER, Units, in_units, length, wrapped
from analysis.decision.repeatability import (
    INDICATORS,
    Consistency,
    Mandel,
    Repeatability,
    Repeated,
    Reversals,
    group_of,
    numbers_of,
    part_of,
)
from analysis.decision.sweep_by_sweep import OneSweep
from analysis.lobe.result_json import quantity_json, sweep_json
from analysis.report.charts import Chart, Drawn

# Conditions beside each other in the table of Mandel's h and k.
_COLUMNS = 3
REPEATABILITY_SCHEMA = "urn:lobetrace:repeatability:1"
_NOTE = (
    "s_r: standard deviation of repeatability, s_R: of reproducibility (ISO 5725-2), each with its 95 % interval; % tol: 6 "
    "s_R (or 6 s_r) "
    "of the tolerance's width; ndc: categories that the rig tells apart among the lobes. Two single results differ by less "
    "than 2.8 s 19 times in 20."
)


def repeatability_text(found: Sequence[Repeatability], units: Units) -> str:
    """The study as text of at most 80 columns."""
    return "\n\n".join([*("\n".join(_block(each, units)) for each in found), "\n".join(wrapped(_NOTE, 78, "", ""))])


def _block(study: Repeatability, units: Units) -> Iterator[str]:
    parts = len({part_of(sweep) for sweep in study.sweeps})
    lobes = f"{parts} lobe{'s' if parts > 1 else ''}"
    count = len(study.groups)
    yield f"{study.valve.upper()}: {len(study.sweeps)} sweeps of {lobes}, {count} by {study.by}"
    yield f"  {'number':<23}{'s_r':>7} {'95 %':<12}{'s_R':>7} {'95 %':<12}{'% tol':>6}{'ndc':>5}"
    for each in study.numbers:
        yield _row(each, units)
    with np.errstate(invalid="ignore"):
        worst = [float(np.nanmax(s)) / MM_PER[units] for s in (study.s_r_mm, study.s_big_r_mm) if np.isfinite(s).any()]
    if worst:
        yield f"  profile: at most {' and '.join(f'{s:.4f}' for s in worst)} {units} at one angle"
    if any(each.s_r is None for each in study.numbers):
        yield from wrapped(f"No lobe was swept twice under one {study.by}: s_r cannot be told from s_R.", 78, "  ", "  ")
    for each in study.numbers:
        for outlier in each.outliers:
            yield from wrapped(f"! {in_units(each.name, units)}: {outlier}.", 78, "  ", "    ")
    yield from _consistency_table(study, units)
    if study.reversal is not None:
        yield from _reversal_table(study.reversal, units)


def _consistency_table(study: Repeatability, units: Units) -> Iterator[str]:
    """Mandel's h and k, a line a number and a column a condition; of several lobes the clearest of each."""
    if not any(each.consistency for each in study.numbers):
        return
    parts = len({part_of(sweep) for sweep in study.sweeps})
    yield ""
    yield from wrapped(
        f"Mandel's h (how far off its mean lies) and k (how much it scatters) by {study.by}"
        f"{', the largest of its lobes' if parts > 1 else ''}; * beyond the 5 % indicator, ** beyond the 1 % one:",
        78,
        "  ",
        "  ",
    )
    for first in range(0, len(study.groups), _COLUMNS):
        groups = study.groups[first : first + _COLUMNS]
        yield f"  {'':<17}" + "".join(f"{group[:18]:<20}" for group in groups).rstrip()
        for each in study.numbers:
            cells = [[one for one in each.consistency if one.group == group] for group in groups]
            if any(cells):
                yield f"  {in_units(each.name, units):<17}{''.join(f'{_cell(cell):<20}' for cell in cells)}".rstrip()


def _cell(found: Sequence[Consistency]) -> str:
    h, k = (_clearest([one for one in each if one is not None]) for each in ([c.h for c in found], [c.k for c in found]))
    return f"{_marked(h, '+.2f'):<10}{_marked(k, '.2f')}"


def _clearest(found: Sequence[Mandel]) -> Mandel | None:
    return max(found, key=lambda one: abs(one.value) / one.limits[0], default=None)


def _marked(found: Mandel | None, places: str) -> str:
    if found is None:
        return "-"
    return f"{found.value:{places}}{'' if found.beyond is None else '*' * (1 + INDICATORS.index(found.beyond))}"


def _reversal_table(found: Reversals, units: Units) -> Iterator[str]:
    """Position by position, the mean of all and the largest."""
    yield ""
    yield "  Reversal value (ISO 230-2), crank degrees, backward against forward:"
    for one in found.each:
        place = f"{one.position.flank} at {length(one.position.lift_mm, units)} {units} at the {one.position.at}"
        sweeps = f"{one.n} sweep{'s' if one.n > 1 else ''}{'' if one.s is None else f', s {one.s:.3f}'}"
        yield f"    {place:<36}{one.value.value:+.3f} +/-{one.value.u95:.3f}  {sweeps}"
    mean = found.mean
    yield f"    {'mean reversal value':<36}{mean.value:+.3f} +/-{mean.u95:.3f}  largest {found.largest.value.value:+.3f}"


def _row(each: Repeated, units: Units) -> str:
    per = MM_PER[units] if each.unit == "mm" else 1.0
    name = in_units(each.name, units, each.unit)
    (s_r, of_r), (s_big, of_big) = (
        ("-", "") if s is None or ends is None else (f"{s / per:.3g}", _interval(ends, per))
        for s, ends in ((each.s_r, each.interval_r), (each.s_big_r, each.interval_big_r))
    )
    percent = "" if each.of_tolerance is None else f"{each.of_tolerance:.1f}"
    categories = f"{each.gauge.categories}" if each.parts > 1 else ""
    return f"  {name:<23}{s_r:>7} {of_r:<12}{s_big:>7} {of_big:<12}{percent:>6}{categories:>5}"


def _interval(ends: tuple[float, float], per: float) -> str:
    return "..".join(f"{end / per:.2g}" for end in ends)


def repeatability_charts(found: Sequence[Repeatability], units: Units) -> tuple[Chart, ...]:
    """The profile's standard deviations over the angle, and Mandel's h and k by condition, for each valve."""
    return tuple(chart for study in found for chart in (*_chart(study, units), *_mandel_charts(study)))


def _mandel_charts(study: Repeatability) -> Iterator[Chart]:
    """A bar for each number of each lobe, condition by condition, between the indicators."""
    for name, text in (
        ("h", "How far the mean under each condition lies off the others, a bar for each number of each lobe."),
        ("k", "How much sweeps under each condition scatter against the others, a bar for each number of each lobe."),
    ):
        told = [(study.groups.index(each.group), found) for each in _all(study) if (found := getattr(each, name)) is not None]
        if not told:
            continue
        curves = [
            _bars(k, group, [found.value for at, found in told if at == k])
            for k, group in enumerate(study.groups)
            if any(at == k for at, _ in told)
        ]
        widest = max((found for _, found in told), key=lambda found: found.limits[0])
        ends = np.array([0.5, len(study.groups) + 0.5])
        for sign in (1.0, -1.0) if name == "h" else (1.0,):
            for chance, limit in zip(INDICATORS, widest.limits, strict=True):
                curves.append(Drawn(ends, np.full(2, sign * limit), "limit", f"{chance:.0%}".replace("%", " %")))
        yield Chart(
            f"mandel-{name}-{study.valve}",
            f"{study.valve.capitalize()}: Mandel's {name} by {study.by}",
            f"{text} The dotted lines are the indicators at 5 % and 1 % (ISO 5725-2).",
            f"{study.by}, in the order of the table",
            f"Mandel's {name}",
            tuple(curves),
        )


def _all(study: Repeatability) -> Iterator[Consistency]:
    return (one for each in study.numbers for one in each.consistency)


def _bars(at: int, name: str, values: Sequence[float]) -> Drawn:
    """Bars beside each other about the place of a condition, as one line along zero."""
    x = at + 1.0 + 0.8 * ((np.arange(len(values)) + 0.5) / len(values) - 0.5)
    y = np.zeros((len(values), 3))
    y[:, 1] = values
    return Drawn(np.repeat(x, 3), y.ravel(), "intake", name, 3 * int(np.argmax(values)) + 1)


def _chart(study: Repeatability, units: Units) -> Iterator[Chart]:
    curves = []
    for s, style, name in ((study.s_r_mm, "intake", "s_r"), (study.s_big_r_mm, "piston", "s_R")):
        told = np.isfinite(s)
        if told.any():
            at = int(np.argmax(s[told]))
            curves.append(Drawn(study.deg[told], s[told] / MM_PER[units], style, name, at))
    if curves:
        yield Chart(
            f"repeatability-{study.valve}",
            f"{study.valve.capitalize()}: how well the profile repeats, by {study.by}",
            "Standard deviations of repeatability (s_r) and of reproducibility (s_R) of the lift over the angle.",
            "crank degrees from overlap TDC",
            f"standard deviation, {units}",
            tuple(curves),
        )


def repeatability_csv(sweeps: Sequence[OneSweep]) -> bytes:
    """Every number of every sweep, a row each, with who, when and what: for a study of one's own."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(
        ["job", "capture", "cylinder", "valve", "lobe", "operator", "setting", "day", "number", "value", "u95", "unit"]
    )
    for sweep in sweeps:
        who = [group_of(sweep, by) for by in ("operator", "setting", "day")]
        for name, number, _ in numbers_of(sweep):
            row = [sweep.job, sweep.capture, sweep.cylinder, sweep.valve, part_of(sweep), *who, name]
            writer.writerow([*row, f"{number.value:.9g}", f"{number.u95:.6g}", number.unit])
    return out.getvalue().encode("utf-8", "replace")


def repeatability_json(found: Sequence[Repeatability]) -> dict[str, Any]:
    """The study for machines (analysis/repeatability.schema.json)."""
    return {**head(REPEATABILITY_SCHEMA), "valves": [_json(study) for study in found]}


def _json(study: Repeatability) -> dict[str, Any]:
    return {
        "valve": study.valve,
        "by": study.by,
        "groups": list(study.groups),
        "sweeps": [sweep_json(sweep.job, sweep.capture, sweep.lobe) for sweep in study.sweeps],
        "numbers": [_number(each) for each in study.numbers],
        "profile": {
            "deg": study.deg.tolist(),
            "s_r_mm": [None if np.isnan(s) else float(s) for s in study.s_r_mm],
            "s_R_mm": [None if np.isnan(s) else float(s) for s in study.s_big_r_mm],
        },
        "reversal": None if study.reversal is None else _reversal_json(study.reversal),
    }


def _reversal_json(found: Reversals) -> dict[str, Any]:
    return {
        "positions": [
            {
                "flank": one.position.flank,
                "lift_mm": one.position.lift_mm,
                "at": one.position.at,
                "n": one.n,
                "mean_deg": quantity_json(one.value),
                "s_deg": one.s,
            }
            for one in found.each
        ],
        "mean_deg": quantity_json(found.mean),
        "largest_deg": quantity_json(found.largest.value),
    }


def _mandel_json(found: Mandel | None) -> dict[str, Any] | None:
    if found is None:
        return None
    return {"value": found.value, "limit_5": found.limits[0], "limit_1": found.limits[1]}


def _number(each: Repeated) -> dict[str, Any]:
    gauge = each.gauge
    return {
        "name": each.name,
        "unit": each.unit,
        "n": each.n,
        "lobes": each.parts,
        "groups": each.groups,
        "mean": each.mean,
        "s_r": each.s_r,
        "s_r_interval": None if each.interval_r is None else list(each.interval_r),
        "s_R": each.s_big_r,
        "s_R_interval": None if each.interval_big_r is None else list(each.interval_big_r),
        "limit_r": None if each.s_r is None else LIMIT * each.s_r,
        "limit_R": None if each.s_big_r is None else LIMIT * each.s_big_r,
        "s_between_groups": None if each.s_r is None else gauge.appraisers,
        "s_interaction": None if each.s_r is None else gauge.interaction,
        "s_lobes": gauge.parts,
        "percent_of_tolerance": each.of_tolerance,
        "distinct_categories": gauge.categories if each.parts > 1 else None,
        "outliers": list(each.outliers),
        "mandel": [
            {"lobe": one.part, "group": one.group, "h": _mandel_json(one.h), "k": _mandel_json(one.k)} for one in each.consistency
        ],
    }
