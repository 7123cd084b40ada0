"""Lobes compared, in words, as a table and for machines."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Iterator, Sequence
from typing import Any

import numpy as np

from analysis.base.angles import label
from analysis.base.foreign import no_formula, shown
from analysis.base.quantity import NORMAL_95, Quantity
from analysis.base.version import head
from analysis.base.words import MM_PER, Units, fine, signed, with_unit, wrapped
from analysis.compare.difference import Difference, Named
from analysis.curve.tabulated import DERIVATIVES, curve_table
from analysis.decision.sweep_by_sweep import LobeLine, OneSweep, ValveStudy
from analysis.lobe.result_json import quantity_json, sweep_json

_EVERY_DEG = 12.0
_COLUMNS = ("lift_mm", "velocity_mm_deg", "acceleration_mm_deg2", "jerk_mm_deg3")
_WIDTH, _NAME, _LATER = 80, 26, 20
OVERLAY_SCHEMA = "urn:lobetrace:overlay:2"
_POINTS_TO = {
    "indexing": "the lobe stands elsewhere on the camshaft, or the camshaft was moved",
    "height": "another base circle, or lash or zero was set differently",
    "scale": "another ratio, a lobe of another size, or an indicator that leans",
    "tilt": "the indicator leaned differently",
    "runout": "the camshaft or its bearings run out",
    "nose": "the nose is worn or ground differently",
    "opening flank": "the opening flank is worn or ground differently",
    "closing flank": "the closing flank is worn or ground differently",
    "ramp": "the ramp is worn or ground differently, or seat and follower ran differently",
    "other": "another grind, or the indicator or follower did not sit as before",
}


def overlay_text(studies: Sequence[ValveStudy], units: Units, *, details: bool = False) -> str:
    """The comparison as text of at most 80 columns: a line for each lobe first, then on request every sweep."""
    summary = ["\n".join(_summary(study, units)) for study in studies]
    shown = ["\n".join(each) for study in studies for each in _details(study, units)] if details else []
    return "\n\n".join([*summary, *shown])


def _summary(study: ValveStudy, units: Units) -> Iterator[str]:
    yield from wrapped(f"{study.valve.upper()}, lift at the {study.at}: each lobe against {study.reference}", 78, "")
    yield f"  {'lobe':<{_NAME}}{'later by, deg':<{_LATER}}what differs"
    many = len({line.sweeps[0].job for line in study.lines}) > 1
    for line in study.lines:
        name = lobe_name(line, many)
        later = "" if line.whole is None else signed_with_u(line.whole.later)
        first, *rest = wrapped(_in_short(line, study.valve, units), _WIDTH - _NAME - _LATER - 2, "", "")
        yield f"  {name:<{_NAME}}{later:<{_LATER}}{first}"
        yield from (f"  {'':<{_NAME + _LATER}}{text}" for text in rest)


def lobe_name(line: LobeLine, many_jobs: bool) -> str:
    """A lobe as a table calls it: "cylinder 3, 3 sweeps", with its job where there are several."""
    first, number = line.sweeps[0], len(line.sweeps)
    sweeps = f"{number} sweep{'s' if number > 1 else ''}"
    if not many_jobs:
        return f"cylinder {first.cylinder}, {sweeps}"
    job = first.job if len(first.job) <= _NAME - 10 else f"{first.job[: _NAME - 13]}..."
    return f"{job} {first.cylinder} ({number})"


def signed_with_u(q: Quantity) -> str:
    """A difference with sign and expanded uncertainty: "+1.489 +/-0.023"."""
    return f"{signed(q)} +/-{q.u95:.{fine(q.u95, q.unit)}f}"


def _in_short(line: LobeLine, valve: str, units: Units) -> str:
    """What differs about a lobe, and which of its sweeps say otherwise."""
    if line.whole is None:
        return "reference"
    said = "; ".join(named_text(each, valve, units) for each in line.whole.named) or "alike"
    if line.each[0] is None:
        said = f"reference; {'the others: ' if len(line.each) > 2 else 'the other: '}{said}"
    kinds = [each.named for each in line.each if each is not None]
    if len({tuple(sorted(named.kind for named in each)) for each in kinds}) > 1:
        odd = [
            f"{sweep.capture} {', '.join(named.kind for named in each.named) or 'alike'}"
            for sweep, each in zip(line.sweeps, line.each, strict=True)
            if each is not None and {n.kind for n in each.named} != {n.kind for n in line.whole.named}
        ]
        said += f" (but {'; '.join(odd)})" if odd else ""
    return said


def named_text(named: Named, valve: str, units: Units) -> str:
    """One thing that differs, with size, uncertainty and place: "nose -0.074 +/-0.001 mm at 108 ATDC"."""
    at = "" if named.at_deg is None else f" at {_at(valve, named.at_deg)}"
    return f"{named.kind} {_size(named, units)}{at}"


def _size(named: Named, units: Units) -> str:
    if named.kind in ("scale", "tilt"):
        share = 100 * named.size.value
        return f"{share:+.2f} +/-{100 * named.size.u95:.2f} % of lift{_leaning(named)}"
    text = with_unit(named.size, units)
    return text if text.startswith("-") or named.kind == "runout" else f"+{text}"


def _leaning(named: Named) -> str:
    """By how much an indicator must lean to make such a share."""
    if named.kind != "tilt":
        return ""
    return f", as a lean of {math.degrees(math.acos(1.0 / (1.0 + abs(named.size.value)))):.0f} deg"


def _details(study: ValveStudy, units: Units) -> Iterator[list[str]]:
    for line in study.lines:
        for sweep, found in zip(line.sweeps, line.each, strict=True):
            if found is not None:
                yield [
                    f"{sweep.valve.upper()}: {_name(sweep)}",
                    *wrapped(_recorded(sweep), 78),
                    *wrapped(f"against {study.reference}", 78),
                    f"  later by  {signed_with_u(found.later)} degrees, which is taken out below",
                    *wrapped(verdict(found, study.valve, units), 78),
                    *_table(found, study.valve, units),
                ]


def _recorded(sweep: OneSweep) -> str:
    """When, by whom, of which camshaft, as far as the capture says."""
    header = sweep.lobe.swept.sweep.header
    who = header.identity
    camshaft = " ".join(part for part in (who.camshaft, who.camshaft_serial) if part)
    told = (
        f"recorded {header.started[:10]}" if header.started else "",
        f"by {who.operator}" if who.operator else "",
        f"camshaft {camshaft}" if camshaft else "",
    )
    return ", ".join(shown(part) for part in told if part)


def _name(sweep: OneSweep) -> str:
    return f"{sweep.capture}{f' of {sweep.job}' if sweep.job else ''}, cylinder {sweep.cylinder}"


def verdict(found: Difference, valve: str, units: Units) -> str:
    """What the two differ in, and what that points to, in sentences."""
    if not found.named:
        return "Alike: nowhere do they differ by more than their uncertainty explains."
    return " ".join(f"{_capital(named_text(named, valve, units))}: {_POINTS_TO[named.kind]}." for named in found.named)


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def _at(valve: str, deg: float) -> str:
    return label(deg, f"{valve} centerline", 0)


def _table(found: Difference, valve: str, units: Units) -> list[str]:
    """Every third cell where the valve is off its seat; * marks what is beyond the limit."""
    per = MM_PER[units]
    shown = (found.lift_mm > 0.02 * found.lift_mm.max()) & (np.abs(found.deg % _EVERY_DEG) < 1e-9)
    rows = [f"  {'at':>10}{f'lift, {units}':>12}{'higher by':>14} +/-"]
    for k in np.flatnonzero(shown).tolist():
        lift, higher, u95 = (float(mm) / per for mm in (found.lift_mm[k], found.higher_mm[k], NORMAL_95 * found.u_mm[k]))
        places, beyond = fine(u95, units), " *" if abs(found.higher_mm[k]) > found.limit_mm[k] else ""
        rows.append(f"  {_at(valve, float(found.deg[k])):>10}{lift:>12.3f}{higher + 0.0:>+14.{places}f} {u95:.{places}f}{beyond}")
    return rows


def overlay_json(studies: Sequence[ValveStudy]) -> dict[str, Any]:
    """The same for machines, in mm and degrees from overlap TDC, with every cell (analysis/overlay.schema.json)."""
    return {
        **head(OVERLAY_SCHEMA),
        "valves": [
            {
                "valve": study.valve,
                "at": study.at,
                "against": study.against,
                "reference": study.reference,
                "lobes": [_line_json(line) for line in study.lines],
            }
            for study in studies
        ],
    }


def _line_json(line: LobeLine) -> dict[str, Any]:
    return {
        "job": line.sweeps[0].job,
        "cylinder": line.sweeps[0].cylinder,
        "whole": _difference_json(line.whole),
        "sweeps": [
            {**sweep_json(sweep.job, sweep.capture, sweep.lobe), "difference": _difference_json(found)}
            for sweep, found in zip(line.sweeps, line.each, strict=True)
        ],
    }


def _difference_json(found: Difference | None) -> dict[str, Any] | None:
    if found is None:
        return None
    return {
        "kind": found.kind,
        "later_deg": quantity_json(found.later),
        "named": [
            {"kind": each.kind, "size": quantity_json(each.size), "unit": each.size.unit, "at_deg": each.at_deg}
            for each in found.named
        ],
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
    writer.writerow(["job", "capture", "cylinder", "valve", "deg", *(part for name in _COLUMNS for part in (name, f"u_{name}"))])
    for sweep in sweeps:
        table = curve_table(sweep.lobe.swept.curve, step_deg)
        names = (no_formula(sweep.job), no_formula(sweep.capture))
        for k, deg in enumerate(table.deg.tolist()):
            numbers = (f"{of[d, k]:.6g}" for d in range(DERIVATIVES + 1) for of in (table.value, table.error))
            writer.writerow([*names, sweep.cylinder, sweep.valve, f"{deg:g}", *numbers])
    return out.getvalue().encode("utf-8", "replace")
