"""A lobe's motion at a speed, in words, as a table, as charts and for machines."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np

from analysis.base.angles import label
from analysis.base.quantity import NORMAL_95
from analysis.base.version import head
from analysis.base.words import plus_minus, wrapped
from analysis.decision.dynamics import ORDER_NAMES, UNITS, Dynamics
from analysis.lobe.result import Lobe
from analysis.lobe.result_json import identity_json, quantity_json
from analysis.report.charts import Chart, Drawn

DYNAMICS_SCHEMA = "urn:lobetrace:dynamics:1"
_NOTE = (
    "The motion that the lobe asks for at the valve: the follower stays on the cam and nothing bends. Spring limits come from the "
    "spring's maker; leave a margin. Never turn an engine under power to try them."
)
_COLUMNS = ("lift_mm", "velocity_m_s", "acceleration_m_s2", "jerk_m_s3")


def dynamics_text(found: Sequence[Dynamics]) -> str:
    """Every lobe as text of at most 80 columns."""
    return "\n\n".join([*("\n".join(_block(each)) for each in found), "\n".join(wrapped(_NOTE, 78, "", ""))])


def _block(each: Dynamics) -> Iterator[str]:
    yield f"{each.valve.upper()} of cylinder {each.cylinder} at {each.rpm:g} rpm of the crank, at the valve"
    for order in range(4):
        for word, sign in (("most", 1), ("least", -1)):
            if order == 0 and sign < 0:
                continue
            number, deg = each.extreme(order, sign)
            unit = UNITS[order]
            if order == 3:  # jerk is large
                number, unit = number * 1e-3, "km/s3"
            at = label(deg, f"{each.valve} centerline", 0)
            yield f"  {f'{word} {ORDER_NAMES[order]}':<20}{plus_minus(number):>24} {unit:<5} at {at}"
    force = each.force
    if force is None:
        yield from wrapped(
            f"spring: not told, give both loads, installed_height_mm and moving_mass_g in [spring.{each.valve}]", 78
        )
    else:
        at = label(force.at_deg, f"{each.valve} centerline", 0)
        yield f"  {'spring force left':<20}{plus_minus(force.least):>24} N     at {at}"
        yield f"  {'nothing left at':<20}{plus_minus(force.float_rpm):>24} rpm"
    if each.surge_order is not None and each.natural_hz is not None:
        yield from wrapped(_surge(each), 78)
    last = each.harmonics.knows_to
    yield from wrapped(
        f"harmonics: told up to order {last} of the camshaft ({last * each.cam_hz:.0f} Hz); from {each.knows_to_hz:.0f} Hz on the "
        "curve says nothing, and neither does anything computed from it.",
        78,
    )


def _surge(each: Dynamics) -> str:
    assert each.surge_order is not None
    assert each.natural_hz is not None
    order = round(each.surge_order)
    if order < 1 or order > each.harmonics.knows_to:
        size = "which the curve does not tell"
    else:
        mm, u95 = each.harmonics.amplitude_mm[order - 1], NORMAL_95 * each.harmonics.u_mm[order - 1]
        size = f"which lifts by {1e3 * mm:.1f} +/-{1e3 * u95:.1f} micrometers"
    return f"surge: {each.natural_hz:g} Hz meets order {each.surge_order:.1f} of the camshaft, {size}."


def dynamics_charts(found: Sequence[Dynamics]) -> tuple[Chart, ...]:
    """Velocity, acceleration and jerk over the angle with their uncertainties as bands, and the harmonics."""
    return tuple(chart for each in found for chart in _charts(each))


def _charts(each: Dynamics) -> Iterator[Chart]:
    name = f"{each.valve.capitalize()} of cylinder {each.cylinder} at {each.rpm:g} rpm"
    for order in range(1, 4):
        value, band = each.value[order], NORMAL_95 * each.u[order]
        zero = Drawn(each.deg[[0, -1]], np.zeros(2), "center")
        yield Chart(
            f"{ORDER_NAMES[order]}-{each.valve}",
            f"{name}: {ORDER_NAMES[order]}",
            "The grey band is the 95 % expanded uncertainty.",
            "crank degrees from overlap TDC",
            f"{ORDER_NAMES[order]}, {UNITS[order]}",
            (zero, Drawn(each.deg, value, each.valve)),
            (each.deg, value - band, value + band),
        )
    orders = np.arange(1.0, each.harmonics.amplitude_mm.size + 1)
    levels = [np.log10(np.maximum(mm, 1e-7)) for mm in (each.harmonics.amplitude_mm, NORMAL_95 * each.harmonics.u_mm)]
    yield Chart(
        f"harmonics-{each.valve}",
        f"{name}: harmonics of the lift",
        f"Told up to order {each.harmonics.knows_to}. Dotted: the 95 % uncertainty from scatter.",
        "order of the camshaft",
        "amplitude, log10 of mm",
        (Drawn(orders, levels[0], each.valve), Drawn(orders, levels[1], "limit")),
    )


def dynamics_csv(found: Sequence[Dynamics]) -> bytes:
    """The motion as a table with 95 % expanded uncertainties, a row a place."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(["cylinder", "valve", "rpm", "crank_deg", *(c for name in _COLUMNS for c in (name, f"u95_{name}"))])
    for each in found:
        for k, deg in enumerate(each.deg.tolist()):
            numbers = (f"{number:.6g}" for row in range(4) for number in (each.value[row, k], NORMAL_95 * each.u[row, k]))
            writer.writerow([each.cylinder, each.valve, f"{each.rpm:g}", f"{deg:g}", *numbers])
    return out.getvalue().encode()


def dynamics_json(found: Sequence[tuple[Lobe, Dynamics]]) -> dict[str, Any]:
    """The same for machines (analysis/dynamics.schema.json)."""
    return {**head(DYNAMICS_SCHEMA), "lobes": [_json(lobe, each) for lobe, each in found]}


def _json(lobe: Lobe, each: Dynamics) -> dict[str, Any]:
    force, sweep = each.force, lobe.swept.sweep
    motion = {name: each.value[row].tolist() for row, name in enumerate(_COLUMNS)}
    motion |= {f"u95_{name}": (NORMAL_95 * each.u[row]).tolist() for row, name in enumerate(_COLUMNS)}
    return {
        "valve": each.valve,
        "cylinder": each.cylinder,
        "sha256": sweep.capture.sha256,
        **identity_json(sweep.header),
        "rpm": each.rpm,
        "deg": each.deg.tolist(),
        **motion,
        "harmonics": {
            "amplitude_mm": each.harmonics.amplitude_mm.tolist(),
            "u95_mm": (NORMAL_95 * each.harmonics.u_mm).tolist(),
            "knows_to": each.harmonics.knows_to,
            "knows_to_hz": each.knows_to_hz,
        },
        "spring": None
        if force is None
        else {
            "least_n": quantity_json(force.least),
            "at_deg": force.at_deg,
            "nothing_left_rpm": quantity_json(force.float_rpm),
        },
        "surge_order": each.surge_order,
    }
