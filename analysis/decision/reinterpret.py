"""The same sweeps read in another way: with another ratio or lash, in another unit, on another valve, from another dead center."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from analysis.base.samples import Floats
from analysis.decision.card import CAM, EVENTS, Asked
from analysis.decision.flanks import Flanks
from analysis.job import Rig

MM_PER_INCH = 25.4
BOTH: Mapping[str, float] = {"intake": 1.0, "exhaust": 1.0}


@dataclass(frozen=True)
class Reading:
    """How sweeps are read. Ratio and lash by valve; `ratio_of_card` is what the card's full valve lifts were made with.

    `share`: lobe lift there is for each millimetre of lobe lift meant, by valve (1: a lobe as ground). `lost_mm`: what is missing
    at the nose alone. `scale`: millimetres for each millimetre shown. `turned`: "shown" (a lobe is of the valve that it looks
    like), or of the valve it was said to be, with TDC "half" a turn off or the engine turned "back".
    """

    at: str
    ratio: Mapping[str, float]
    lash: Mapping[str, float]
    ratio_of_card: Mapping[str, float] | None = None
    share: Mapping[str, float] = field(default_factory=lambda: BOTH)
    lost_mm: Mapping[str, float] = field(default_factory=dict)
    scale: float = 1.0
    turned: str = "shown"

    @classmethod
    def of(cls, rig: Rig) -> Reading:
        """As the job says."""
        return cls(rig.indicator_at, dict.fromkeys(BOTH, rig.rocker_ratio), dict.fromkeys(BOTH, rig.lash_mm))


def values(card: Sequence[Asked], lobes: Sequence[Flanks], reading: Reading) -> Floats:
    """What the sweeps say to each line of the card. Shape (lines,), NaN where nothing."""
    found = _assigned(lobes, reading.turned)
    centers = {valve: _center(found.get(valve), reading, valve) for valve in BOTH}
    cache: dict[tuple[str, float, str, float | None], tuple[float, float]] = {}
    return np.array([_value(asked, found, reading, centers, cache) for asked in card], dtype=np.float64)


def _assigned(lobes: Sequence[Flanks], turned: str) -> dict[str, Flanks]:
    if turned == "shown":
        return {lobe.shown: lobe for lobe in lobes}
    change = _half_turn if turned == "half" else _mirrored
    return {lobe.stood_on: change(lobe) for lobe in lobes if lobe.stood_on in BOTH and lobe.stood_on != lobe.shown}


def _half_turn(lobe: Flanks) -> Flanks:
    turn = 180.0 if lobe.stood_on == "intake" else -180.0
    return replace(lobe, opens=tuple(a + turn for a in lobe.opens), closes=tuple(a + turn for a in lobe.closes))


def _mirrored(lobe: Flanks) -> Flanks:
    opens, closes = tuple(-angle for angle in lobe.closes), tuple(-angle for angle in lobe.opens)
    return replace(lobe, open_mm=lobe.close_mm, opens=opens, close_mm=lobe.open_mm, closes=closes)


def _value(
    asked: Asked,
    lobes: Mapping[str, Flanks],
    reading: Reading,
    centers: Mapping[str, float],
    cache: dict[tuple[str, float, str, float | None], tuple[float, float]],
) -> float:
    if asked.kind in CAM:
        intake, exhaust = centers["intake"], centers["exhaust"]
        return (intake - exhaust) / 2 if asked.kind == "separation" else -(intake + exhaust) / 2
    lobe, valve = lobes.get(asked.valve), asked.valve
    if lobe is None:
        return float("nan")
    if asked.kind == "centerline":
        return centers[valve]
    if asked.kind in EVENTS:
        key = (valve, asked.lift_mm, asked.at, asked.lash_mm)
        if key not in cache:
            cache[key] = lobe.crossing(_shown_at(asked, reading))
        opens, closes = cache[key]
        return {"opens": opens, "closes": closes, "duration": closes - opens}[asked.kind]
    return _full_lift(asked, lobe, reading)


def _center(lobe: Flanks | None, reading: Reading, valve: str) -> float:
    if lobe is None:
        return float("nan")
    return lobe.centerline((reading.ratio[valve] if reading.at == "valve" else 1.0) / reading.scale)


def _shown_at(asked: Asked, reading: Reading) -> float:
    """What the indicator shows at a checking lift of the card."""
    valve = asked.valve
    ratio, lash = reading.ratio[valve], reading.lash[valve]
    at_lobe = asked.lift_mm
    if asked.at == "valve":
        at_lobe = (asked.lift_mm + (lash if asked.lash_mm is None else asked.lash_mm)) / ratio
    at_lobe *= reading.share[valve]
    return (at_lobe if reading.at == "lobe" else ratio * at_lobe - lash) / reading.scale


def _full_lift(asked: Asked, lobe: Flanks, reading: Reading) -> float:
    """The full lift as the lobe was ground, at the lobe or (without lash) at the valve."""
    valve = asked.valve
    ratio, peak = reading.ratio[valve], lobe.peak_mm * reading.scale
    at_lobe = peak if reading.at == "lobe" else (peak + reading.lash[valve]) / ratio
    at_lobe = (at_lobe + reading.lost_mm.get(valve, 0.0)) / reading.share[valve]
    return at_lobe if asked.kind == "lobe lift" else at_lobe * (reading.ratio_of_card or reading.ratio)[valve]


def swapped_events(card: Sequence[Asked], valves: Sequence[str]) -> tuple[Asked, ...]:
    """The card with opening and closing readings exchanged: the degrees before one dead center noted as those after the other."""
    turn = {"intake": 180.0, "exhaust": -180.0}

    def exchanged(asked: Asked) -> Asked:
        if asked.valve not in valves or asked.kind not in ("opens", "closes"):
            return asked
        partner = {"opens": "closes", "closes": "opens"}[asked.kind]
        other = next((a for a in card if a.kind == partner and _place(a) == _place(asked)), None)
        return asked if other is None else replace(asked, value=turn[asked.valve] - other.value)

    return tuple(exchanged(asked) for asked in card)


def _place(asked: Asked) -> tuple[str, float, str]:
    return asked.valve, asked.lift_mm, asked.at


def exchanged_lobes(card: Sequence[Asked]) -> tuple[Asked, ...] | None:
    """The card with its intake's numbers in place of the exhaust's and the other way round; None if the two do not match.

    The other lobe stands on the other side of TDC, so its opening takes the place of a closing.
    """
    mirror = {"opens": "closes", "closes": "opens"}
    other = {"intake": "exhaust", "exhaust": "intake"}

    def exchanged(asked: Asked) -> Asked | None:
        if not asked.valve:
            return asked
        kind = mirror.get(asked.kind, asked.kind)
        key = (other[asked.valve], kind, asked.lift_mm, asked.at)
        partner = next((a for a in card if (a.valve, a.kind, a.lift_mm, a.at) == key), None)
        if partner is None:
            return None
        return replace(asked, value=partner.value if asked.is_length or asked.kind == "duration" else -partner.value)

    found = [exchanged(asked) for asked in card]
    return None if None in found else tuple(a for a in found if a is not None)


def exchanged_profiles(card: Sequence[Asked]) -> tuple[Asked, ...] | None:
    """The card with the intake's durations and lifts on the exhaust lobe and the other way round, each about its own center; None
    if the two do not match.
    """
    other = {"intake": "exhaust", "exhaust": "intake"}

    def of(valve: str, kind: str, asked: Asked) -> float | None:
        key = (valve, kind, asked.lift_mm, asked.at)
        return next((a.value for a in card if (a.valve, a.kind, a.lift_mm, a.at) == key), None)

    def exchanged(asked: Asked) -> Asked | None:
        if not asked.valve or asked.kind == "centerline":
            return asked
        if asked.kind in ("opens", "closes"):
            mine, theirs = of(asked.valve, "duration", asked), of(other[asked.valve], "duration", asked)
            wider = None if mine is None or theirs is None else (theirs - mine) / 2
            return None if wider is None else replace(asked, value=asked.value + (wider if asked.kind == "closes" else -wider))
        value = of(other[asked.valve], asked.kind, asked)
        return None if value is None else replace(asked, value=value)

    found = [exchanged(asked) for asked in card]
    return None if None in found else tuple(a for a in found if a is not None)


def in_inches(card: Sequence[Asked], *, full: bool, checking: bool) -> tuple[Asked, ...]:
    """The card with lifts that were typed in inches under a millimetre key made millimetres: full lifts, checking lifts."""

    def metric(asked: Asked) -> Asked:
        if full and asked.is_length:
            return replace(asked, value=asked.value * MM_PER_INCH)
        if checking and asked.lift_mm:
            return replace(asked, lift_mm=asked.lift_mm * MM_PER_INCH)
        return asked

    return tuple(metric(asked) for asked in card)
