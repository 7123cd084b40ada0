"""Rules about top dead center: the contacts with the piston stop, the piston's travel, and the count on its way to the sweep."""

from __future__ import annotations

from dataclasses import replace

from analysis.base.finding import DOUBT, NOTE
from analysis.base.quantity import Quantity, linear_combination
from analysis.base.samples import Capture
from analysis.base.words import Units
from analysis.diagnosis.rule import Seen, rule
from analysis.job import Job
from analysis.lobe.result import Measurement
from analysis.tdc.slider_crank import slider_crank
from analysis.tdc.stop import USUAL_ARC_DEG, StopContacts, TdcFound

FEW_CONTACTS = 2
# The contacts of one side of a sound stop lie within this (common practice: half a degree).
WIDE_CONTACTS_DEG = 0.5
# No hand turns back by itself at one distance (deg) from the stop on both of its sides.
ALIKE_DEG = 1.0
# How far a stop's depth may lie from what the job gives: rulers, the give of the stop, a piston that rocks (common practice).
DEPTH_MM, DEPTH_SHARE = 1.0, 0.1


@rule("stop-not-met", DOUBT, "tdc")
def not_met(stop: TdcFound) -> Seen | None:
    """One side on which the crank was turned back as by a hand, while it met something hard on the other."""
    if stop.contacts is None or stop.contacts.low.met == stop.contacts.high.met:
        return None
    word = "falls" if stop.contacts.high.met else "grows"
    return Seen(
        f"Where the count {word} the crank slowed down and was turned back by hand; on the other side it stopped dead.",
        "It was turned back at a mark, or before it came to the stop, so that this was not at the stop.",
        "Turn to the piston stop on both sides, find TDC again, and sweep again.",
    )


@rule("stop-arc", DOUBT, "tdc")
def unusual_arc(stop: TdcFound, job: Job, units: Units) -> Seen | None:
    """An arc around the top that usual stops do not make, or not the one whose depth the job gives."""
    least, most = USUAL_ARC_DEG
    engine, given = job.engine, job.rig.stop_depth_mm
    crank = slider_crank(engine.stroke_mm, engine.rod_mm, engine.pin_offset_mm)
    depth = float(crank.travel(crank.tdc_deg + stop.unswept_deg / 2))
    cause = "One of the sides was not met at the stop, the stop gave way, or it does not stand where it was meant to."
    do = "Check the stop, and find TDC again."
    if given is not None and abs(depth - given) > max(DEPTH_MM, DEPTH_SHARE * given):
        return Seen(
            f"An arc of {stop.unswept_deg:.1f} degrees around the top was not swept: the piston met the stop "
            f"{depth:.2f} mm below its top, and job.toml gives a stop depth of {given:g} mm.",
            cause,
            f"{do} If the stop was set differently, correct stop_depth_{units}.",
        )
    if given is None and not least <= stop.unswept_deg <= most:
        return Seen(
            f"An arc of {stop.unswept_deg:.0f} degrees around the top was not swept, as by a stop that the piston meets "
            f"{depth:.2f} mm below its top; usual stops leave {least:.0f} to {most:.0f} degrees.",
            cause,
            f"{do} If the stop is like that, write its depth as stop_depth_{units} in job.toml.",
        )
    return None


@rule("few-touches", NOTE, "tdc")
def few_contacts(stop: TdcFound) -> Seen | None:
    """Too few contacts to show that they repeat."""
    if min(stop.contact_counts) >= FEW_CONTACTS:
        return None
    return Seen(
        f"The stop made {stop.contact_counts[0]} and {stop.contact_counts[1]} contacts on its two sides.",
        "One contact cannot show whether it repeats.",
        "Touch each side at least twice; three times is better.",
        weight=DOUBT if max(stop.contact_counts) < FEW_CONTACTS else NOTE,
    )


@rule("turned-back-elsewhere", NOTE, "tdc")
def left_out(stop: TdcFound) -> Seen | None:
    """Turning points that were not taken for contacts. Where both sides have them at one distance, or the crank went beyond what it
    had met, it was the count or the stop that moved.
    """
    if stop.contacts is None:
        return None
    low, high = (
        [abs(other - float(side.counts.mean())) * 360.0 / stop.cpr for other in side.left_out.tolist()]
        for side in (stop.contacts.low, stop.contacts.high)
    )
    if not low and not high:
        return None
    away = ", ".join(f"{deg:.0f}" for deg in (*low, *high))
    alike = any(abs(a - b) < ALIKE_DEG for a in low for b in high)
    if alike or stop.contacts.low.beyond or stop.contacts.high.beyond:
        return Seen(
            f"The crank was also stopped {away} degrees away from the contacts, "
            f"{'at one distance on both sides' if alike else 'once beyond them'}.",
            "The encoder's clamp or coupling slipped or the stop moved while TDC was looked for.",
            "Tighten the clamp, seat the stop, and find TDC again.",
            weight=DOUBT,
        )
    return Seen(
        f"The crank was also turned back {away} degrees away from the contacts; that was not counted as the stop.",
        do="Nothing need be done if it was turned back there by hand.",
    )


