"""True top dead center as a crank count, from a piston stop.

With a stop in the plug hole the crank swings between two contacts around the long way. The contacts are the turning points of
the count: no key press is needed. TDC is the middle of the arc that was NOT swept; the middle of the swept arc is BDC.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from scipy import optimize, special

from analysis.base.errors import DataError, placed
from analysis.base.quantity import NOTHING, Quantity, Source, linear_combination
from analysis.base.samples import Bools, Capture, Floats, Ints
from analysis.tdc.slider_crank import SliderCrank

# A turning point this much short of the others (deg) is a hand that turned back early. A stop of 1.5 degrees scatter stays within.
CONTACT_DEG = 8.0
# The first turning point of all lies this much beyond the others (deg), which agree within AGREE_DEG: the stop was not in yet.
BEYOND_DEG, AGREE_DEG = 5.0, 1.0
# Contacts within this (deg), a count included, are at one place; hands that turn back at a mark scatter by three tenths.
ONE_PLACE_DEG = 0.15
# The crank must have left the contact by this much before the next one counts as another.
LEAVE_DEG = 20.0
# A piston meets a stop at speed, or rests against it. Speed over the last half degree as a share of that between one and four degrees
# before: 0.24 for a hand that turns back at even deceleration, 0.12 for a softer one. The rest at the outermost count as a share of
# the time for those three degrees: up to 1.3 for such hands.
DEAD_SHARE, REST_SHARE = 0.4, 1.6
# A rest as long as this (s) is one, however slowly the crank came.
LONG_REST_S = 0.9
# Contacts of a stop that hand and give spread no further than this (deg); places where a hand turned back do.
SPREAD_DEG = 3.0
# More than this is left out around the top (deg) by no stop that fits a plug hole; between these bounds lie usual ones (common
# practice: the piston meets it 1 to 30 mm below its top).
LARGEST_ARC_DEG, USUAL_ARC_DEG = 160.0, (14.0, 130.0)
# The level at which an interval is made, and a triangle's half-width to it in standard deviations.
LEVEL, TRIANGULAR_95 = 0.95, math.sqrt(6) * (1 - math.sqrt(0.05))
# Scatters that are thought possible (deg), from a careful hand's to what a stop that gives way makes.
SCATTERS_DEG = (0.02, 20.0)


@dataclass(frozen=True)
class Side:
    """Where the crank was turned back on one side, in order: counts taken as contacts, shape (k,); whether each stopped as against
    something hard (dead, or at rest there), shape (k,); turning points left out, shape (j,); and whether one of these lies `beyond`
    the contacts, though it was not the first.
    """

    counts: Ints
    hard: Bools
    left_out: Ints
    beyond: bool

    @property
    def met(self) -> bool:
        """Whether the crank met something hard here most times: a hand that comes softly may hide it once, or look hard once."""
        return bool(self.hard.mean() > 0.5)


@dataclass(frozen=True)
class StopContacts:
    """What the crank met at the `low` and at the `high` end of the swept arc."""

    low: Side
    high: Side


@dataclass(frozen=True)
class TdcFound:
    """TDC as a count (counts per crank turn `cpr`; any whole number of turns may be added), and how it was found.

    `spread_deg` is the largest spread of the contacts on one side; `unswept_deg` the arc around the top that was not swept.
    `sine` and `cosine` (deg) are the parts of the encoder's once-a-turn error, sine sin(angle) + cosine cos(angle), as far as
    known, the angle counted from the TDC that was found; `after_deg` is by how much the one that `count` stands for comes after
    it, on another cylinder. `told_by`: the capture that told it by its digest, or the count on which the job gave it: what two
    results owe to one TDC they share.
    """

    count: Quantity
    cpr: int
    method: str
    spread_deg: float = 0.0
    unswept_deg: float = 0.0
    sine: Quantity = NOTHING
    cosine: Quantity = NOTHING
    after_deg: float = 0.0
    contacts: StopContacts | None = None
    told_by: str = ""

    @property
    def contact_counts(self) -> tuple[int, int]:
        """How many contacts there were at the low and at the high end; none without a stop."""
        return (0, 0) if self.contacts is None else (self.contacts.low.counts.size, self.contacts.high.counts.size)

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


def stop_contacts(crank: Ints, cpr: int, time_s: Floats | None = None) -> StopContacts:
    """The contacts on both sides of the stop. Raises DataError if the crank turned through, or did not come to both sides.

    `crank` has shape (n,), counts of one origin; `time_s` likewise, evenly a row apart if it is not given.
    """
    degree = cpr / 360.0
    lows, highs = turning_points(crank, LEAVE_DEG * degree)
    how = "Swing the crank slowly from contact to contact around the long way, at least twice to each side"
    if crank.size and np.ptp(crank) >= cpr:
        raise DataError(
            f"the crank turned {np.ptp(crank) / cpr:.2f} turns: it went past the stop", do=f"Check that the stop holds. {how}"
        )
    if lows.size == 0 or highs.size == 0:
        raise DataError(f"the crank was not turned to both sides of the stop: {_missing(lows, highs)}", do=how)
    time: Floats = np.arange(crank.size, dtype=np.float64) * 1e-3 if time_s is None else time_s
    low, high = (_side(crank, time, turned, outward, degree) for turned, outward in ((lows, -1), (highs, 1)))
    swung = float(high.counts.max() - low.counts.min()) / degree
    if swung < 90.0:
        raise DataError(f"the crank swung only {swung:.0f} degrees: not the long way around between two contacts", do=how)
    _refuse_one_side(low, high, 360.0 - swung, degree, how)
    return StopContacts(low, high)


def _missing(lows: Ints, highs: Ints) -> str:
    """Which side is missing."""
    if lows.size or highs.size:
        return f"the one where the count {'grows' if lows.size else 'falls'} is missing"
    return "it hardly moved"


def _refuse_one_side(low: Side, high: Side, unswept: float, degree: float, how: str) -> None:
    """DataError where one of the two sides cannot have been the stop."""
    soft = [
        (side, other, word) for side, other, word in ((low, high, "falls"), (high, low, "grows")) if other.met and not side.met
    ]
    for side, _, word in soft:
        spread = float(np.ptp(side.counts)) / degree
        if unswept > LARGEST_ARC_DEG or spread > SPREAD_DEG:
            raise DataError(
                f"the stop was met from one side only: where the count {word} the crank was turned back by hand, not by the stop",
                do=f"Turn the other way until the piston meets the stop there too. {how}",
            )
    if unswept > LARGEST_ARC_DEG:
        raise DataError(
            f"an arc of {unswept:.0f} degrees around the top was not swept: no stop reaches that far down, so that one of the two "
            "sides was not met at the stop",
            do=how,
        )


def _side(crank: Ints, time_s: Floats, turned: Ints, outward: int, degree: float) -> Side:
    """The contacts of one side among its turning points (indices, in order). `outward`: -1 down, +1 up."""
    counts = crank[turned]
    kept = are_contacts(counts, outward, degree)
    stands = _last_move(crank)
    if turned[-1] >= stands and kept.sum() > 1 and kept[-1]:
        # Where the record ends, the hand may just have let go, or be on its way still: a contact only if it is with the others, or
        # if the crank ended dead and stood there.
        others = outward * counts[:-1][kept[:-1]]
        kept[-1] = others.min() <= outward * counts[-1] or (
            _stood(crank, time_s, stands, degree) and _hard(crank, time_s, int(turned[-1]), outward, degree)
        )
    if turned[-1] >= stands and not kept[-1]:
        turned, counts, kept = turned[:-1], counts[:-1], kept[:-1]
    hard = np.array([_hard(crank, time_s, int(at), outward, degree) for at in turned[kept]], dtype=bool)
    # Three at one place are at what one of them met: no hand turns back at a mark as well as that.
    one_place = hard.size >= 3 and np.ptp(counts[kept]) + 1 <= ONE_PLACE_DEG * degree
    beyond = bool((outward * counts[1:][~kept[1:]] > (outward * counts[kept]).max()).any())
    return Side(counts[kept], hard | (one_place and hard.any()), counts[~kept], beyond)


def _last_move(crank: Ints) -> int:
    """Index from which on the count stands until the end."""
    moved = np.flatnonzero(np.diff(crank))
    return int(moved[-1]) + 1 if moved.size else 0


def _stood(crank: Ints, time_s: Floats, stands: int, degree: float) -> bool:
    """Whether the record goes on, the crank standing from index `stands` on, for longer than the last half degree had taken."""
    before = np.flatnonzero(np.abs(crank[:stands] - crank[stands]) >= max(1.0, 0.5 * degree))
    return bool(before.size) and float(time_s[-1] - time_s[stands]) > float(time_s[stands] - time_s[before[-1]])


def _hard(crank: Ints, time_s: Floats, at: int, outward: int, degree: float) -> bool:
    """Whether the crank stopped at a turning point as against something hard: at speed, or with a rest at the outermost count."""
    short = outward * (crank[at] - crank)
    came = at - int(np.argmax(short[at::-1] > 0)) + 1 if (short[:at] > 0).any() else 0
    left = at + int(np.argmax(short[at:] > 0)) if (short[at:] > 0).any() else crank.size - 1
    before = short[came::-1] / degree

    def when(deg: float) -> float | None:
        beyond = np.flatnonzero(before >= deg)
        return float(time_s[came - beyond[0]]) if beyond.size else None

    # Half a degree, or two counts of a coarse encoder.
    last_deg = max(0.5, 2.0 / degree)
    last, near, far = when(last_deg), when(2 * last_deg), when(8 * last_deg)
    if last is None or near is None or far is None:
        return True
    approach = max(near - far, 1e-6)
    dead = 6 * last_deg / approach * DEAD_SHARE * max(float(time_s[came]) - last, 0.0) <= last_deg
    return dead or float(time_s[left] - time_s[came]) >= min(REST_SHARE * approach, LONG_REST_S)


def are_contacts(turned: Ints, outward: int, degree: float) -> Bools:
    """Which turning points of one side are contacts. Shape (k,) each, in order.

    All that lie within `CONTACT_DEG` of each other at the place where most do, the one further out of two (`outward`: -1 down, +1
    up). Only a hand that turned back early, and a first one made before the stop was in, are not: contacts that disagree belong to
    the scatter.
    """
    out = outward * turned
    others = out[1:]
    if others.size > 1 and np.ptp(others) <= AGREE_DEG * degree and out[0] > others.max() + BEYOND_DEG * degree:
        return np.arange(out.size) > 0
    near = CONTACT_DEG * degree
    met = ((out[None, :] <= out[:, None]) & (out[None, :] >= out[:, None] - near)).sum(axis=1)
    place = out[met == met.max()].max()
    return np.asarray((out <= place) & (out >= place - near))


def by_stop(capture: Capture, geometry: SliderCrank | None, forward: int) -> TdcFound:
    """TDC from a stop capture. With the geometry known the bias of an offset pin is taken out.

    Uncertainty: what the counts of the contacts leave open of where the middle lies (`middle_of_contacts`).
    """
    header, samples = capture.header, capture.samples
    if samples.crank.size == 0:
        raise DataError("the capture holds no samples", where=capture.path, do="Record the stop again")
    first = samples.origin == samples.origin[0]
    cpr = header.board.cpr
    with placed(capture.path):
        contacts = stop_contacts(samples.crank[first], cpr, samples.time_us[first] * 1e-6)
    low, high = contacts.low.counts, contacts.high.counts
    middle = middle_of_contacts(low, high, cpr)
    unswept = 360.0 - float(high.mean() - low.mean()) * 360.0 / cpr
    middle = middle + cpr / 2
    if geometry is not None and geometry.offset != 0.0:
        middle = middle - forward * geometry.middle_bias(unswept) * cpr / 360.0
    spread = max(int(np.ptp(low)), int(np.ptp(high))) * 360.0 / cpr
    return TdcFound(middle, cpr, "stop", spread, unswept, contacts=contacts)


def middle_of_contacts(low: Ints, high: Ints, cpr: int) -> Quantity:
    """Middle between the two contacts, in counts, from the counts at which the crank was turned back on each side. Shapes (a,), (b,).

    A count only says that the crank stood within it, so contacts of one place do not average while they stay in one count, and do
    once they scatter over several. Both at once: the contacts are draws about their place, cut off to counts; place and scatter are
    inferred together (Bayes, on a grid), the scatter being one for both sides and of any size alike in the logarithm (Jeffreys), so
    that contacts that scatter widely come to Student's t. One contact a side is enough for an honest answer, which is then wide.
    """
    degree = cpr / 360.0
    least, most = (
        SCATTERS_DEG if low.size + high.size > 2 else (SCATTERS_DEG[0], 0.3)
    )  # one each: a careful hand's (common practice)
    scatters = np.geomspace(max(least * degree, 0.01), most * degree, 60)
    means, variances, weights = zip(*(_given_scatter(side, scatters) for side in (low, high)), strict=True)
    weight = np.exp(weights[0] + weights[1] - np.max(weights[0] + weights[1]))
    weight /= weight.sum()
    middles, widths = (means[0] + means[1]) / 2, np.sqrt(variances[0] + variances[1]) / 2
    middle = float(weight @ middles)

    def missing(half: float) -> float:
        above, below = (special.ndtr((middle + sign * half - middles) / widths) for sign in (1.0, -1.0))
        return float(weight @ (above - below)) - LEVEL

    half = float(optimize.brentq(missing, 1e-6, 100.0 * float(widths.max()) + 1.0))
    one_count = np.ptp(low) == 0 and np.ptp(high) == 0
    if one_count:  # however often: two places, each anywhere within its count
        half = max(half, (1 - math.sqrt(1 - LEVEL)) / 2)
    free = max(low.size + high.size - 2, 1)
    u = half / (TRIANGULAR_95 if one_count else float(special.stdtrit(free, (1 + LEVEL) / 2)))
    shape, dof = ("triangular", math.inf) if one_count else ("normal", float(free))
    place = (float(low[0]) + float(high[0])) / 2 + middle
    return Quantity(place, {Source("TDC: contacts with the stop", dof=dof, distribution=shape, u=u, unit="count"): u})


def _given_scatter(counts: Ints, scatters: Floats) -> tuple[Floats, Floats, Floats]:
    """Mean and variance of the contact's place (counts, from the first of `counts`) and log of the evidence, for each scatter
    (counts).
    """
    count, times = np.unique(counts - counts[0], return_counts=True)
    reach = 4 * scatters[:, None] + 1.0
    share = (np.arange(240) + 0.5) / 240
    place = count.min() - reach + (np.ptp(count) + 1 + 2 * reach) * share  # shape (scatters, 240)
    edge = (count[:, None, None] - place) / scatters[:, None]
    inside = special.ndtr(edge + 1 / scatters[:, None]) - special.ndtr(edge)
    log_likelihood = np.tensordot(times, np.log(np.maximum(inside, 1e-300)), axes=1)
    top = log_likelihood.max(axis=1, keepdims=True)
    likelihood = np.exp(log_likelihood - top)
    total = likelihood.sum(axis=1)
    mean = (likelihood * place).sum(axis=1) / total
    variance = (likelihood * (place - mean[:, None]) ** 2).sum(axis=1) / total
    width = (np.ptp(count) + 1 + 2 * reach[:, 0]) / 240
    return mean, variance, np.asarray(top[:, 0] + np.log(total * width))
