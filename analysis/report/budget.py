"""The budget of every main number, after JCGM 100:2008 (GUM) annex H: as a table for people and as plain dicts for machines."""

from __future__ import annotations

import math
from typing import Any

from analysis.base.angles import label
from analysis.base.quantity import Component, Quantity, correlation
from analysis.base.words import MM_PER, Units, in_units
from analysis.lobe.result import HEADLINE_MM, Entry, Measurement

# Numbers that are main ones; the others follow from these or stand beside them.
_KINDS = ("tdc", "opens", "closes", "duration", "peak lift", "separation", "advance", "overlap")
_AS_GOOD_AS_INFINITE = 1e4  # Student's t is 1.9602 there, and 1.9600 beyond
_EVENTS = ("opens", "closes", "duration")
_UNITS = {"count": "counts"}  # as a person reads a plural


def budgets(found: Measurement) -> dict[str, Quantity]:
    """The main numbers by name, TDC first, in the order in which they were measured."""
    return {entry.name: entry.quantity for entry in _main(found)}


def main_names(found: Measurement) -> list[str]:
    """The numbers whose correlation is shown: TDC, each lobe's events at the headline lift, centerlines, peaks, and the cam."""
    entries = [entry for entry in _main(found) if not entry.kind.startswith("centerline by")]
    lifts = sorted({entry.lift_mm or 0.0 for entry in entries if entry.kind in _EVENTS}, key=lambda lift: abs(lift - HEADLINE_MM))
    return [entry.name for entry in entries if entry.kind not in _EVENTS or entry.lift_mm == lifts[0]]


def _main(found: Measurement) -> list[Entry]:
    return [entry for entry in found.entries() if entry.kind in _KINDS or entry.kind.startswith("centerline")]


def budget_json(found: Measurement) -> dict[str, Any]:
    """Every main number's components, and the correlation matrix of `main_names`. Infinite degrees of freedom are null."""
    quantities, names = budgets(found), main_names(found)
    return {
        "numbers": [_number_json(name, q) for name, q in quantities.items()],
        "correlation": {
            "names": names,
            "matrix": [[correlation(quantities[a], quantities[b]) for b in names] for a in names],
        },
    }


def _number_json(name: str, q: Quantity) -> dict[str, Any]:
    return {
        "name": name,
        "unit": _unit(q.unit),
        "value": q.value,
        "u": q.u,
        "dof": _finite(q.dof),
        "u95": q.u95,
        "components": [_component_json(component) for component in q.budget()],
    }


def _component_json(component: Component) -> dict[str, Any]:
    return {
        "source": component.cause,
        "u": component.u,
        "unit": _unit(component.unit),
        "sensitivity": component.contribution / component.u,
        "contribution": component.contribution,
        "dof": _finite(component.dof),
        "shape": component.distribution,
    }


def budget_text(found: Measurement, units: Units) -> str:
    """The tables, ending in a newline: one a number, largest component first, then the correlations."""
    blocks = [
        "UNCERTAINTY BUDGET (JCGM 100)\n  u: standard uncertainty of the component. contribution: what it alone does to the\n"
        "  number, with sign; equal names are one cause, and move all their numbers at once.\n  dof: degrees of freedom, "
        "effective ones by Welch-Satterthwaite in the last line."
    ]
    blocks += [_table(name, q, units) for name, q in budgets(found).items()]
    blocks.append(_correlations(found, units))
    return "\n\n".join(blocks) + "\n"


def _table(name: str, q: Quantity, units: Units) -> str:
    per, unit = _written(q.unit, units)
    head = "TDC" if name == "tdc" else in_units(name, units)
    number = label(q.value, q.place, 4) if q.place else f"{q.value / per:.4f} {unit}"
    lines = [f"{head}: {number}", f"  {'component':<50}{'u':>17}{'contribution':>14}{'dof':>7}  shape"]
    for each in q.budget():
        scale, of = _written(each.unit, units)
        cause, own = in_units(each.cause, units), f"{each.u / scale:.3g} {of}"
        lines.append(f"  {cause:<50}{own:>17}{each.contribution / per:>+14.5f}{_dof(each.dof):>7}  {each.distribution}")
    lines.append(f"  {'together':<50}{f'{q.u / per:.3g} {unit}':>17}{'':>14}{_dof(q.dof):>7}  95 % +/-{q.u95 / per:.4g} {unit}")
    return "\n".join(lines)


def _written(unit: str, units: Units) -> tuple[float, str]:
    """What a value is divided by where lengths are read in the job's units, and the unit that is then written."""
    return MM_PER[units] if unit == "mm" else 1.0, _unit(unit).replace("mm", units)


def _correlations(found: Measurement, units: Units) -> str:
    quantities, names = budgets(found), main_names(found)
    lines = ["CORRELATION, hundredths", f"  {'':<28}" + "".join(f"{k + 1:>5}" for k in range(len(names)))]
    for k, a in enumerate(names):
        row = "".join(f"{100 * correlation(quantities[a], quantities[b]) + 0.0:>5.0f}" for b in names[: k + 1])
        lines.append(f"  {f'{k + 1} {in_units(a, units)}':<28}{row}")
    return "\n".join(lines)


def _unit(unit: str) -> str:
    return _UNITS.get(unit, unit)


def _dof(dof: float) -> str:
    return f"{dof:.1f}" if dof < _AS_GOOD_AS_INFINITE else "inf"


def _finite(dof: float) -> float | None:
    return dof if math.isfinite(dof) else None
