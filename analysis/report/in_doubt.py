"""Findings as they are printed, and which of the printed numbers a doubt touches, so that it can stand beside them."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from analysis.base.finding import DOUBT, REFUSAL, Finding
from analysis.base.words import Units, length
from analysis.lobe.result import Cam, Lobe

# A name as the sheet prints it, and the paths that the number rests on.
Named = tuple[str, tuple[str, ...]]


def of_lobe(lobe: Lobe, units: Units) -> Iterator[Named]:
    """The numbers of a lobe."""
    valve = lobe.valve
    for event in lobe.events:
        for kind in ("opens", "closes", "duration"):
            yield f"{kind} at {length(event.lift_mm, units)}", of_event(valve, event.lift_mm, kind)
    yield "centerlines", (f"{valve}.centerline", "tdc")
    yield "peak lift", (f"{valve}.peak_lift", f"{valve}.peak_lobe_lift")
    yield "slack", (f"{valve}.slack",)
    yield "lag", (f"{valve}.lag",)


def of_event(valve: str, lift_mm: float, kind: str) -> tuple[str, ...]:
    """What opening, closing ("opens", "closes") or "duration" at a checking lift rests on: TDC drops out of a duration."""
    path = f"{valve}.events.{lift_mm:g}.{kind}"
    return (path,) if kind == "duration" else (path, "tdc")


def of_cam(cam: Cam) -> Iterator[Named]:
    """The numbers of the camshaft."""
    centers = ("intake.centerline", "exhaust.centerline")
    yield "lobe separation angle", ("cam.separation", *centers)
    yield "advance", ("cam.advance", *centers, "tdc")
    if cam.overlap is not None:
        yield "overlap", ("cam.overlap", "intake.events.opens", "exhaust.events.closes")


def in_doubt(findings: Sequence[Finding], numbers: Sequence[Named]) -> Iterator[str]:
    """A line for each doubt that touches any of them: "all of these: bleed-down"; "opens at 0.15, closes at 0.15: runout"."""
    for finding in findings:
        names = [name for name, paths in numbers if finding.weight is DOUBT and finding.touched(paths)]
        if names:
            yield f"{'all of these' if len(names) == len(numbers) else ', '.join(names)}: {finding.code}"


def told(finding: Finding) -> str:
    """A finding with its weight where it has consequences, and its code."""
    weight = {DOUBT: "In doubt: ", REFUSAL: "Refused: "}.get(finding.weight, "")
    return f"{weight}{finding.text} [{finding.code}]"
