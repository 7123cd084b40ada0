"""The likely cause of what does not fit, from the numbers themselves, with its evidence.

Every suspect (decision/suspects.py) predicts what is left between card and measurement if it is the cause. Its probability
follows from the density of that remainder under the scatter of a good camshaft and the measurement's own covariance
(decision/spread.py), summed over its free parameter: a cause with freedom to fit anything pays for it by itself (Bayes factors:
Kass & Raftery, J. Am. Statist. Assoc. 90 (1995) 773; from memory). No threshold decides.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from analysis.base.finding import NOTE, Finding
from analysis.base.quantity import Quantity
from analysis.base.samples import Floats
from analysis.base.words import MM_PER, Units
from analysis.decision.alike import likes
from analysis.decision.card import VALVES, Asked, card
from analysis.decision.flanks import Flanks, flanks_of
from analysis.decision.parity import different_turns
from analysis.decision.reinterpret import values
from analysis.decision.spread import FOREIGN, Density, by_phase, loadings, scatter, tolerated
from analysis.decision.suspect import Case, Scene, Suspect
from analysis.decision.suspects import PHASE_DEG, suspects
from analysis.job import Job
from analysis.lobe.result import Measurement

LEAST_PROBABILITY = 0.05
# How often a second slip goes with a first one: a camshaft out of phase besides.
_BESIDES = 0.05
INNOCENT = "as-specified"
# Where lobes stand if no card says so, to tell a wrong valve from a wrong dead center (common practice).
COMMON = (Asked("centerline", "intake", 108.0, 8.0), Asked("centerline", "exhaust", -112.0, 8.0))


@dataclass(frozen=True)
class _Judged:
    """A suspect with its log evidence, the case that fits best, what that leaves of each line, and the phase taken off besides."""

    suspect: Suspect
    evidence: float
    estimate: float
    left: Floats
    late: float | None = None


def findings(job: Job, measured: Measurement) -> tuple[Finding, ...]:
    """The likely causes, the likeliest first; none if card and measurement agree, or if there is no card to hold them to."""
    scene = Scene(job, card(job), tuple(flanks_of(lobe) for lobe in measured.lobes))
    if scene.misplaced and not scene.card:
        scene = replace(scene, card=COMMON)
    turns = () if scene.misplaced else different_turns(measured)
    if not scene.card or not scene.lobes:
        return turns
    judged = _judge(scene, [found.quantity for found in likes(scene.card, job, measured)])
    total = float(np.logaddexp.reduce([j.evidence for j in judged]))
    before = values(scene.card, scene.lobes, scene.plain) - _asked(scene.card)
    ranked = sorted(_merged(judged, total), key=lambda each: -each[1])
    causes = [
        Finding(
            j.suspect.code, NOTE, _evidence(scene, before, j), _text(j), touches=frozenset(j.suspect.about), estimate=_estimate(j)
        )
        for j, p in ranked
        if p >= LEAST_PROBABILITY and j.suspect.code != INNOCENT
    ]
    return (*turns, *causes)


def _judge(scene: Scene, quantities: Sequence[Quantity | None]) -> list[_Judged]:
    plain = scatter(scene.card, quantities, tolerated(scene.job.specification.tolerance))
    late = np.array([by_phase(a) for a in scene.card])
    innocent, besides = Density(scene.card, plain), Density(scene.card, plain + PHASE_DEG**2 * np.outer(late, late))
    found = []
    seen: dict[tuple[int, int], Floats] = {}
    for suspect in suspects(scene):
        left = np.array([_shown(c, scene, seen) - _asked(c.card) - c.shift for c in suspect.cases])
        if np.isnan(left).all():
            continue
        others = _with_others(scene, plain, suspect, innocent)
        found.append(_weighed(suspect, left, others))
        if suspect.with_phase:
            both = _weighed(suspect, left, _with_others(scene, besides.scale, suspect, besides))
            shift = _phase_of(both.left, others.scale, late)
            found.append(_Judged(suspect, both.evidence + np.log(_BESIDES), both.estimate, both.left - shift * late, shift))
    return found


def _shown(case: Case, scene: Scene, seen: dict[tuple[int, int], Floats]) -> Floats:
    """What the sweeps say in a case. Cases that share a reading and a card (by identity: the suspects keep them) share it."""
    key = id(case.reading), id(case.card)
    if key not in seen:
        seen[key] = values(case.card, scene.lobes, case.reading)
    return seen[key]


def _with_others(scene: Scene, scale: Floats, suspect: Suspect, plain: Density) -> Density:
    """The density if the lobes of some valves may be any others."""
    if not suspect.foreign:
        return plain
    any_lobe = loadings(scene.card, FOREIGN, suspect.foreign)
    return Density(scene.card, scale + any_lobe @ any_lobe.T)


def _asked(lines: Sequence[Asked]) -> Floats:
    return np.array([a.value for a in lines])


def _weighed(suspect: Suspect, left: Floats, density: Density) -> _Judged:
    log = density(left) + np.log(suspect.weight / suspect.weight.sum() + 1e-300)
    evidence = float(np.logaddexp.reduce(log))
    best = int(np.argmax(log))
    parameter = suspect.parameter
    near = np.abs(parameter - parameter[best]) <= 0.02 * np.ptp(parameter)
    mean = float(np.average(parameter[near], weights=np.exp(log[near] - log[best])))
    return _Judged(suspect, evidence + float(np.log(suspect.prior)), mean, left[best])


def _phase_of(left: Floats, scale: Floats, late: Floats) -> float:
    """The phase that the remainder shows, by generalized least squares."""
    read = ~np.isnan(left) & (late != 0)
    if not read.any():
        return 0.0
    pull = np.linalg.solve(scale[np.ix_(read, read)], late[read])
    return float(pull @ left[read] / (pull @ late[read]))


def _merged(judged: Sequence[_Judged], total: float) -> list[tuple[_Judged, float]]:
    """Variants of one cause about the same valves count together, and the likeliest of them speaks for all."""
    groups: dict[tuple[str, tuple[str, ...]], list[_Judged]] = {}
    for each in judged:
        groups.setdefault((each.suspect.code, each.suspect.about), []).append(each)
    return [
        (max(group, key=lambda j: j.evidence), float(np.exp(np.logaddexp.reduce([j.evidence for j in group]) - total)))
        for group in groups.values()
    ]


def _estimate(judged: _Judged) -> float | None:
    return judged.estimate if len(judged.suspect.cases) > 1 else None


def _text(judged: _Judged) -> str:
    said = judged.suspect.say(judged.estimate)
    if judged.late is None:
        return said
    side = "late" if judged.late > 0 else "early"
    return f"{said} Besides, the camshaft stands {abs(judged.late):.1f} crank degrees {side}."


def _evidence(scene: Scene, before: Floats, judged: _Judged) -> str:
    """The worst line as the job stands, and what is left if the cause is taken for true."""
    asked, units = scene.card, scene.job.measure.units
    outside = int(np.sum([abs(b) > a.tolerance for a, b in zip(asked, before, strict=True) if not np.isnan(b)]))
    unread, worst = int(np.isnan(before).sum()), _worst(asked, before)
    parts = [_misplaced(lobe) for lobe in scene.lobes if lobe.stood_on in VALVES and lobe.stood_on != lobe.shown]
    if outside and worst is not None:
        parts.append(
            f"As the job stands {outside} of {len(asked)} lines of the card are off by more than their tolerance, "
            f"{name(asked[worst], units)} the most, by {_amount(asked[worst], before[worst], units)}."
        )
    if unread:
        parts.append(f"{unread} of {len(asked)} lines cannot be read.")
    left = _worst(asked, judged.left)
    if judged.suspect.foreign:
        parts.append("Nothing simpler brings them together.")
    elif left is not None:
        rest = _amount(asked[left], judged.left[left], units)
        parts.append(f"With this cause the worst that is left is {name(asked[left], units)}, by {rest}.")
    return " ".join(parts)


def _misplaced(lobe: Flanks) -> str:
    peak = float(lobe.opens[-1])
    side = "after" if peak > 0 else "before"
    return f"The sweep said to be of the {lobe.stood_on} peaks {abs(peak):.0f} degrees {side} overlap TDC, like an {lobe.shown} lobe."


def _worst(asked: Sequence[Asked], off: Floats) -> int | None:
    share = np.abs(off) / np.array([a.tolerance for a in asked])
    return None if np.isnan(share).all() else int(np.nanargmax(share))


def _amount(asked: Asked, off: float, units: Units) -> str:
    if asked.is_length:
        return f"{off / MM_PER[units]:+.{2 if units == 'mm' else 3}f} {units}"
    return f"{off:+.1f} degrees"


def name(asked: Asked, units: Units) -> str:
    """A line of the card in words: "intake closing at 1.27 mm (lobe)"."""
    if not asked.valve:
        return f"the {asked.kind}"
    if not asked.lift_mm:
        return f"{asked.valve} {asked.kind}"
    word = {"opens": "opening", "closes": "closing"}.get(asked.kind, asked.kind)
    return f"{asked.valve} {word} at {round(asked.lift_mm / MM_PER[units], 4):g} {units} ({asked.at})"
