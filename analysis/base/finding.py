"""What is wrong with the evidence, and what that costs: the one shape of everything that a person must be told beside the numbers."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

from analysis.base.errors import DataError

SAME_LIFT_MM: Final = 0.005
VALVES: Final = ("intake", "exhaust")
_EVENT: Final = re.compile(r"(\w+\.events)\.([0-9.]+)\.(\w+)")


class Weight(StrEnum):
    """What a finding costs. A note: nothing. A doubt: the numbers that it touches are shown with it and never judged. A refusal:
    there is no number.
    """

    NOTE = "note"
    DOUBT = "doubt"
    REFUSAL = "refusal"


NOTE, DOUBT, REFUSAL = Weight.NOTE, Weight.DOUBT, Weight.REFUSAL


@dataclass(frozen=True)
class Finding:
    """Something a person must know. `code` is stable. `seen`: what was seen, with its number; `cause`: the likely cause; `do`: what
    to do; each whole sentences, or "".

    `touches`: the numbers it is about, as patterns of their paths: "tdc", "intake" or "intake.*" (all of that lobe),
    "exhaust.events", "intake.events.opens", "intake.events@<0.6" (at checking lifts below 0.6 mm), "intake.events@1.27",
    "intake.centerline", "intake.peak_lift", "cam.separation", "*". `estimate`: the cause's own number (degrees, millimetres, a
    ratio) where it has one.
    """

    code: str
    weight: Weight
    seen: str
    cause: str = ""
    do: str = ""
    touches: frozenset[str] = frozenset()
    estimate: float | None = None

    @property
    def text(self) -> str:
        """All of it as a person reads it."""
        return " ".join(part for part in (self.seen, self.cause, self.do) if part)

    @property
    def about(self) -> tuple[str, ...]:
        """The valves that it names among what it touches; none where it is about the whole."""
        return tuple(v for v in VALVES if any(pattern.split(".")[0] == v for pattern in self.touches))

    def touched(self, paths: Iterable[str]) -> bool:
        """Whether it touches any of these numbers."""
        return any(_matches(pattern, path) for path in paths for pattern in self.touches)


def doubts(findings: Iterable[Finding], paths: Iterable[str]) -> tuple[Finding, ...]:
    """The findings that make a number doubtful which rests on these paths."""
    rests_on = tuple(paths)
    return tuple(f for f in findings if f.weight is DOUBT and f.touched(rests_on))


def refused(error: DataError) -> Finding:
    """A refusal of everything, from the error that says why there is no number."""
    where = f"{error.where}: " if error.where else ""
    do = f"{error.do.removesuffix('.')}." if error.do else ""
    return Finding("not-measured", REFUSAL, f"{where}{error.what}.", do=do, touches=frozenset({"*"}))


def in_order(findings: Iterable[Finding]) -> tuple[Finding, ...]:
    """Each once, refusals first, then doubts, then notes."""
    order = (REFUSAL, DOUBT, NOTE)
    return tuple(sorted(dict.fromkeys(findings), key=lambda finding: order.index(finding.weight)))


def _matches(pattern: str, path: str) -> bool:
    if pattern == "*":
        return True
    name, _, lift = pattern.removesuffix(".*").partition("@")
    of, at = _of_event(path)
    if of != name and not of.startswith(f"{name}."):
        return False
    if not lift:
        return True
    if not at:
        return False
    return float(at) < float(lift[1:]) if lift[0] == "<" else abs(float(at) - float(lift)) < SAME_LIFT_MM


def _of_event(path: str) -> tuple[str, str]:
    """ "intake.events.1.27.opens" is "intake.events.opens" at "1.27"; anything else is itself at ""."""
    event = _EVENT.fullmatch(path)
    return (f"{event[1]}.{event[3]}", event[2]) if event else (path, "")
