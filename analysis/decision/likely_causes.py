"""The likely causes of what does not fit the cam card: findings that need the card (the table: decision/cause_table.py)."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from analysis.base.finding import DOUBT, NOTE, Finding
from analysis.base.samples import Floats
from analysis.base.words import MM_PER, Units, sentence_in
from analysis.decision.card import VALVES, Asked, card
from analysis.decision.cause import Fit, Scene
from analysis.decision.cause_fit import asked, likely, yardstick
from analysis.decision.cause_table import MISPLACED, PLACED, SPECIFIED, stands
from analysis.decision.comparable import comparables
from analysis.decision.flanks import Flanks, flanks_of
from analysis.decision.reinterpret import values
from analysis.job import Job
from analysis.lobe.result import Measurement
from analysis.tdc.carrying import same_count

# Where lobes stand if no card says so, to tell a wrong valve from a wrong dead center (common practice).
COMMON = (Asked("centerline", "intake", 108.0, 8.0), Asked("centerline", "exhaust", -112.0, 8.0))


@dataclass(frozen=True)
class Causes:
    """The likely causes, the likeliest first, and whether the camshaft stands early or late in every one of them."""

    findings: tuple[Finding, ...] = ()
    turn: bool = True


def causes_of(job: Job, found: Measurement) -> Causes:
    """The likely causes of what does not fit; none if card and measurement agree, or if there is no card to hold them to."""
    scene = Scene(job, card(job), tuple(flanks_of(lobe) for lobe in found.lobes))
    if scene.misplaced and not scene.card:
        scene = replace(scene, card=COMMON)
    turns = () if scene.misplaced else different_turns(found)
    if not scene.card or not scene.lobes:
        return Causes(turns, not turns)
    table = MISPLACED if scene.misplaced else (SPECIFIED, *PLACED)
    sticks = yardstick(scene.card, [each.quantity for each in comparables(scene.card, job, found)])
    fits = likely(scene, table, SPECIFIED, sticks)
    before = values(scene.card, scene.lobes, scene.plain) - asked(scene.card)
    findings = tuple(_finding(scene, before, fit) for fit in fits)
    return Causes((*turns, *findings), not turns and all(fit.shift for fit in fits))


def _finding(scene: Scene, before: Floats, fit: Fit) -> Finding:
    code, said, do = fit.cause.code, sentence_in(fit.otherwise.say(fit.value), scene.job.measure.units), fit.cause.do
    estimate = None if fit.otherwise.between is None else fit.value
    if fit.shift is not None:
        phase = stands(scene, fit.shift, fit.late)
        if fit.cause is SPECIFIED:
            code, said, estimate = phase.code, phase.words, fit.late
        else:
            said = f"{said} Besides, {phase.words[0].lower()}{phase.words[1:]}"
    return Finding(code, NOTE, _evidence(scene, before, fit), said, do, frozenset(fit.about), estimate)


def different_turns(found: Measurement) -> tuple[Finding, ...]:
    """A finding if the overlap TDC of the two lobes lies an odd number of crank turns apart.

    The crank alone cannot tell overlap TDC from firing TDC; two sweeps of one count can tell whether both lobes mean the same one.
    """
    intake, exhaust = found.lobe("intake"), found.lobe("exhaust")
    if intake is None or exhaust is None or not same_count(intake.swept.sweep.header, exhaust.swept.sweep.header):
        return ()
    counts = intake.swept.overlap_tdc - exhaust.swept.overlap_tdc
    if round(counts / intake.swept.sweep.cpr) % 2 == 0:
        return ()
    return (
        Finding(
            "camshaft-half-turn",
            DOUBT,
            "The intake lobe has its overlap at one top dead center and the exhaust lobe at the next: there is no overlap at all.",
            "One camshaft stands 180 cam degrees (a whole turn of the crank) out against the other, or the count was reset "
            "between the two sweeps.",
            "Check the timing marks, and sweep both valves without resetting the count.",
            frozenset({"*"}),
        ),
    )


def _evidence(scene: Scene, before: Floats, fit: Fit) -> str:
    """The worst line as the job stands, and what is left if the cause is taken for true."""
    lines, units = scene.card, scene.job.measure.units
    outside = sum(abs(b) > a.tolerance for a, b in zip(lines, before, strict=True) if not np.isnan(b))
    unread, worst = int(np.isnan(before).sum()), _worst(lines, before)
    parts = [_misplaced(lobe) for lobe in scene.lobes if lobe.stood_on in VALVES and lobe.stood_on != lobe.shown]
    if outside and worst is not None:
        parts.append(
            f"As the job stands {outside} of {len(lines)} lines of the cam card are off by more than their tolerance, "
            f"{name(lines[worst], units)} the most, by {_amount(lines[worst], before[worst], units)}."
        )
    if unread:
        parts.append(f"{unread} of {len(lines)} lines cannot be read.")
    left = _worst(lines, fit.left)
    if fit.otherwise.open_ended:
        parts.append("No single mistake that was tried explains the lines better.")
    elif left is not None:
        rest = _amount(lines[left], fit.left[left], units)
        parts.append(f"With this cause the worst that is left is {name(lines[left], units)}, by {rest}.")
    return " ".join(parts)


def _misplaced(lobe: Flanks) -> str:
    peak = float(lobe.opens[-1])
    side = "after" if peak > 0 else "before"
    return (
        f"The sweep recorded as the {lobe.stood_on} peaks {abs(peak):.0f} degrees {side} overlap TDC, like an {lobe.shown} lobe."
    )


def _worst(lines: Sequence[Asked], off: Floats) -> int | None:
    share = np.abs(off) / np.array([a.tolerance for a in lines])
    return None if np.isnan(share).all() else int(np.nanargmax(share))


def _amount(asked: Asked, off: float, units: Units) -> str:
    if asked.is_length:
        return f"{off / MM_PER[units]:+.{2 if units == 'mm' else 3}f} {units}"
    return f"{off:+.1f} degrees"


def name(asked: Asked, units: Units) -> str:
    """A line of the card in words: "intake closing at 1.27 mm (lobe)"."""
    if not asked.valve:
        return "the lobe separation angle" if asked.kind == "separation" else f"the {asked.kind}"
    if not asked.lift_mm:
        return f"{asked.valve} {asked.kind}"
    word = {"opens": "opening", "closes": "closing"}.get(asked.kind, asked.kind)
    return f"{asked.valve} {word} at {round(asked.lift_mm / MM_PER[units], 4):g} {units} ({asked.at})"
