"""A lobe against its nominal profile, in words, as a table, as charts and for machines."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator, Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from analysis.base.angles import label
from analysis.base.quantity import NORMAL_95, Quantity, Source
from analysis.base.version import head
from analysis.base.words import MM_PER, Units, fine, with_unit, wrapped
from analysis.compare.difference import Named
from analysis.compare.nominal_fit import ProfileFit
from analysis.decision.line_profile import ProfileLine
from analysis.job import Job
from analysis.lobe.result import Lobe
from analysis.lobe.result_json import identity_json, quantity_json
from analysis.report.charts import Chart, Drawn
from analysis.report.decision_json import profile_line_json
from analysis.report.profiles import named_text
from analysis.report.sentences import WORD, profile_words

PROFILE_SCHEMA = "urn:lobetrace:profile:1"
_EVERY_DEG = 10.0
_MEASURED = (
    "Deviations are taken at the lobe, along the follower's motion; a zone of width t allows t/2 to either side (line profile, "
    "ISO 1101)."
)


def profile_text(lines: Sequence[tuple[Lobe, ProfileLine]], job: Job) -> str:
    """Every lobe's profile as text of at most 80 columns."""
    units = job.measure.units
    blocks = ["\n".join(_block(lobe, line, units)) for lobe, line in lines]
    return "\n\n".join([*blocks, "\n".join(wrapped(_MEASURED, 78, ""))])


def _block(lobe: Lobe, line: ProfileLine, units: Units) -> Iterator[str]:
    yield f"{lobe.valve.upper()} PROFILE, cylinder {lobe.cylinder}"
    fit = line.fit
    if fit is None:
        yield from wrapped(f"Not compared: {line.how}.", 78)
        return
    yield from wrapped(f"against {fit.nominal.name}", 78)
    if line.tolerance_mm is not None:
        yield from wrapped(f"{WORD[line.verdict].capitalize()}: {profile_words(line, units)}.", 78)
    k, v = fit.worst, fit.velocity_worst
    yield f"  fitted at   {with_unit(fit.turned)} after overlap TDC (the table's zero)"
    if fit.zero is not None:
        yield f"  zero        {with_unit(fit.zero, units)} higher, taken out"
    yield f"  deviates    {with_unit(fit.deviation(k), units)} at most, at {_at(lobe, fit, k)}"
    yield f"  zone        {with_unit(fit.zone, units)} wide holds the whole profile"
    velocity = _number(float(fit.velocity[v]) / MM_PER[units], float(fit.u_velocity[v]) / MM_PER[units])
    yield f"  velocity    deviates by {velocity} {units}/deg at most, at {_at(lobe, fit, v)}"
    differs = "; ".join(named_text(each, lobe.valve, units) for each in _of_shape(fit)) or "nothing that is clear"
    yield from wrapped(f"what differs: {differs}", 78)
    yield from _table(lobe, fit, units)


def _of_shape(fit: ProfileFit) -> Iterator[Named]:
    """What differs but for where the lobe stands, placed in crank degrees from TDC."""
    for each in fit.differs.named:
        if each.kind != "indexing":
            at = None if each.at_deg is None else each.at_deg + fit.turned.value
            yield replace(each, at_deg=at)


def _at(lobe: Lobe, fit: ProfileFit, k: int) -> str:
    return label(float(fit.deg[k]) + fit.turned.value, f"{lobe.valve} centerline", 0)


def _number(value: float, u: float) -> str:
    q = Quantity(value, {Source("all"): u})
    return with_unit(q)


def _table(lobe: Lobe, fit: ProfileFit, units: Units) -> Iterator[str]:
    """Every tenth degree."""
    per = MM_PER[units]
    yield f"  {'at':>10}{f'lift, {units}':>12}{'deviation':>14} +/-{f'velocity, {units}/deg':>24} +/-"
    for k in np.flatnonzero(np.abs(fit.deg % _EVERY_DEG) < 1e-9).tolist():
        u95, v95 = NORMAL_95 * float(fit.u_mm[k]) / per, NORMAL_95 * float(fit.u_velocity[k]) / per
        p, q = fine(u95, units), fine(v95, "")
        off, velocity = float(fit.deviation_mm[k]) / per, float(fit.velocity[k]) / per
        yield (
            f"  {_at(lobe, fit, k):>10}{float(fit.lift_mm[k]) / per:>12.3f}{off + 0.0:>+14.{p}f} {u95:.{p}f}"
            f"{velocity + 0.0:>+24.{q}f} {v95:.{q}f}"
        )


