"""A result as JSON: the shape of analysis/result.schema.json."""

from __future__ import annotations

import math
from typing import Any

from analysis.base.errors import DataError
from analysis.base.finding import Finding
from analysis.base.quantity import Number
from analysis.lobe.result import AtRest, Cam, Event, Lobe, Result

SCHEMA = 1


def result_json(result: Result) -> dict[str, Any]:
    """The result as plain dicts, lists, numbers and text, full precision; null where the data cannot tell.

    Crank degrees, millimetres and milliseconds as the keys say. Raises DataError if a number is not finite: JSON has none.
    """
    return {
        "schema": SCHEMA,
        "tdc": {"count": _number(result.tdc.count), "method": result.tdc.method, "touches": result.tdc.touches},
        "lobes": [_lobe(lobe) for lobe in result.lobes],
        "cam": _cam(result.cam) if result.cam else None,
        "warnings": [finding_json(finding) for finding in result.warnings],
        "captures": [dict(zip(("name", "sha256"), text.rsplit(" ", 1), strict=True)) for text in result.captures],
    }


def finding_json(finding: Finding) -> dict[str, Any]:
    """A finding: what a person reads, and what it costs."""
    return {
        "code": finding.code,
        "text": finding.text,
        "weight": finding.weight.value,
        "touches": sorted(finding.touches),
    }


def _number(number: Number) -> dict[str, float]:
    value, u95 = float(number.value), float(number.u95)
    if not (math.isfinite(value) and math.isfinite(u95)):
        raise DataError(
            f"a result came to {value} +/-{u95}, which is no number", do="Record the sweep again and analyze it alone"
        )
    return {"value": value, "u95": u95}


def _maybe(number: Number | None) -> dict[str, float] | None:
    return None if number is None else _number(number)


def _lobe(lobe: Lobe) -> dict[str, Any]:
    return {
        "cylinder": lobe.cylinder,
        "valve": lobe.valve,
        "passes": lobe.passes,
        "peak_lift_mm": _number(lobe.peak_lift_mm),
        "peak_lobe_lift_mm": _number(lobe.peak_lobe_lift_mm),
        "centerline_deg": _number(lobe.centerline_deg),
        "centerline_by": {name: _number(number) for name, number in lobe.centerline_by.items()},
        "slack_deg": _maybe(lobe.slack_deg),
        "latency_ms": _maybe(lobe.latency_ms),
        "events": [_event(event) for event in lobe.events],
        "at_rest": _at_rest(lobe.at_rest) if lobe.at_rest else None,
    }


def _at_rest(rest: AtRest) -> dict[str, Any]:
    return {
        "zero_mm": _number(rest.zero_mm),
        "runout_mm": float(rest.runout_mm),
        "drift_mm": float(rest.drift_mm),
        "sank_mm": float(rest.sank_mm),
        "covered_deg": float(rest.covered_deg),
    }


def _event(event: Event) -> dict[str, Any]:
    return {
        "lift_mm": float(event.lift_mm),
        "at": event.at,
        "opens_deg": _number(event.opens_deg),
        "closes_deg": _number(event.closes_deg),
        "duration_deg": _number(event.duration_deg),
    }


def _cam(cam: Cam) -> dict[str, Any]:
    return {
        "cylinder": cam.cylinder,
        "separation_deg": _number(cam.separation_deg),
        "advance_deg": _number(cam.advance_deg),
        "overlap_deg": _maybe(cam.overlap_deg),
        "overlap_lift_mm": None if cam.overlap_lift_mm is None else float(cam.overlap_lift_mm),
    }
