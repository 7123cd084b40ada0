"""How well numbers repeat, in words, as a table, as charts and for machines."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np

from analysis.base.precision import LIMIT
from analysis.base.words import MM_PER, Units, wrapped
from analysis.decision.repeatability import Repeatability, Repeated, group_of, numbers_of, part_of
from analysis.decision.sweep_by_sweep import OneSweep
from analysis.report.charts import Chart, Drawn
from analysis.report.json import identity_json

REPEATABILITY_SCHEMA = "urn:lobetrace:repeatability:1"
_NOTE = (
    "s_r: standard deviation of repeatability, s_R: of reproducibility (ISO 5725-2), each with its 95 % interval; % tol: 6 "
    "s_R (or 6 s_r) "
    "of the tolerance's width; ndc: categories that the rig tells apart among the lobes. Two single results differ by less "
    "than 2.8 s "
    "19 times in 20."
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
    for each in study.numbers:
        for outlier in each.outliers:
            yield from wrapped(f"! {each.name}: {outlier}.", 78, "  ", "    ")


def _row(each: Repeated, units: Units) -> str:
    per = MM_PER[units] if each.unit == "mm" else 1.0
    name = f"{each.name}{f', {units}' if each.unit == 'mm' else ''}"
    s_r, of_r = f"{each.s_r / per:.3g}", _interval(each.interval_r, per)
    s_big, of_big = "-", ""
    if each.s_big_r is not None and each.interval_big_r is not None:
        s_big, of_big = f"{each.s_big_r / per:.3g}", _interval(each.interval_big_r, per)
    percent = "" if each.of_tolerance is None else f"{each.of_tolerance:.1f}"
    categories = f"{each.gauge.categories}" if each.parts > 1 else ""
    return f"  {name:<23}{s_r:>7} {of_r:<12}{s_big:>7} {of_big:<12}{percent:>6}{categories:>5}"


def _interval(ends: tuple[float, float], per: float) -> str:
    return "..".join(f"{end / per:.2g}" for end in ends)


def repeatability_charts(found: Sequence[Repeatability], units: Units) -> tuple[Chart, ...]:
    """The profile's standard deviations over the angle, one chart a valve."""
    return tuple(chart for study in found for chart in _chart(study, units))


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
    return {"$schema": REPEATABILITY_SCHEMA, "schema": 1, "valves": [_json(study) for study in found]}


def _json(study: Repeatability) -> dict[str, Any]:
    return {
        "valve": study.valve,
        "by": study.by,
        "groups": list(study.groups),
        "sweeps": [
            {"job": s.job, "capture": s.capture, "cylinder": s.cylinder, **identity_json(s.lobe.swept.sweep.header)}
            for s in study.sweeps
        ],
        "numbers": [_number(each) for each in study.numbers],
        "profile": {
            "deg": study.deg.tolist(),
            "s_r_mm": [None if np.isnan(s) else float(s) for s in study.s_r_mm],
            "s_R_mm": [None if np.isnan(s) else float(s) for s in study.s_big_r_mm],
        },
    }


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
        "s_r_interval": list(each.interval_r),
        "s_R": each.s_big_r,
        "s_R_interval": None if each.interval_big_r is None else list(each.interval_big_r),
        "limit_r": LIMIT * each.s_r,
        "limit_R": None if each.s_big_r is None else LIMIT * each.s_big_r,
        "s_between_groups": gauge.appraisers,
        "s_interaction": gauge.interaction,
        "s_lobes": gauge.parts,
        "percent_of_tolerance": each.of_tolerance,
        "distinct_categories": gauge.categories if each.parts > 1 else None,
        "outliers": list(each.outliers),
    }
