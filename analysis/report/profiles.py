"""Profiles laid over each other, in words and for machines."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from typing import Any

import numpy as np

from analysis.base.angles import label
from analysis.base.foreign import no_formula
from analysis.base.quantity import NORMAL_95, Quantity, Source
from analysis.base.words import MM_PER, Units, fine, plus_minus, with_unit, wrapped
from analysis.curve.tabulated import DERIVATIVES, curve_table
from analysis.decision.sweep_by_sweep import OneSweep, Pair
from analysis.job import Job
from analysis.report.json import quantity_json

_EVERY_DEG = 10.0
_COLUMNS = ("lift_mm", "velocity_mm_deg", "acceleration_mm_deg2", "jerk_mm_deg3")


def overlay_text(pairs: Sequence[Pair], job: Job) -> str:
    """The overlays as text of at most 80 columns."""
    units = job.measure.units
    head = f"PROFILES LAID OVER EACH OTHER, lift at the {job.rig.indicator_at}, angles in crank degrees"
    return "\n\n".join([head, *("\n".join(_pair(pair, units)) for pair in pairs)])


def _pair(pair: Pair, units: Units) -> list[str]:
    found, top = pair.overlay, int(np.argmax(pair.overlay.lift_mm))
    way = "later" if found.later.value >= 0 else "earlier"
    return [
        f"{pair.sweep.valve.upper()}: {_name(pair.sweep)}",
        f"  against {_name(pair.against)}",
        f"  comes     {plus_minus(abs(found.later).labelled('deg'))} degrees {way}, which is taken out below",
        f"  at peak   {_higher(pair, top, units)} of lift",
        *wrapped(verdict(pair, units), 78),
        *_table(pair, units),
    ]


def _name(sweep: OneSweep) -> str:
    return f"{sweep.capture}, cylinder {sweep.cylinder}"


def verdict(pair: Pair, units: Units) -> str:
    """What the two differ in, and what that points to."""
    found = pair.overlay
    if found.kind == "alike":
        return "Alike: nowhere do they differ by more than their uncertainty explains."
    if found.kind == "height":
        off = f"{found.height_mm / MM_PER[units]:+.3f} {units}"
        return f"It lies {off} from the other wherever the valve is well open: lash or zero was another."
    if found.kind == "scale":
        return f"It differs by {100 * found.share:+.2f} % of the lift: the rocker ratio was another, or the indicator leaned."
    k = found.clearest
    off = _higher(pair, k, units)
    return (
        f"They differ in shape, most clearly at {_at(pair, k)}: by {off}. Look whether the indicator sat and the follower ran as "
        "before; if so, the lobe is worn there or is another grind."
    )


def _at(pair: Pair, k: int) -> str:
    return label(float(pair.overlay.deg[k]), f"{pair.sweep.valve} centerline", 0)


def _higher(pair: Pair, k: int, units: Units) -> str:
    """By how much the second profile is higher at one place of the overlay: "+0.021 +/-0.004 mm"."""
    found = pair.overlay
    text = with_unit(Quantity(float(found.higher_mm[k]), {Source("overlay"): float(found.u_mm[k])}, "mm"), units)
    return text if text.startswith("-") else f"+{text}"


def _table(pair: Pair, units: Units) -> list[str]:
    """Every tenth degree where the valve is off its seat; * marks what is beyond the limit."""
    found, per = pair.overlay, MM_PER[units]
    shown = (found.lift_mm > 0.02 * found.lift_mm.max()) & (np.abs(found.deg % _EVERY_DEG) < 1e-9)
    rows = [f"  {'at':>10}{f'lift, {units}':>12}{'other higher by':>18} +/-"]
    for k in np.flatnonzero(shown).tolist():
        lift, higher, u95 = (float(mm) / per for mm in (found.lift_mm[k], found.higher_mm[k], NORMAL_95 * found.u_mm[k]))
        places, beyond = fine(u95, units), " *" if abs(found.higher_mm[k]) > found.limit_mm[k] else ""
        rows.append(f"  {_at(pair, k):>10}{lift:>12.3f}{higher + 0.0:>+18.{places}f} {u95:.{places}f}{beyond}")
    return rows


def overlay_json(pairs: Sequence[Pair]) -> dict[str, Any]:
    """The same for machines, in mm and degrees from overlap TDC, with every place of the overlay."""
    return {"schema": 1, "overlays": [_pair_json(pair) for pair in pairs]}


def _pair_json(pair: Pair) -> dict[str, Any]:
    found = pair.overlay
    return {
        "valve": pair.sweep.valve,
        "sweep": {"capture": pair.sweep.capture, "cylinder": pair.sweep.cylinder},
        "against": {"capture": pair.against.capture, "cylinder": pair.against.cylinder},
        "later_deg": quantity_json(found.later),
        "kind": found.kind,
        "height_mm": found.height_mm,
        "share": found.share,
        "deg": found.deg.tolist(),
        "lift_mm": found.lift_mm.tolist(),
        "higher_mm": found.higher_mm.tolist(),
        "u95_mm": (NORMAL_95 * found.u_mm).tolist(),
        "limit_mm": found.limit_mm.tolist(),
    }


def profiles_csv(sweeps: Sequence[OneSweep], step_deg: float) -> bytes:
    """Every sweep's profile as a table that opens anywhere: three derivatives, standard errors from scatter, a row a place."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(["capture", "cylinder", "valve", "deg", *(part for name in _COLUMNS for part in (name, f"u_{name}"))])
    for sweep in sweeps:
        table = curve_table(sweep.lobe.swept.curve, step_deg)
        for k, deg in enumerate(table.deg.tolist()):
            numbers = (f"{of[d, k]:.6g}" for d in range(DERIVATIVES + 1) for of in (table.value, table.error))
            writer.writerow([no_formula(sweep.capture), sweep.cylinder, sweep.valve, f"{deg:g}", *numbers])
    return out.getvalue().encode("utf-8", "replace")
