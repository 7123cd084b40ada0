"""Compared lobes as charts: by how much each lies higher than what it is compared with, the shift taken out."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from analysis.base.words import MM_PER, Units
from analysis.decision.sweep_by_sweep import ValveStudy
from analysis.report.charts import Chart, Drawn
from analysis.report.profiles import lobe_name, named_text


def overlay_charts(studies: Sequence[ValveStudy], units: Units) -> tuple[Chart, ...]:
    """One chart for each valve: lobes that are alike in grey, those that differ in black with their names; dotted, the widest limit
    that alike profiles keep within.
    """
    return tuple(chart for study in studies for chart in _of_valve(study, units))


def _of_valve(study: ValveStudy, units: Units) -> tuple[Chart, ...]:
    per = MM_PER[units]
    found = [(line, line.whole) for line in study.lines if line.whole is not None]
    if not found:
        return ()
    many = len({line.sweeps[0].job for line in study.lines}) > 1
    curves, told = [], []
    for line, whole in found:
        shape = [each for each in whole.named if each.kind != "indexing"]
        name = lobe_name(line, many) if shape else ""
        curves.append(Drawn(whole.deg, whole.higher_mm / per, "piston" if shape else "center", name, whole.clearest))
        said = "; ".join(named_text(each, study.valve, units) for each in whole.named) or "alike"
        told.append(f"{lobe_name(line, many)}: {said}.")
    widest = max((whole for _, whole in found), key=lambda each: float(np.median(each.limit_mm)))
    curves += [Drawn(widest.deg, sign * widest.limit_mm / per, "limit") for sign in (-1.0, 1.0)]
    return (
        Chart(
            name=f"overlay-{study.valve}-{study.at}",
            title=f"{study.valve.capitalize()} lobes at the {study.at}, against {study.reference}",
            text=" ".join(told),
            x_label="crank degrees from overlap TDC",
            y_label=f"higher by, {units}",
            curves=tuple(curves),
        ),
    )
