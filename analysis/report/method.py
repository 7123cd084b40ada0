"""How a job was measured, in sentences for the sheet."""

from __future__ import annotations

from collections.abc import Iterator

from analysis.base.words import Units, length, one_sign, plus_minus
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
    yield from _bounds(rig, units)
    for lobe in result.lobes:
        yield _lobe(lobe)
    yield "Centerline: middle between equal lifts 1.27 mm (0.050 in) below the peak, at the lobe."


def _bounds(rig: Rig, units: Units) -> Iterator[str]:
    """Which bounds of errors the job states, and which are the usual ones of the trade because it is silent."""
    told = {
        "rocker_ratio_error": ("rocker ratio", f"{rig.rocker_ratio_error:g}"),
        "lash_error_mm": ("lash", f"{length(rig.lash_error_mm, units)} {units}"),
        "encoder_offcenter_deg": ("encoder off center", f"{rig.encoder_offcenter_deg:g} degrees"),
        "indicator_tilt_deg": ("indicator's tilt", f"{rig.indicator_tilt_deg:g} degrees"),
        "indicator_error_mm": ("indicator's maximum permissible error", f"{length(rig.indicator_error_mm, units)} {units}"),
        "cam_runout_mm": ("base-circle runout (half of TIR)", f"{length(rig.cam_runout_mm, units)} {units}"),
    }
    for word, keys in (("stated", rig.stated), ("usual, since job.toml does not give them", set(told) - rig.stated)):
        each = [f"{name} {'exact' if not getattr(rig, key) else value}" for key, (name, value) in told.items() if key in keys]
        if each:
            yield f"Limits of error {word}: {', '.join(each)}."


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
