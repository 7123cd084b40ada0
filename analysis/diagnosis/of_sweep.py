"""What a person must be told about a measurement: each caution names what was seen, its likely cause, and what to do."""

from __future__ import annotations

from dataclasses import replace
from pathlib import PurePath

from analysis.base.finding import Caution
from analysis.base.quantity import linear_combination
from analysis.base.samples import Capture
from analysis.crank.lag import stated_lag
from analysis.crank.segments import first_start
from analysis.curve.sweep import Swept
from analysis.diagnosis import named
from analysis.job import DurationSpec, Job, Rig
from analysis.lobe.at_rest import stands_that_sank
from analysis.lobe.result import Lobe, same_lift
from analysis.lobe.timing import centerline_disagreement
from analysis.tdc.stop import TdcFound

FEW_TOUCHES = 2
WIDE_TOUCHES_DEG = 0.5
RUNOUT_MM = 0.03
# The events that a maker gives belong to a curve whose centerline lies within this; exchanged readings are many times further
# off.
DISAGREE_DEG, FITS_DEG = 15.0, 8.0


def about_capture(capture: Capture) -> list[Caution]:
    """A capture that was cut short or altered, or whose board started again."""
    name = PurePath(capture.path).name or "a capture"
    found = []
    if not capture.complete:
        said = ". ".join(sentence.removesuffix(".") for sentence in capture.missing)
        text = f"{name}: {said}. What is there was used; record it again if a lobe is missing."
        found.append(Caution("capture-incomplete", text))
    rows, used = capture.samples.seq.size, first_start(capture).samples.seq.size
    if used < rows:
        text = (
            f"{name}: the board started again while it was recorded, and its count lost its zero: only the first {used} of {rows} "
            "rows were used. See to the board's supply and plug, find TDC again unless there is an index pulse, and record again."
        )
        found.append(Caution("started-again", text))
    return found


def about_tdc(tdc: TdcFound) -> list[Caution]:
    """A stop touched too seldom, or one that gave way."""
    found = []
    if tdc.method == "stop" and min(tdc.touches) < FEW_TOUCHES:
        text = (
            f"The stop was touched {tdc.touches[0]} and {tdc.touches[1]} times on its two sides: one touch cannot show whether it "
            "repeats. Touch each side at least twice, three times is better."
        )
        found.append(Caution("few-touches", text))
    if tdc.method == "stop" and tdc.spread_deg > WIDE_TOUCHES_DEG:
        text = (
            f"The touches of one side of the stop spread over {tdc.spread_deg:.2f} degrees: the stop gives way, or the encoder's "
            "coupling does. Seat the stop, turn against it without force, and find TDC again."
        )
        found.append(Caution("touches-spread", text))
    return found


def about_both_tdc(stop: TdcFound, travel: TdcFound, forward: int) -> list[Caution]:
    """A stop and the piston's travel that disagree by more than both are uncertain."""
    turn = stop.cpr
    # At the contacts of the stop the encoder's error had another value than at TDC.
    at_top = replace(stop, cosine=travel.cosine).at_top(forward)
    apart = linear_combination((1.0, at_top), (-1.0, travel.count)) * (360.0 / turn)
    off = (apart.value + 180.0) % 360.0 - 180.0
    if abs(off) <= apart.u95:
        return []
    text = (
        f"TDC by the stop and TDC by the piston's travel lie {abs(off):.2f} degrees apart, more than the {apart.u95:.2f} "
        "that both are uncertain by: the encoder moved in between, the stop gave way, or rod, stroke or pin offset in job.toml is "
        "wrong. Find out which before anything is changed."
    )
    return [Caution("tdc-disagrees", text)]


def about_carried_tdc(moved_deg: float) -> list[Caution]:
    """A count that moved against the index pulse between finding TDC and a sweep."""
    if moved_deg == 0.0:
        return []
    text = (
        f"Between finding TDC and this sweep the count moved {moved_deg:.2f} degrees against the index pulse: counts were lost or "
        "the encoder's coupling slipped. It was put right by the index pulse; fasten the coupling and find TDC again."
    )
    return [Caution("count-moved", text)]


def about_sweep(job: Job, lobe: Lobe) -> list[Caution]:
    """Everything that a sweep itself shows."""
    swept = lobe.swept
    return [
        *_about_valve(swept),
        *named(swept.valve, [*_about_counts(swept), *_about_indicator(job.rig, swept)]),
        *_about_hidden(job, lobe.hidden_mm),
        *_about_specified(job, lobe),
    ]


