"""Rules about a sweep: what its encoder and its indicator show before any curve is drawn."""

from __future__ import annotations

import math
from collections.abc import Iterator
from itertools import combinations
from pathlib import PurePath

from analysis.base.finding import DOUBT, NOTE, REFUSAL
from analysis.base.words import length
from analysis.crank.lag import stated_lag
from analysis.curve.lift_curve import Curve
from analysis.curve.sweep import Sweep, Swept
from analysis.diagnosis.rule import Seen, rule
from analysis.job import Job, Rig
from analysis.lobe.at_rest import stands_that_sank
from analysis.lobe.result import Lobe, Refused

RUNOUT_MM = 0.03
# Checking lifts below so many times the runout are taken by it further than an event may be off.
RUNOUT_TIMES = 10.0
# A lag that is negative, or beyond its bound, by less than this (s) may be the clock's.
LEAST_LEAD_S = 0.01
# A lag so many times its bound is no matter of a wrong bound.
FAR_BEYOND = 1.5
# So small a share of outliers is nobody's fault (common practice).
USUAL_SPIKES = 1e-3
# Two lags of one indicator differ by no more standard uncertainties; its noise by no more than this ratio.
LAGS_U, NOISIER = 5.0, 4.0
# Sweeps of one lobe that nothing came between stand this near to each other (deg).
APART_DEG = 0.5


@rule("counts-lost", NOTE, "{valve}")
def counts_lost(swept: Swept) -> Iterator[Seen]:
    """Turns of the encoder that do not have as many counts as they should."""
    per_count = 360.0 / swept.sweep.cpr
    for slip in swept.count_errors:
        yield Seen(
            f"Between the index pulses at counts {slip.after} and {slip.before} the count is off by {slip.counts:+d} "
            f"({slip.counts * per_count:+.2f} degrees).",
            "Counts were lost or the coupling slipped. Readings between them were rejected; later readings were corrected.",
            "Check the encoder's cable and coupling.",
        )


@rule("bleed-down", DOUBT, "{valve}", explains=("foot-corner", "passes-apart", "zero-drift"))
def bleed_down(swept: Swept) -> Seen | None:
    """A lift that falls while the crank stands still."""
    falls = stands_that_sank(swept)
    if not falls:
        return None
    return Seen(
        f"The lift fell by {falls[0].fall_mm:.2f} mm in {falls[0].seconds:.1f} s while the crank stood still ({len(falls)} "
        f"such {'pause' if len(falls) == 1 else 'pauses'}).",
        "A hydraulic lifter bleeds down, so its lifts read too low.",
        "Use a solid checking lifter, or sweep without stopping.",
    )


@rule("spikes", NOTE, "{valve}")
def spikes(swept: Swept) -> Seen | None:
    """Outliers."""
    count = int((~swept.good).sum())
    if count <= USUAL_SPIKES * swept.good.size:
        return None
    return Seen(
        f"{count} of {swept.good.size} readings were outliers and were rejected.",
        "So many point to a loose cable or a dirty scale.",
    )


@rule("sign-flipped", NOTE, "{valve}")
def sign_flipped(swept: Swept) -> Seen | None:
    """An indicator that counts the other way."""
    if not swept.flipped:
        return None
    return Seen(
        "The reading falls as the valve opens, so its sign was reversed.",
        do="Write indicator_sign = -1 in job.toml if the indicator is mounted that way.",
    )


@rule("coarse-codes", NOTE, "{valve}")
def coarse_codes(swept: Swept, valve: str) -> Seen | None:
    """An indicator that resolves less than its digits, or than the board was told."""
    sweep = swept.sweep
    if sweep.codes_apart == 1:
        return None
    said = sweep.header.board.steps_mm[sweep.channel]
    return Seen(
        f"The readings of the {valve} valve come in steps of {sweep.step_mm:g} mm, and the board says {said:g} mm; the larger "
        "was used.",
        "The indicator resolves less than its digits show, or the board was set for another one.",
        "If lifts look wrong, check the step that the board is set to.",
    )


