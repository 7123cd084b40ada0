"""The budget of every main number, after JCGM 100:2008 (GUM) annex H: as a table for people and as plain dicts for machines."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from typing import Any

from analysis.base.quantity import Quantity, Source, correlation, expanded

# Quantities in other units than degrees, and those that a table of main numbers leaves out (they are others under another name).
_UNITS = (("tdc", "counts"), ("separation", "cam deg"), ("peak lift", "mm"))
_TWICE = re.compile(r"centerline by equal_lift$")
# Events enter the correlation table at the lift nearest to this only (0.050 in; common practice).
HEADLINE_MM = 1.27
_AS_GOOD_AS_INFINITE = 1e4  # Student's t is 1.9602 there, and 1.9600 beyond
_EVENT = re.compile(r"(opens|closes|duration) ([0-9.]+)$")


def unit_of(name: str) -> str:
    """Unit of a quantity by its name."""
    return next((unit for end, unit in _UNITS if name.endswith(end)), "deg")


def budgets(quantities: Mapping[str, Quantity]) -> dict[str, Quantity]:
    """The main numbers, TDC first, in the order in which they were measured."""
    named = {name: q for name, q in quantities.items() if not _TWICE.search(name)}
    return {name: named[name] for name in sorted(named, key=lambda name: name != "tdc")}


def main_names(quantities: Mapping[str, Quantity]) -> list[str]:
    """The numbers whose correlation is shown: TDC, each lobe's events at the headline lift, centerlines, peaks, and the cam."""
    lifts = sorted({float(m[2]) for name in quantities if (m := _EVENT.search(name))}, key=lambda lift: abs(lift - HEADLINE_MM))
    shown = lifts[0] if lifts else math.nan
    return [
        name
        for name in budgets(quantities)
        if ("centerline by" not in name) and ((m := _EVENT.search(name)) is None or float(m[2]) == shown)
    ]


def budget_json(quantities: Mapping[str, Quantity]) -> dict[str, Any]:
    """Every main number's components, and the correlation matrix of `main_names`. Infinite degrees of freedom are null."""
    names = main_names(quantities)
    return {
        "numbers": [_number_json(name, q) for name, q in budgets(quantities).items()],
        "correlation": {
            "names": names,
            "matrix": [[correlation(quantities[a], quantities[b]) for b in names] for a in names],
        },
    }


def _number_json(name: str, q: Quantity) -> dict[str, Any]:
    unit = unit_of(name)
    return {
        "name": name,
        "unit": unit,
        "value": q.value,
        "u": q.u,
        "dof": _finite(q.dof),
        "u95": expanded(q),
        "components": [_component_json(source, part, unit) for source, part in _by_size(q)],
    }


def _component_json(source: Source, part: float, unit: str) -> dict[str, Any]:
    u, own = _own(source, part, unit)
    return {
        "source": source.name,
        "u": u,
        "unit": own,
        "sensitivity": part / u,
        "contribution": part,
        "dof": _finite(source.dof),
        "shape": source.shape,
    }


def budget_text(quantities: Mapping[str, Quantity]) -> str:
    """The tables, ending in a newline: one a number, largest component first, then the correlations."""
    blocks = [
        "UNCERTAINTY BUDGET (JCGM 100)\n  u: standard uncertainty of the component. contribution: what it alone does to the\n"
        "  number, with sign; equal names are one cause, and move all their numbers at once.\n  dof: degrees of freedom, "
        "effective ones by Welch-Satterthwaite in the last line."
    ]
    blocks += [_table(name, q) for name, q in budgets(quantities).items()]
    blocks.append(_correlations(quantities))
    return "\n\n".join(blocks) + "\n"


def _table(name: str, q: Quantity) -> str:
    unit = unit_of(name)
    head = "TDC" if name == "tdc" else name
    lines = [f"{head}: {q.value:.4f} {unit}", f"  {'component':<50}{'u':>17}{'contribution':>14}{'dof':>7}  shape"]
    for source, part in _by_size(q):
        u, own = _own(source, part, unit)
        lines.append(f"  {source.name:<50}{f'{u:.3g} {own}':>17}{part:>+14.5f}{_dof(source.dof):>7}  {source.shape}")
    lines.append(f"  {'together':<50}{f'{q.u:.3g} {unit}':>17}{'':>14}{_dof(q.dof):>7}  95 % +/-{expanded(q):.4g} {unit}")
    return "\n".join(lines)


def _correlations(quantities: Mapping[str, Quantity]) -> str:
    names = main_names(quantities)
    lines = ["CORRELATION, hundredths", f"  {'':<28}" + "".join(f"{k + 1:>5}" for k in range(len(names)))]
    for k, a in enumerate(names):
        row = "".join(f"{100 * correlation(quantities[a], quantities[b]) + 0.0:>5.0f}" for b in names[: k + 1])
        lines.append(f"  {f'{k + 1} {a}':<28}{row}")
    return "\n".join(lines)


def _by_size(q: Quantity) -> list[tuple[Source, float]]:
    """Components, the largest first, without those that dropped out of a difference up to rounding."""
    seen = [(source, part) for source, part in q.parts.items() if abs(part) > 1e-9 * q.u]
    return sorted(seen, key=lambda item: -abs(item[1]))


def _own(source: Source, part: float, unit: str) -> tuple[float, str]:
    """Standard uncertainty of the component in its own unit; that of the number where the component says none."""
    return (source.u, source.unit) if source.u else (abs(part), unit)


def _dof(dof: float) -> str:
    return f"{dof:.1f}" if dof < _AS_GOOD_AS_INFINITE else "inf"


def _finite(dof: float) -> float | None:
    return dof if math.isfinite(dof) else None
