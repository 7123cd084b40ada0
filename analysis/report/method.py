"""How a job was measured, in sentences for the sheet."""

from __future__ import annotations

from collections.abc import Iterator

from analysis.base.words import length, one_sign, plus_minus
from analysis.decision.decide import Decision
from analysis.job import Rig
from analysis.lobe.result import Lobe, Tdc

_FOUND = {
    "stop": "from {} contacts with a piston stop, equal on both sides",
    "travel": "from the travel of the piston, equal heights on both sides",
    "given": "as the job gives it",
}


def how_measured(decision: Decision) -> Iterator[str]:
    """One sentence for each: TDC, the rig, the sweeps, the centerline."""
    result, rig, units = decision.measured, decision.job.rig, decision.job.measure.units
    yield _tdc(result.tdc)
    lash = f"{length(rig.lash_mm, units)} {units} of lash in" if rig.lash_mm else "at zero lash"
    yield f"Indicator at the {rig.indicator_at}, rocker ratio {rig.rocker_ratio:g}, {lash}; crank by encoder, forward motion only."
    if exact := list(_taken_as_exact(rig)):
        yield f"Taken as exact: {' and '.join(exact)}."
    for lobe in result.lobes:
        yield _lobe(lobe)
    yield "Centerline: middle between equal lifts 1.27 mm (0.050 in) below the peak, at the lobe."


def _taken_as_exact(rig: Rig) -> Iterator[str]:
    """What turns lift at the valve into lift at the lobe, and the job gives no bound of its error."""
    if rig.rocker_ratio != 1.0 and not rig.rocker_ratio_error:
        yield "rocker ratio"
    if rig.lash_mm and not rig.lash_error_mm:
        yield "lash"


def _tdc(tdc: Tdc) -> str:
    return f"TDC {_FOUND.get(tdc.method, tdc.method).format(tdc.contacts)}."


def _lobe(lobe: Lobe) -> str:
    passes = "1 pass" if lobe.passes == 1 else f"{lobe.passes} passes"
    parts = [f"{lobe.valve.capitalize()}: {passes}"]
    if lobe.lag is not None:
        parts.append(f"indicator's lag {one_sign(plus_minus(lobe.lag))} ms, taken out")
    if lobe.slack is not None:
        parts.append(f"slack of the drive {one_sign(plus_minus(lobe.slack))} degrees")
    return ", ".join(parts) + "."