@rule("sweeps-apart", DOUBT, "*")
def sweeps_apart(seen: tuple[Swept, ...], job: Job) -> Seen | None:
    """A valve that was swept before, and whose lobe stood elsewhere then."""
    late = {valve: deg for valve in ("intake", "exhaust") if (deg := _later(seen, valve)) is not None}
    far = {valve: deg for valve, deg in late.items() if abs(deg) > APART_DEG}
    if not far:
        return None
    told = " and ".join(
        f"the {valve} lobe stands {abs(deg):.2f} degrees {'later' if deg > 0 else 'earlier'}" for valve, deg in far.items()
    )
    valves = {swept.valve for swept in seen}
    alike = set(late) == valves and max(late.values()) - min(late.values()) < APART_DEG
    if alike or job.timing_set.camshafts > 1:
        return Seen(
            f"In its last sweep {told} than in the one before.",
            "The camshaft was moved in between. If it was not, the encoder's clamp or coupling slipped, and TDC must be found again.",
            weight=NOTE,
        )
    return Seen(
        f"In its last sweep {told} than in the one before, and the other lobe of this camshaft did not move with it.",
        "The camshaft was moved and only one valve swept again, or the encoder's clamp or coupling slipped between the sweeps.",
        "Find TDC again and sweep both valves; take what does not count any more out of captures/.",
    )


def _later(seen: tuple[Swept, ...], valve: str) -> float | None:
    """By how many degrees the last sweep of a valve has its lobe later than the one before; None if it was swept once."""
    mine = [swept.curve for swept in seen if swept.valve == swept.sweep.stood_on == valve]
    return _half_height(mine[-1]) - _half_height(mine[-2]) if len(mine) > 1 else None


def _half_height(curve: Curve) -> float:
    """Middle between the flanks at half of the peak's lift, crank degrees: steep there, and off whatever the foot suffers from."""
    found = curve.spline.crossings(float(curve.pooled.lift_mm.max()) / 2)
    return float(found[0] + found[-1]) / 2


@rule("lags-apart", DOUBT, "intake.lag", "exhaust.lag", "intake.events", "exhaust.events")
def lags_apart(seen: tuple[Swept, ...]) -> Seen | None:
    """One indicator that lags otherwise in another sweep."""
    for first, second in combinations(seen, 2):
        a, b = first.curve.lag, second.curve.lag
        if _one_gauge(first, second) and abs(a.seconds - b.seconds) > max(LEAST_LEAD_S, LAGS_U * math.hypot(a.u, b.u)):
            return Seen(
                f"The indicator lags by {a.seconds * 1e3:.0f} ms in the sweep of the {first.valve} valve and by "
                f"{b.seconds * 1e3:.0f} ms in that of the {second.valve} valve.",
                "One indicator has one lag: it was set otherwise in between, or a lift that sinks, sticks or is turned "
                "unevenly passes for a lag.",
                "Sweep both valves again with the same setting, some passes slower and some faster.",
            )
    return None


@rule("noise-apart", NOTE)
def noise_apart(seen: tuple[Swept, ...]) -> Seen | None:
    """One indicator that is much noisier in another sweep."""
    for first, second in combinations(seen, 2):
        quiet, loud = sorted((first, second), key=lambda swept: swept.curve.noise_mm)
        if _one_gauge(first, second) and loud.curve.noise_mm > NOISIER * max(quiet.curve.noise_mm, quiet.sweep.step_mm / 2):
            return Seen(
                f"The readings of the {loud.valve} valve scatter by {loud.curve.noise_mm:.3f} mm, those of the {quiet.valve} "
                f"valve by {quiet.curve.noise_mm:.3f} mm, with one indicator.",
                "Its stand or its tip was looser in that sweep, or its cable picks up noise there.",
                "Tighten the stand and sweep that valve again.",
            )
    return None


def _one_gauge(a: Swept, b: Swept) -> bool:
    """Whether two sweeps were read by one indicator, as far as the board tells."""
    return (a.sweep.header.board.name, a.sweep.channel) == (b.sweep.header.board.name, b.sweep.channel)