def _about_valve(swept: Swept) -> list[Caution]:
    said = swept.sweep.stood_on
    if said not in ("intake", "exhaust") or said == swept.valve:
        return []
    side = "after" if swept.peak_deg > 0 else "before"
    text = (
        f"This was to be the {said} lobe, but it peaks {abs(swept.peak_deg):.0f} degrees {side} overlap TDC like an {swept.valve} "
        "lobe: the indicator stands on the other valve, the engine was turned against its running direction, or TDC was taken "
        "half a turn off. Check which before anything is changed."
    )
    return [Caution("wrong-valve", text)]


def _about_counts(swept: Swept) -> list[Caution]:
    per_count = 360.0 / swept.sweep.cpr
    return [
        Caution(
            "counts-lost",
            f"Between the index pulses at counts {slip.after} and {slip.before} the count is off by {slip.counts:+d} "
            f"({slip.counts * per_count:+.2f} degrees): counts were lost or the coupling slipped. Readings between them were left "
            "out, those after them put right. Check the encoder's cable and coupling.",
        )
        for slip in swept.count_errors
    ]


def _about_indicator(rig: Rig, swept: Swept) -> list[Caution]:
    found = []
    step, base, latency = swept.sweep.step_mm, swept.curve.base, swept.curve.lag
    falls = stands_that_sank(swept)
    if falls:
        text = (
            f"The lift fell by {falls[0].fall_mm:.2f} mm in {falls[0].seconds:.1f} s while the crank stood still ({len(falls)} such "
            "stands): a hydraulic lifter bleeds down. Its lifts are too low; use a solid checking lifter, or sweep without stopping."
        )
        found.append(Caution("bleed-down", text))
    spikes = int((~swept.good).sum())
    if spikes:
        text = (
            f"{spikes} of {swept.good.size} readings stood apart from their neighbours and were left out. A few are usual; many "
            "point to a loose cable or a dirty scale."
        )
        found.append(Caution("spikes", text))
    if swept.flipped:
        text = (
            "The reading falls as the valve opens; it was turned round. Write indicator_sign = -1 in job.toml if the indicator is "
            "mounted so."
        )
        found.append(Caution("sign-flipped", text))
    if base.runout_mm > max(RUNOUT_MM, 3 * step):
        text = (
            f"The base circle runs out by {base.runout_mm:.3f} mm: events at lifts below ten times that are uncertain. Check the "
            "journals and the indicator's stand."
        )
        found.append(Caution("runout", text))
    if latency.u >= 0.9 * stated_lag(rig).u > 0.0:
        text = (
            "The speed of turning varied too little to tell the indicator's lag; its bound is in the uncertainty. Turn some passes "
            "slower and some faster."
        )
        found.append(Caution("latency-unknown", text))
    return found


def _about_hidden(job: Job, hidden_mm: tuple[float, ...]) -> list[Caution]:
    at, lash = job.measure.checking_at, job.rig.lash_mm
    return [
        Caution(
            "lift-hidden",
            f"The checking lift of {lift:g} mm at the {at} is hidden by the lash of {lash:g} mm: the valve has not moved yet. "
            "Choose a higher checking lift, or measure at the lobe.",
        )
        for lift in hidden_mm
    ]


def _about_specified(job: Job, lobe: Lobe) -> list[Caution]:
    """Whether the events that the maker gives can belong to this curve, or were noted the wrong way round."""
    intake = lobe.swept.valve == "intake"
    spec = job.specification.intake if intake else job.specification.exhaust
    rows: tuple[DurationSpec, ...] = spec.duration
    found = []
    for row in rows:
        if row.opens is None or row.closes is None:
            continue
        middle = _middle(lobe, row)
        # From the dead center that closing is counted half a turn after.
        shown = middle if intake else middle + 180.0
        before, after = (-row.opens, row.closes - 180.0) if intake else (-180.0 - row.opens, row.closes)
        off = centerline_disagreement(before, after, shown)
        exchanged = centerline_disagreement(after, before, shown)
        if abs(off) <= DISAGREE_DEG:
            continue
        side = "after" if off > 0 else "before"
        text = (
            f"The events given for the {lobe.swept.valve} at {row.lift_mm:g} mm put its centerline {abs(off):.1f} degrees "
            f"{side} where the lift curve has it."
        )
        if abs(exchanged) < FITS_DEG:
            text += f" Exchanged they fit within {abs(exchanged):.0f} degrees: they were probably noted the wrong way round."
        found.append(Caution("events-disagree", text))
    return found


def _middle(lobe: Lobe, row: DurationSpec) -> float:
    """Middle of the measured events at a row's lift, which an unsymmetrical lobe does not have at its peak; else the peak."""
    for event in lobe.events:
        if same_lift(event, row):
            return (event.opens.value + event.closes.value) / 2
    return lobe.centerlines.peak.value
