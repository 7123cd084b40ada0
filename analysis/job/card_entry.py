"""A cam card as it is entered, in whichever of the usual ways it is given: what follows from what, and what contradicts what.

Nothing that only follows is written into a job: a job states what the card states. Angles are readings as cards give them (opens
BTDC or BBDC, closes ABDC or ATDC, an intake centerline ATDC, an exhaust centerline BTDC), crank degrees, the lobe separation angle in
cam degrees. Lifts are in one unit, whichever. The relations are common practice; those that hold only for a symmetric lobe say so.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Final, TypeAlias

# What a card may give: "separation", "advance", "ratio", and with the valve before it "intake center", "intake lobe lift",
# "intake valve lift"; with the number of the checking lift as well, "intake 0 duration", "intake 0 opens", "intake 0 closes".
Given: TypeAlias = Mapping[str, float]

VALVES: Final = ("intake", "exhaust")
_AGREE_DEG: Final = 0.51  # cards round to half degrees and to whole ones
_AGREE_SHARE: Final = 0.01  # and lifts to their last digit


@dataclass(frozen=True)
class Follows:
    """A value that follows from others; `symmetric`: only if the lobe is symmetric."""

    value: float
    symmetric: bool = False


@dataclass(frozen=True)
class _Rule:
    target: str
    needs: tuple[str, ...]
    by: Callable[..., float]
    symmetric: bool = False


def follows(given: Given, checks: int = 1) -> dict[str, Follows]:
    """Everything that follows from what is given, of `checks` checking lifts.

    >>> found = follows({"separation": 110.0, "advance": 4.0})
    >>> found["intake center"].value, found["exhaust center"].value
    (106.0, 114.0)
    """
    known = {name: Follows(value) for name, value in given.items()}
    rules = [*_CAM, *(rule for valve in VALVES for rule in _lobe(valve, checks))]
    more = True
    while more:
        more = False
        for rule in rules:
            if rule.target not in known and all(name in known for name in rule.needs):
                means = [known[name] for name in rule.needs]
                value = rule.by(*(each.value for each in means))
                known[rule.target] = Follows(value, rule.symmetric or any(each.symmetric for each in means))
                more = True
    return {name: found for name, found in known.items() if name not in given}


def contradictions(given: Given, checks: int = 1) -> dict[str, float]:
    """What is given and does not fit what else is given: what that makes it."""
    found: dict[str, float] = {}
    for rule in (*_CAM, *(rule for valve in VALVES for rule in _lobe(valve, checks))):
        if rule.symmetric or rule.target not in given or rule.target in found or not all(name in given for name in rule.needs):
            continue
        made = rule.by(*(given[name] for name in rule.needs))
        allowed = _AGREE_SHARE * abs(made) if rule.target.endswith("lift") else _AGREE_DEG
        if abs(made - given[rule.target]) > allowed and not any(name in found for name in rule.needs):
            found[rule.target] = made
    return found


_I, _E = (f"{valve} center" for valve in VALVES)
_CAM: Final = (
    _Rule("separation", (_I, _E), lambda intake, exhaust: (intake + exhaust) / 2),
    _Rule("advance", (_I, _E), lambda intake, exhaust: (exhaust - intake) / 2),
    _Rule("advance", ("separation", _I), lambda separation, intake: separation - intake),
    _Rule("advance", ("separation", _E), lambda separation, exhaust: exhaust - separation),
    _Rule(_I, ("separation", "advance"), lambda separation, advance: separation - advance),
    _Rule(_E, ("separation", "advance"), lambda separation, advance: separation + advance),
)


def _lobe(valve: str, checks: int) -> list[_Rule]:
    center, lobe, at_valve = f"{valve} center", f"{valve} lobe lift", f"{valve} valve lift"
    rules = [
        _Rule(at_valve, (lobe, "ratio"), lambda lift, ratio: lift * ratio),
        _Rule(lobe, (at_valve, "ratio"), lambda lift, ratio: lift / ratio),
    ]
    # An intake lobe opens before TDC and closes after BDC around a middle after TDC; an exhaust lobe is its mirror image.
    near, far = ("opens", "closes") if valve == "intake" else ("closes", "opens")
    for check in range(checks):
        deg, at_tdc, at_bdc = (f"{valve} {check} {name}" for name in ("duration", near, far))
        rules += [
            _Rule(deg, (at_tdc, at_bdc), lambda tdc, bdc: 180.0 + tdc + bdc),
            _Rule(at_bdc, (deg, at_tdc), lambda deg, tdc: deg - 180.0 - tdc),
            _Rule(at_tdc, (deg, at_bdc), lambda deg, bdc: deg - 180.0 - bdc),
            _Rule(center, (at_tdc, at_bdc), lambda tdc, bdc: 90.0 + (bdc - tdc) / 2, symmetric=True),
            _Rule(at_tdc, (deg, center), lambda deg, middle: deg / 2 - middle, symmetric=True),
            _Rule(at_bdc, (deg, center), lambda deg, middle: deg / 2 + middle - 180.0, symmetric=True),
        ]
    return rules