@rule("runout", DOUBT)
def runout(swept: Swept) -> Seen | None:
    """A base circle that is no circle."""
    base = swept.curve.base
    if base.runout_mm <= max(RUNOUT_MM, 3 * swept.sweep.step_mm):
        return None
    lift = RUNOUT_TIMES * base.runout_mm
    return Seen(
        f"Base-circle runout is {length(base.runout_mm, 'mm')} mm TIR: events at checking lifts below {lift:.2f} mm are "
        "unreliable.",
        "The camshaft is bent, its journals are worn, or the indicator's stand moves.",
        "Check the journals and the indicator's stand.",
        touches=(f"{{valve}}.events@<{lift:.4f}",),
    )


@rule("lag-impossible", DOUBT, "{valve}")
def lag_impossible(swept: Swept, valve: str) -> Seen | None:
    """A reading that leads the plunger."""
    lag = swept.curve.lag
    if lag.seconds >= -max(LEAST_LEAD_S, 4 * lag.u):
        return None
    return Seen(
        f"The readings of the {valve} valve come {-lag.seconds * 1e3:.0f} ms before the plunger moves, which no indicator does.",
        "The board's clock or the age of its readings is wrong, the engine was turned against its direction of rotation, or the lift "
        "depends on time in another way.",
        "Check the board, and the direction in job.toml, and sweep again at an even speed.",
    )


@rule("lag-beyond-bound", NOTE, "{valve}.lag", explains=("encoder-loose", "passes-apart", "lags-apart", "bleed-down"))
def lag_beyond_bound(rig: Rig, swept: Swept, valve: str) -> Seen | None:
    """A lag that the job says cannot be. Far beyond it, the speed of a hand is not even enough to take it out."""
    far = swept.curve.lag.seconds > FAR_BEYOND * rig.indicator_latency_ms * 1e-3
    lag, bound = swept.curve.lag, rig.indicator_latency_ms * 1e-3
    if lag.seconds <= bound + max(LEAST_LEAD_S, 4 * lag.u):
        return None
    return Seen(
        f"The indicator on the {valve} valve lags by {lag.seconds * 1e3:.0f} ms, and job.toml says at most {bound * 1e3:.0f} ms.",
        "The indicator is slower than was thought. The lag that was found was taken out.",
        "Use an indicator that answers faster, or turn much slower and correct indicator_latency_ms in job.toml."
        if far
        else "Correct indicator_latency_ms in job.toml.",
        weight=DOUBT if far else NOTE,
        touches=(valve,) if far else None,
    )


@rule("latency-unknown", NOTE, "{valve}.lag")
def lag_unknown(rig: Rig, swept: Swept) -> Seen | None:
    """A sweep turned too evenly to show the indicator's lag."""
    if not swept.curve.lag.u >= 0.9 * stated_lag(rig).u > 0.0:
        return None
    return Seen(
        "The turning speed varied too little to measure the indicator's lag, so the limit in job.toml was used.",
        do="Turn some passes slower and some faster.",
    )


@rule("lift-hidden", NOTE, "{valve}.events")
def lift_hidden(job: Job, lobe: Lobe) -> Iterator[Seen]:
    """Checking lifts at which the valve has not moved yet."""
    at, lash = job.measure.checking_at, job.rig.lash_mm
    for lift in lobe.hidden_mm:
        yield Seen(
            f"The {lobe.swept.valve} checking lift of {lift:g} mm at the {at} is hidden by the lash of {lash:g} mm.",
            "The valve has not moved yet at that lift.",
            "Choose a higher checking lift, or measure at the lobe.",
        )


@rule("sweep-not-used", NOTE)
def sweep_not_used(unused: Sweep) -> Seen:
    """A sweep without forward motion."""
    return Seen(
        f"{PurePath(unused.capture.path).name or 'A capture'}: the crank stood still or was turned backward only, so it says nothing "
        f"about the {unused.stood_on} lobe.",
        do="Sweep it again in the direction of rotation.",
    )


@rule("not-measured", REFUSAL)
def not_measured(refused: Refused) -> Seen:
    """A lobe that was swept and has no number."""
    error = refused.error
    where = f" ({PurePath(error.where).name})" if error.where else ""
    return Seen(
        f"The {refused.valve} lobe was not measured{where}: {error.what}.",
        do=f"{error.do.removesuffix('.')}." if error.do else "",
        touches=(refused.valve,),
    )
