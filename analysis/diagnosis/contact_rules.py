"""Rules about top dead center: the contacts with the piston stop, the piston's travel, and the count on its way to the sweep."""

from __future__ import annotations

from dataclasses import replace

from analysis.base.finding import DOUBT, NOTE
from analysis.base.quantity import linear_combination
from analysis.diagnosis.rule import Seen, rule
from analysis.tdc.stop import TdcFound

FEW_CONTACTS = 2
# The contacts of one side of a sound stop lie within this (common practice: half a degree).
WIDE_CONTACTS_DEG = 0.5


@rule("few-touches", NOTE, "tdc")
def few_contacts(stop: TdcFound) -> Seen | None:
    """Too few contacts to show that they repeat."""
    if min(stop.touches) >= FEW_CONTACTS:
        return None
    return Seen(
        f"The stop made {stop.touches[0]} and {stop.touches[1]} contacts on its two sides.",
        "One contact cannot show whether it repeats.",
        "Touch each side at least twice; three times is better.",
    )


@rule("touches-spread", DOUBT, "tdc")
def contacts_spread(stop: TdcFound) -> Seen | None:
    """Contacts of one side that do not repeat."""
    if stop.spread_deg <= WIDE_CONTACTS_DEG:
        return None
    return Seen(
        f"The contacts on one side of the stop spread over {stop.spread_deg:.2f} degrees.",
        "The stop gives way, or the encoder's coupling slips.",
        "Seat the stop, bring the piston against it without force, and find TDC again.",
    )


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