def profile_charts(lines: Sequence[tuple[Lobe, ProfileLine]], units: Units) -> tuple[Chart, ...]:
    """Deviation over angle with its uncertainty as a band and the zone's edges dotted, and the deviation of the velocity."""
    return tuple(chart for lobe, line in lines if line.fit for chart in _charts(lobe, line, line.fit, units))


def _charts(lobe: Lobe, line: ProfileLine, fit: ProfileFit, units: Units) -> Iterator[Chart]:
    per, deg = MM_PER[units], fit.deg + fit.turned.value
    off, band = fit.deviation_mm / per, NORMAL_95 * fit.u_mm / per
    curves = [Drawn(deg, off, "piston"), Drawn(deg[[0, -1]], np.zeros(2), "center")]
    if line.tolerance_mm is not None:
        half = line.tolerance_mm / 2 / per
        curves += [Drawn(deg[[0, -1]], np.full(2, edge), "limit") for edge in (-half, half)]
    name = f"{lobe.valve.capitalize()} of cylinder {lobe.cylinder} against {fit.nominal.name}"
    told = f"{profile_words(line, units)}." if line.deviation is not None else ""
    yield Chart(
        f"profile-{lobe.valve}",
        f"{name}: deviation",
        f"{told} The grey band is the 95 % expanded uncertainty.".strip(),
        "crank degrees from overlap TDC",
        f"deviation at the lobe, {units}",
        tuple(curves),
        (deg, off - band, off + band),
    )
    velocity, v95 = fit.velocity / per, NORMAL_95 * fit.u_velocity / per
    yield Chart(
        f"velocity-{lobe.valve}",
        f"{name}: velocity",
        "Deviation of the velocity at the lobe, with its 95 % expanded uncertainty.",
        "crank degrees from overlap TDC",
        f"deviation, {units}/deg",
        (Drawn(deg, velocity, "piston"), Drawn(deg[[0, -1]], np.zeros(2), "center")),
        (deg, velocity - v95, velocity + v95),
    )


def profile_csv(lines: Sequence[tuple[Lobe, ProfileLine]]) -> bytes:
    """The deviation curves as a table: crank degrees from overlap TDC, at the lobe, with 95 % expanded uncertainties."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(
        ["cylinder", "valve", "crank_deg", "nominal_mm", "deviation_mm", "u95_mm", "velocity_deviation_mm_deg", "u95_mm_deg"]
    )
    for lobe, line in lines:
        if line.fit is None:
            continue
        fit = line.fit
        columns = (
            fit.deg + fit.turned.value,
            fit.lift_mm,
            fit.deviation_mm,
            NORMAL_95 * fit.u_mm,
            fit.velocity,
            NORMAL_95 * fit.u_velocity,
        )
        for row in zip(*(column.tolist() for column in columns), strict=True):
            writer.writerow([lobe.cylinder, lobe.valve, *(f"{number:.6g}" for number in row)])
    return out.getvalue().encode()


def profile_json(lines: Sequence[tuple[Lobe, ProfileLine]]) -> dict[str, Any]:
    """The same for machines (analysis/profile.schema.json)."""
    return {**head(PROFILE_SCHEMA), "lobes": [_json(lobe, line) for lobe, line in lines]}


def _json(lobe: Lobe, line: ProfileLine) -> dict[str, Any]:
    sweep, fit = lobe.swept.sweep, line.fit
    said = {
        **profile_line_json(line),
        "sha256": sweep.capture.sha256,
        **identity_json(sweep.header),
    }
    if fit is None:
        return said
    return said | {
        "turned_deg": quantity_json(fit.turned),
        "zero_mm": None if fit.zero is None else quantity_json(fit.zero),
        "named": [
            {"kind": each.kind, "size": quantity_json(each.size), "unit": each.size.unit, "at_deg": each.at_deg}
            for each in _of_shape(fit)
        ],
        "deg": (fit.deg + fit.turned.value).tolist(),
        "nominal_mm": fit.lift_mm.tolist(),
        "deviation": {"mm": fit.deviation_mm.tolist(), "u95_mm": (NORMAL_95 * fit.u_mm).tolist()},
        "velocity": {"mm_deg": fit.velocity.tolist(), "u95_mm_deg": (NORMAL_95 * fit.u_velocity).tolist()},
    }
