"""One measured lobe's profile laid over another's."""

from __future__ import annotations

from dataclasses import replace

from analysis.compare.difference import Difference, difference
from analysis.compare.laid import Cells, lay, marks_of, weighted
from analysis.lobe.result import Lobe


def overlay(first: Lobe, second: Lobe) -> Difference:
    """Turn the profile of the second sweep onto that of the first, and say what the difference consists of.

    What the two share does not count: a setting of the indicator, TDC and the encoder's mounting, a lobe's runout (`marks_of`).
    Raises DataError if the two have too little of a lobe in common.
    """
    cells = Cells.of(first.swept.curve.spline)
    found = difference(cells, weighted((1.0, lay(cells, second)), (-1.0, lay(cells, first))))
    return of_one_lobe(found) if same_lobe(first, second) else found


def same_lobe(first: Lobe, second: Lobe) -> bool:
    """Whether two sweeps are of one lobe of one camshaft, as far as is known."""
    return marks_of(first)["runout"] == marks_of(second)["runout"]


def of_one_lobe(found: Difference) -> Difference:
    """A lobe has one size: where two sweeps of it differ by a share of the lift, the indicator leaned."""
    return replace(found, named=tuple(replace(each, kind="tilt") if each.kind == "scale" else each for each in found.named))
