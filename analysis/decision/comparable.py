"""Like for like: what was measured, in the terms in which the card says it.

Lobe lift times rocker ratio is valve lift, less the lash that is in. A full lift at the valve is without lash, as cards give it.
What cannot be put into the card's terms is said to be so.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from analysis.base.errors import DataError
from analysis.base.quantity import Quantity
from analysis.base.words import length
from analysis.decision.card import EVENTS, Asked
from analysis.job import Job, Rig
from analysis.lobe.events import CLOSING, OPENING
from analysis.lobe.peak import peak_quantities
from analysis.lobe.result import Lobe, Measurement, is_hidden
from analysis.lobe.rocker import at_lobe, at_valve, lash_of, valve_and_lobe
from analysis.lobe.timing import duration

# Events by valve and the card's lift, or why there are none: read once for opening, closing and duration.
_Read = dict[tuple[str, str, float, float | None], dict[str, Quantity] | str]


@dataclass(frozen=True)
class Comparable:
    """The measured quantity in the card's terms, or None; and in words how it came about, or why there is none."""

    quantity: Quantity | None
    how: str = ""


def lobe_lift(asked: Asked, rig: Rig) -> Quantity:
    """The lobe lift (mm) at which an event of the card holds."""
    lift = Quantity(asked.lift_mm)
    if asked.at == "lobe":
        return lift
    return at_lobe(rig, lift, None if asked.lash_mm is None else Quantity(asked.lash_mm))


def indicator_lift(asked: Asked, rig: Rig) -> Quantity:
    """The lift (mm) that the indicator shows there."""
    lift = lobe_lift(asked, rig)
    return lift if rig.indicator_at == "lobe" else at_valve(rig, lift)


def comparables(card: Sequence[Asked], job: Job, measured: Measurement) -> tuple[Comparable, ...]:
    """What was measured of each line of the card."""
    read: _Read = {}
    return tuple(_comparable(asked, job, measured, read) for asked in card)


def _comparable(asked: Asked, job: Job, measured: Measurement, read: _Read) -> Comparable:
    if not asked.valve:
        cam = measured.cam
        if cam is None:
            return Comparable(None, "needs both lobes, and one was not measured")
        return Comparable(cam.separation if asked.kind == "separation" else cam.advance)
    lobe = measured.lobe(asked.valve)
    if lobe is None:
        return Comparable(None, f"the {asked.valve} lobe was not measured")
    if asked.kind == "centerline":
        return Comparable(lobe.centerline, "middle between equal lifts near the nose")
    if asked.kind in EVENTS:
        return _event(asked, job, lobe, read)
    return _full_lift(asked, job, lobe)


def _event(asked: Asked, job: Job, lobe: Lobe, read: _Read) -> Comparable:
    rig, units = job.rig, job.measure.units
    seen = indicator_lift(asked, rig)
    if is_hidden(seen, lobe.causes):
        return Comparable(
            None, f"the valve has not moved yet at this lobe lift: {length(rig.lash_mm, units)} {units} of lash hide it"
        )
    key = asked.valve, asked.at, asked.lift_mm, asked.lash_mm
    if key not in read:
        try:
            opens, closes = (lobe.crossing(seen, flank) for flank in (OPENING, CLOSING))
        except DataError as error:
            read[key] = error.what
        else:
            read[key] = {"opens": opens, "closes": closes, "duration": duration(opens, closes)}
    found = read[key]
    return Comparable(None, found) if isinstance(found, str) else Comparable(found[asked.kind], _through(asked, job, seen.value))


def _through(asked: Asked, job: Job, seen_mm: float) -> str:
    """How the checking lift came to be `seen_mm` at the indicator, in words; "" where it is the card's own."""
    rig, units, words = job.rig, job.measure.units, ""
    seen, lash = f"{length(seen_mm, units)} {units}", f"{length(rig.lash_mm, units)} {units}"
    if asked.at != rig.indicator_at:
        words = f"read at the {rig.indicator_at} at {seen}, through the ratio {rig.rocker_ratio:g}"
        words += f" and {lash} of lash" if rig.lash_mm else ""
    elif asked.at == "valve" and asked.lash_mm not in (None, rig.lash_mm):
        words = f"read at {seen}: the cam card's lash is {length(asked.lash_mm, units)} {units}, and {lash} were in"
    if asked.at == "valve" and asked.lash_mm is None and rig.lash_mm:
        words += f"{'; ' if words else ''}the cam card gives no lash, taken as the {lash} that were in"
    return words


def _full_lift(asked: Asked, job: Job, lobe: Lobe) -> Comparable:
    rig, units = job.rig, job.measure.units
    _, seen = peak_quantities(lobe.swept.curve, lobe.causes)
    place = asked.kind.split()[0]
    ratio = f" through the ratio {rig.rocker_ratio:g}" if place != rig.indicator_at else ""
    lash = f", {length(rig.lash_mm, units)} {units} of lash put back" if rig.lash_mm and rig.indicator_at == "valve" else ""
    valve, lift = valve_and_lobe(rig, seen)
    return Comparable(
        (lift if place == "lobe" else valve + lash_of(rig)).labelled("mm"), f"from the {rig.indicator_at}{ratio}{lash}"
    )
