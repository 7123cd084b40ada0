"""What is not judged, because a finding makes the number doubtful that it rests on."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from typing import TypeVar

from analysis.base.finding import Finding, doubts
from analysis.decision.card import Asked
from analysis.decision.clearance import PistonClearance
from analysis.decision.cylinders import Spacing
from analysis.decision.line_profile import ProfileLine
from analysis.decision.spring import Margin
from analysis.decision.verdict import Line

Judged = TypeVar("Judged", Line, Spacing, PistonClearance, Margin, ProfileLine)


def rests_on(judged: Line | Spacing | PistonClearance | Margin | ProfileLine) -> tuple[str, ...]:
    """The paths of the numbers that a judgement rests on, as findings touch them. What two angles share drops out of their
    difference: a duration does not rest on TDC.
    """
    match judged:
        case Line():
            return _line(judged.asked)
        case Spacing():
            return (f"{judged.valve}.centerline",)
        case Margin():
            return (f"{judged.valve}.peak_lift",)
        case ProfileLine():
            return (f"{judged.valve}.events", f"{judged.valve}.peak_lift")
        case PistonClearance():
            return (f"{judged.valve}.events", f"{judged.valve}.peak_lift", f"{judged.valve}.clearance", "tdc")


def _line(asked: Asked) -> tuple[str, ...]:
    valve = asked.valve
    if not valve:
        centers = (f"cam.{asked.kind}", "intake.centerline", "exhaust.centerline")
        return centers if asked.kind == "separation" else (*centers, "tdc")
    if asked.is_length:
        return (f"{valve}.peak_lift",)
    if asked.kind == "centerline":
        return (f"{valve}.centerline", "tdc")
    event = f"{valve}.events.{asked.lift_mm:g}.{asked.kind}"
    return (event,) if asked.kind == "duration" else (event, "tdc")


def doubted(judged: Sequence[Judged], findings: Iterable[Finding]) -> tuple[Judged, ...]:
    """The same, inconclusive where a doubt touches what it rests on."""
    found = tuple(findings)
    return tuple(_held_back(each, found) for each in judged)


def _held_back(judged: Judged, findings: tuple[Finding, ...]) -> Judged:
    codes = tuple(dict.fromkeys(finding.code for finding in doubts(findings, rests_on(judged))))
    if not codes or judged.verdict == "not compared":
        return judged
    return replace(judged, verdict="inconclusive", doubts=codes)