@rule("tdc-moved", DOUBT, "tdc")
def moved(checked_again: Quantity) -> Seen | None:
    """TDC that was elsewhere when it was found again after the sweeps."""
    if abs(checked_again.value) <= checked_again.u95:
        return None
    return Seen(
        f"TDC was found again after the sweeps, {abs(checked_again.value):.2f} +/-{checked_again.u95:.2f} degrees "
        f"{'later' if checked_again.value > 0 else 'earlier'} than before them.",
        "The encoder's clamp or coupling slipped, or counts were lost in between; nobody knows before or behind which sweep.",
        "Tighten the clamp, find TDC again, and sweep again.",
    )


@rule("tdc-held", NOTE, "tdc")
def held(checked_again: Quantity) -> Seen | None:
    """TDC that was found again where it had been."""
    if abs(checked_again.value) > checked_again.u95:
        return None
    return Seen(
        f"TDC was found again after the sweeps and agreed: the count moved by {checked_again.value:+.2f} "
        f"+/-{checked_again.u95:.2f} degrees."
    )


@rule("tdc-not-rechecked", NOTE, "tdc")
def not_rechecked(found: Measurement, captures: tuple[Capture, ...]) -> Seen | None:
    """Neither an index pulse nor a second look says that the count still means the same."""
    if found.evidence.checked_again is not None or all(c.index.crank.size for c in captures if c.header.step == "sweep"):
        return None
    return Seen(
        "TDC was not re-checked after the sweeps, and there is no index pulse to show that the encoder stayed in place.",
        do="Find TDC once more at the end, the same way and with the board still connected (in live: the key t).",
    )


@rule("touches-spread", DOUBT, "tdc")
def contacts_spread(stop: TdcFound) -> Seen | None:
    """Contacts of one side that do not repeat."""
    if stop.spread_deg <= WIDE_CONTACTS_DEG:
        return None
    trend = stop.contacts is not None and _one_way(stop.contacts)
    return Seen(
        f"The contacts on one side of the stop spread over {stop.spread_deg:.2f} degrees.",
        "They moved one way from contact to contact: the encoder's clamp or coupling slips, or the stop gives way."
        if trend
        else "The stop gives way, or the encoder's coupling slips.",
        "Seat the stop, tighten the clamp, bring the piston against the stop without force, and find TDC again.",
    )


def _one_way(contacts: StopContacts) -> bool:
    """Whether both sides moved the same way from contact to contact."""
    ways = [side.counts[-1] - side.counts[0] for side in (contacts.low, contacts.high)]
    return bool(min(ways) > 0 or max(ways) < 0)


@rule("tdc-disagrees", DOUBT, "tdc")
def disagree(stop: TdcFound, travel_too: TdcFound, forward: int) -> Seen | None:
    """A stop and the piston's travel by the same count that lie further apart than both are uncertain."""
    # At the contacts of the stop the encoder's error had another value than at TDC.
    at_top = replace(stop, cosine=travel_too.cosine).at_top(forward)
    apart = linear_combination((1.0, at_top), (-1.0, travel_too.count)) * (360.0 / stop.cpr)
    off = (apart.value + 180.0) % 360.0 - 180.0
    if abs(off) <= apart.u95:
        return None
    return Seen(
        f"TDC by the stop and TDC by the piston's travel lie {abs(off):.2f} degrees apart, more than their combined uncertainty of "
        f"{apart.u95:.2f}.",
        "The encoder moved in between, the stop gave way, or rod length, stroke or pin offset in job.toml is wrong.",
        "Find out which before anything is changed.",
    )


@rule("count-moved", NOTE, "tdc")
def count_moved(moved_deg: float) -> Seen | None:
    """A count that moved against the index pulse between TDC and a sweep, as the pulse shows."""
    if moved_deg == 0.0:
        return None
    return Seen(
        f"Between finding TDC and this sweep the count moved {moved_deg:.2f} degrees against the index pulse.",
        "Counts were lost or the encoder's coupling slipped. The index pulse was used to correct it.",
        "Tighten the coupling and find TDC again.",
    )
