"""The maker's card as a list of lines, each one number that a measurement can be held against."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from analysis.job import DurationSpec, Job, LobeSpec

EVENTS = ("opens", "closes", "duration")
LIFTS = ("lobe lift", "valve lift")
CAM = ("separation", "advance")
VALVES = ("intake", "exhaust")


@dataclass(frozen=True)
class Asked:
    """One line of the card. `kind` is one of `EVENTS`, `LIFTS`, `CAM` or "centerline"; `valve` is "" for the whole camshaft.

    `value` in mm for lifts, in cam degrees for the separation, else in crank degrees, signed from overlap TDC. Events hold at
    `lift_mm`, `at` the "lobe" or the "valve", there with `lash_mm` (None: the card does not say).
    """

    kind: str
    valve: str
    value: float
    tolerance: float
    lift_mm: float = 0.0
    at: str = ""
    lash_mm: float | None = None

    @property
    def is_length(self) -> bool:
        """Whether it is in millimetres."""
        return self.kind in LIFTS


def card(job: Job) -> tuple[Asked, ...]:
    """Everything the job's specification says, intake first, each lobe from its lowest checking lift up."""
    cam, tolerance = job.specification.cam, job.specification.tolerance
    lines = [*_lobe(job, "intake", job.specification.intake), *_lobe(job, "exhaust", job.specification.exhaust)]
    if cam.separation_deg is not None:
        lines.append(Asked("separation", "", cam.separation_deg, tolerance.separation_deg))
    if cam.advance_deg is not None:
        lines.append(Asked("advance", "", cam.advance_deg, tolerance.centerline_deg))
    return tuple(lines)


def _lobe(job: Job, valve: str, spec: LobeSpec) -> Iterator[Asked]:
    tolerance = job.specification.tolerance
    durations: tuple[DurationSpec, ...] = getattr(spec, "duration", ())
    for row in sorted(durations, key=lambda row: row.lift_mm):
        where = (row.lift_mm, row.at, spec.lash_mm)
        if row.opens is not None:
            yield Asked("opens", valve, row.opens, tolerance.event_deg, *where)
        if row.closes is not None:
            yield Asked("closes", valve, row.closes, tolerance.event_deg, *where)
        yield Asked("duration", valve, row.deg, tolerance.duration_deg, *where)
    if spec.centerline_deg is not None:
        signed = spec.centerline_deg if valve == "intake" else -spec.centerline_deg
        yield Asked("centerline", valve, signed, tolerance.centerline_deg)
    if spec.lobe_lift_mm is not None:
        yield Asked("lobe lift", valve, spec.lobe_lift_mm, tolerance.lift_mm)
    if spec.valve_lift_mm is not None:
        yield Asked("valve lift", valve, spec.valve_lift_mm, tolerance.lift_mm)
