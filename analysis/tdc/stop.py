"""True top dead center as a crank count, from a piston stop.

With a stop in the plug hole the crank swings between two contacts around the long way. The contacts are the turning points of
the count: no key press is needed. TDC is the middle of the arc that was NOT swept; the middle of the swept arc is BDC.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from scipy import special

from analysis.base.errors import DataError, placed
from analysis.base.quantity import NOTHING, Quantity, Source, linear_combination
from analysis.base.samples import Capture, Floats, Ints
from analysis.tdc.slider_crank import SliderCrank

# Touches of one side lie this near to each other; a hand that turned back early, or before the stop was in, lies further away.
CONTACT_DEG = 1.5
# And the crank must have left the contact by this much before the next touch counts as another.
LEAVE_DEG = 20.0


@dataclass(frozen=True)
class StopContacts:
    """Counts at which the crank met the stop: `low` and `high` end of the swept arc, one entry a touch. Shape (a,), (b,)."""

    low: Ints
    high: Ints


@dataclass(frozen=True)
class TdcFound:
    """TDC as a count (counts per crank turn `cpr`; any whole number of turns may be added), how, and from how many touches.

    `spread_deg` is the largest spread of the touches on one side; `unswept_deg` the arc around the top that was not swept.
    `sine` and `cosine` (deg) are the parts of the encoder's once-a-turn error, sine sin(angle) + cosine cos(angle), as far as
    known, the angle counted from the TDC that was found; `after_deg` is by how much the one that `count` stands for comes after
    it, on another cylinder.
    """

    count: Quantity
    cpr: int
    method: str
    touches: tuple[int, int] = (0, 0)
    spread_deg: float = 0.0
    unswept_deg: float = 0.0
    sine: Quantity = NOTHING
    cosine: Quantity = NOTHING
    after_deg: float = 0.0

    @property
    def contact_deg(self) -> float:
        """Half-angle from TDC to where it was taken: the contacts of a stop; 0 for the piston's travel, which is referred to
        TDC itself.
        """
        return self.unswept_deg / 2

    def later(self, after_deg: float, forward: int) -> TdcFound:
        """TDC of a cylinder whose own comes so many degrees after that of the one on which it was found."""
        return replace(self, count=self.count + forward * after_deg * self.cpr / 360.0, after_deg=after_deg)

    def at_top(self, forward: int) -> Quantity:
        """What the encoder reads at TDC itself, counts. Off center it reads otherwise there than at the contacts, by
        sine sin(after) + cosine (cos(after) - cos(contact)); events are read against the contacts, and carry that part for
        themselves.
        """
        after, per_deg = math.radians(self.after_deg), forward * self.cpr / 360.0
        along = math.cos(after) - math.cos(math.radians(self.contact_deg))
        return linear_combination((1.0, self.count), (per_deg * math.sin(after), self.sine), (per_deg * along, self.cosine))


def middle_of_unswept_arc(contact_after: float, contact_before: float, turn: float = 360.0) -> float:
    """Middle of the arc from `contact_before` (the reading short of TDC) forward to `contact_after` (the one past it), in 0 to
    `turn`.

    Readings of a wheel or of a count, in any unit with `turn` to the revolution.
    """
    unswept = (contact_after - contact_before) % turn
    return (contact_before + unswept / 2) % turn


def turning_points(crank: Ints, leave: float) -> tuple[Ints, Ints]:
    """Positions (indices) of the lows and highs of a count that swings by more than `leave` counts between them. Vectorised by
    plateaus.

    Ends of the record count as turning points only if the crank came to them by more than `leave` and then stood or ended there.
    """
    if crank.size == 0:
        return np.zeros(0, dtype=np.int64), np.zeros(0, dtype=np.int64)
    step = np.sign(np.diff(crank))
    moves = np.flatnonzero(step)
    if moves.size == 0:
        return np.zeros(0, dtype=np.int64), np.zeros(0, dtype=np.int64)
    flips = np.flatnonzero(np.diff(step[moves]) != 0)
    # Candidates: where the direction flips, and the last position of all. There are few: one for each reversal of the hand.
    where = np.concatenate((moves[flips] + 1, [moves[-1] + 1]))
    lows: list[int] = []
    highs: list[int] = []
    low = high = 0  # indices of the extremes since the last turning point
    rising: bool | None = None
    for i in where:
        value = int(crank[i])
        high = int(i) if value > crank[high] else high
        low = int(i) if value < crank[low] else low
        if rising is not False and crank[high] - value > leave:
            if rising is not None:
                highs.append(high)
            rising, low = False, int(i)
        elif rising is not True and value - crank[low] > leave:
            if rising is not None:
                lows.append(low)
            rising, high = True, int(i)
    if rising is True:
        highs.append(high)
    elif rising is False:
        lows.append(low)
    return np.array(lows, dtype=np.int64), np.array(highs, dtype=np.int64)


def stop_contacts(crank: Ints, cpr: int) -> StopContacts:
    """The touches on both sides of the stop. Raises DataError if the crank turned through, or did not come to both sides.

    `crank` has shape (n,), counts of one origin.
    """
    degree = cpr / 360.0
    lows, highs = turning_points(crank, LEAVE_DEG * degree)
    how = "Swing the crank slowly from contact to contact around the long way, at least twice to each side"
    if crank.size and np.ptp(crank) >= cpr:
        raise DataError(
            f"the crank turned {np.ptp(crank) / cpr:.2f} turns: it went past the stop", do=f"Check that the stop holds. {how}"
        )
    if lows.size == 0 or highs.size == 0:
        raise DataError("the crank was not turned to both sides of the stop", do=how)
    low, high = crank[lows], crank[highs]
    low, high = (touches_of(side, outward, CONTACT_DEG * degree) for side, outward in ((low, -1), (high, 1)))
    if (high.max() - low.min()) < cpr / 4:
        raise DataError(
            f"the crank swung only {(high.max() - low.min()) / degree:.0f} degrees: not the long way around between two contacts",
            do=how,
        )
    return StopContacts(low=low, high=high)


def touches_of(turned: Ints, outward: int, near: float) -> Ints:
    """The turning points of one side that are touches: most of them lie within `near` counts of each other, at the same place.

    One that lies further out was made before the stop was in, one further in by a hand that turned back early. Of two places met
    equally often the one further out (`outward`: -1 down, +1 up) is the stop. Shapes (k,) and (j,), in order.
    """
    if turned.size == 0:
        return turned
    out = outward * turned
    # How many lie from each turning point to `near` counts further in.
    met = ((out[None, :] <= out[:, None]) & (out[None, :] >= out[:, None] - near)).sum(axis=1)
    place = out[met == met.max()].max()
    return np.asarray(turned[(out <= place) & (out >= place - near)])


def by_stop(capture: Capture, geometry: SliderCrank | None, forward: int) -> TdcFound:
    """TDC from a stop capture. With the geometry known the bias of an offset pin is taken out.

    Uncertainty: what the counts of the touches leave open of where the contacts lie (`contact_places`).
    """
    header, samples = capture.header, capture.samples
    if header is None or samples.crank.size == 0:
        raise DataError("the capture holds no samples", where=capture.path, do="Record the stop again")
    first = samples.origin == samples.origin[0]
    cpr = header.board.cpr
    with placed(capture.path):
        contacts = stop_contacts(samples.crank[first], cpr)
    low, high = contact_places((contacts.low, contacts.high), cpr)
    swept = high.value - low.value
    unswept = 360.0 * (cpr - swept) / cpr
    middle = linear_combination((0.5, low), (0.5, high), (1.0, cpr / 2))
    if geometry is not None and geometry.offset != 0.0:
        middle = middle - forward * geometry.middle_bias(unswept) * cpr / 360.0
    spread = max(int(np.ptp(contacts.low)), int(np.ptp(contacts.high))) * 360.0 / cpr
    return TdcFound(middle, cpr, "stop", (contacts.low.size, contacts.high.size), spread, unswept)


def contact_places(sides: tuple[Ints, Ints], cpr: int) -> tuple[Quantity, Quantity]:
    """Where the two contacts lie, in counts, from the counts at which the crank turned back on each side. Shapes (a,), (b,).

    A count only says that the crank stood within it, so touches of one place do not average while they stay in one count, and
    do once they scatter over several. Both at once: the touches are draws about the contact, cut off to counts; contact and
    scatter are inferred together (Bayes, on a grid), the scatter being one for both sides, of unknown size up to a degree
    (common practice for a careful hand). One touch a side is enough for an honest answer, which is then wide.
    """
    scatters = np.geomspace(0.01, max(1.0 * cpr / 360.0, 0.05), 40)
    means, variances, weights = zip(*(_given_scatter(touches, scatters) for touches in sides), strict=True)
    weight = np.exp(weights[0] + weights[1] - np.max(weights[0] + weights[1]))
    weight /= weight.sum()
    places = []
    for side, touches, mean, variance in zip(("low", "high"), sides, means, variances, strict=True):
        middle = float(weight @ mean)
        u = math.sqrt(float(weight @ (variance + (mean - middle) ** 2)))
        distribution = "rectangular" if np.ptp(touches) == 0 else "normal"
        cause = Source(f"TDC: {side} contact of the stop", distribution=distribution, u=u, unit="count")
        places.append(Quantity(float(touches[0]) + middle, {cause: u}))
    return places[0], places[1]


def _given_scatter(touches: Ints, scatters: Floats) -> tuple[Floats, Floats, Floats]:
    """Mean and variance of the contact's place (counts, from the first touch's count) and log of the evidence, for each scatter
    (counts).
    """
    count = touches - touches[0]
    reach = 4 * scatters[:, None] + 1.0
    share = (np.arange(240) + 0.5) / 240
    place = count.min() - reach + (np.ptp(count) + 1 + 2 * reach) * share  # shape (scatters, 240)
    edge = (count[:, None, None] - place) / scatters[:, None]
    inside = special.ndtr(edge + 1 / scatters[:, None]) - special.ndtr(edge)
    log_likelihood = np.log(np.maximum(inside, 1e-300)).sum(axis=0)
    top = log_likelihood.max(axis=1, keepdims=True)
    likelihood = np.exp(log_likelihood - top)
    total = likelihood.sum(axis=1)
    mean = (likelihood * place).sum(axis=1) / total
    variance = (likelihood * (place - mean[:, None]) ** 2).sum(axis=1) / total
    width = (np.ptp(count) + 1 + 2 * reach[:, 0]) / 240
    return mean, variance, np.asarray(top[:, 0] + np.log(total * width))
