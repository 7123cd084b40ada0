"""`lobetrace compare`: a job measured again after a change, against what was predicted; or a lifter's sweep against a valve's."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from acquire.cli import say
from acquire.cli.report import decided
from analysis.base.errors import DataError
from analysis.base.version import head
from analysis.base.words import MM_PER, length
from analysis.decision.decide import Decision
from analysis.decision.recheck import Again, RockerRatio, recheck, rocker_ratio
from analysis.decision.verdict import overall
from analysis.lobe.result_json import identity_json, quantity_json
from analysis.lobe.rocker import lash_of
from analysis.report.recheck_table import recheck_table

COMPARE_SCHEMA = "urn:lobetrace:compare:1"
_EXIT = {"within": 0, "outside": 1}


def run(before: Path, after: Path, advanced: float | None, as_json: bool) -> int:
    """Compare two jobs; 0 if the second agrees with what the first predicts, else 1. Rocker ratios are only shown."""
    first, second = decided(before), decided(after)
    if first.job.engine != second.job.engine:
        names = " and ".join(f"{path} ({each.job.engine.name})" for path, each in ((before, first), (after, second)))
        say.person(f"! {names} do not describe the same engine: what follows means something only if they are one.")
    if first.job.rig.indicator_at != second.job.rig.indicator_at:
        _ratios(first, second, as_json)
        return 0
    change = _change(first, advanced)
    found = recheck(first.measured, second.measured, change)
    verdict = overall(each.verdict for each in found)
    if as_json:
        lines = [_json(each) for each in found]
        say.result_json({**_head(first, second), "advanced_deg": change, "verdict": verdict, "lines": lines})
    else:
        turned = " and ".join(f"the {valve} {_turned(deg)}" for valve, deg in change.items())
        say.result(f"Predicted from {before} with {turned}, measured again in {after}:")
        say.result("\n".join(recheck_table(found, first.job.measure.units)))
        agree = sum(each.verdict == "within" for each in found)
        say.result(f"{agree} of {len(found)} agree within the expanded uncertainty of the difference; * marks the others")
    return _EXIT[verdict]


def _head(before: Decision, after: Decision) -> dict[str, Any]:
    """What the JSON begins with: its schema (analysis/compare.schema.json), and who measured both jobs."""
    told = {
        name: [identity_json(used.header) for used in each.measured.captures if used.header is not None]
        for name, each in (("before", before), ("after", after))
    }
    return {**head(COMPARE_SCHEMA), "captures": told}


def _change(first: Decision, advanced: float | None) -> Mapping[str, float]:
    """By how much each lobe was advanced: as said, or else as the first job's own correction asks for."""
    if advanced is not None:
        return {"intake": advanced, "exhaust": advanced}
    return {valve: first.correction.advance_of(valve) if first.correction else 0.0 for valve in ("intake", "exhaust")}


def _turned(deg: float) -> str:
    """ "advanced by 3 crank degrees"; "as it stood"."""
    return f"{'advanced' if deg > 0 else 'retarded'} by {abs(deg):g} crank degrees" if deg else "as it stood"


def _json(again: Again) -> dict[str, Any]:
    return {
        "name": again.name,
        "before": quantity_json(again.before),
        "predicted": again.predicted,
        "after": quantity_json(again.after),
        "difference": {"value": again.difference, "u95": again.u95},
        "verdict": again.verdict,
    }


def _ratios(first: Decision, second: Decision, as_json: bool) -> None:
    """The rocker ratio over lift, of every lobe that was swept at the lifter and at the valve."""
    lifter, valve = (first, second) if first.job.rig.indicator_at == "lobe" else (second, first)
    rig, units = valve.job.rig, first.job.measure.units
    both = [(lobe, other) for lobe in lifter.measured.lobes if (other := valve.measured.lobe(lobe.valve))]
    if not both:
        raise DataError("the two measurements have no lobe in common", do="Sweep the same valve at the lifter and at the valve")
    found = {lobe.valve: rocker_ratio(lobe, other, lash_of(rig)) for lobe, other in both}
    if as_json:
        say.result_json({**_head(first, second), "rocker_ratio": {name: _ratio_json(ratio) for name, ratio in found.items()}})
        return
    for name, ratio in found.items():
        full = ratio.at_full_lift
        say.result(
            f"Rocker ratio of the {name}: {full.value:.4f} +/-{full.u95:.4f} at full lift, {length(rig.lash_mm, units)} {units} of "
            "lash put back"
        )
        say.result(f"{f'lobe lift, {units}':>16}{'ratio':>10} +/-")
        for lift, each, u95 in zip(ratio.lobe_mm / MM_PER[units], ratio.ratio, ratio.u95, strict=True):
            say.result(f"{lift:>16.{2 if units == 'mm' else 3}f}{each:>10.4f} {u95:.4f}")


def _ratio_json(ratio: RockerRatio) -> dict[str, Any]:
    full = ratio.at_full_lift
    return {
        "lobe_mm": ratio.lobe_mm.tolist(),
        "ratio": ratio.ratio.tolist(),
        "u95": ratio.u95.tolist(),
        "at_full_lift": quantity_json(full),
    }
