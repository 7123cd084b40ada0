"""A result as JSON: the shape of analysis/result.schema.json."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import asdict
from typing import Any

from analysis.base.errors import DataError
from analysis.base.finding import Finding
from analysis.base.quantity import Quantity
from analysis.base.samples import Header
from analysis.base.version import head
from analysis.lobe.result import AtRest, Cam, Event, Lobe, Measurement, Used

SCHEMA_ID = "urn:lobetrace:result:1"


def result_json(found: Measurement) -> dict[str, Any]:
    """The result as plain dicts, lists, numbers and text, full precision; null where the data cannot tell.

    Crank degrees, millimetres and milliseconds as the keys say. Raises DataError if a number is not finite: JSON has none.
    """
    return {
        **head(SCHEMA_ID),
        "tdc": {"count": quantity_json(found.tdc.count), "method": found.tdc.method, "touches": found.tdc.contacts},
        "lobes": [_lobe(lobe) for lobe in found.lobes],
        "cam": _cam(found.cam) if found.cam else None,
        "warnings": [finding_json(finding) for finding in found.findings],
        "captures": captures_json(found.captures),
    }


def captures_json(captures: Iterable[Used]) -> list[dict[str, Any]]:
    """Of what something was worked out, and who recorded it."""
    return [_used(used) for used in captures]


def _used(used: Used) -> dict[str, Any]:
    known = {} if used.header is None else {"step": used.header.step, **identity_json(used.header)}
    return {"name": used.name, "sha256": used.sha256, **known}


def identity_json(header: Header) -> dict[str, Any]:
    """Who measured what, when, with what."""
    return {
        "identity": asdict(header.identity),
        "engine": header.engine,
        "started": header.started,
        "board": header.board.name,
        "software": header.software,
    }


def sweep_json(job: str, capture: str, lobe: Lobe) -> dict[str, Any]:
    """Which sweep of which job a comparison was made with, and who measured it."""
    recorded = lobe.swept.sweep.capture
    told = identity_json(recorded.header)
    return {"job": job, "capture": capture, "cylinder": lobe.cylinder, "sha256": recorded.sha256, **told}


def finding_json(finding: Finding) -> dict[str, Any]:
    """A finding: what a person reads, and what it costs."""
    return {
        "code": finding.code,
        "text": finding.text,
        "weight": finding.weight.value,
        "touches": sorted(finding.touches),
    }


def quantity_json(number: Quantity) -> dict[str, float]:
    """Value and 95 % expanded uncertainty. Raises DataError if one of them is not finite."""
    value, u95 = float(number.value), float(number.u95)
    if not (math.isfinite(value) and math.isfinite(u95)):
        raise DataError(
            f"a result came to {value} +/-{u95}, which is no number", do="Record the sweep again and analyze it alone"
        )
    return {"value": value, "u95": u95}


def _maybe(number: Quantity | None) -> dict[str, float] | None:
    return None if number is None else quantity_json(number)


def _lobe(lobe: Lobe) -> dict[str, Any]:
    return {
        "cylinder": lobe.cylinder,
        "valve": lobe.valve,
        "passes": lobe.passes,
        "peak_lift_mm": quantity_json(lobe.peak_lift),
        "peak_lobe_lift_mm": quantity_json(lobe.peak_lobe_lift),
        "centerline_deg": quantity_json(lobe.centerline),
        "centerline_by": {name: quantity_json(number) for name, number in lobe.centerlines.items()},
        "slack_deg": _maybe(lobe.slack),
        "latency_ms": _maybe(lobe.lag),
        "events": [_event(event) for event in lobe.events],
        "at_rest": _at_rest(lobe.at_rest) if lobe.at_rest else None,
    }


def _at_rest(rest: AtRest) -> dict[str, Any]:
    return {
        "zero_mm": quantity_json(rest.zero),
        "runout_mm": float(rest.runout_mm),
        "drift_mm": float(rest.drift_mm),
        "sank_mm": float(rest.sank_mm),
        "covered_deg": float(rest.covered_deg),
    }


def _event(event: Event) -> dict[str, Any]:
    return {
        "lift_mm": float(event.lift_mm),
        "at": event.at,
        "opens_deg": quantity_json(event.opens),
        "closes_deg": quantity_json(event.closes),
        "duration_deg": quantity_json(event.duration),
    }


def _cam(cam: Cam) -> dict[str, Any]:
    return {
        "cylinder": cam.cylinder,
        "separation_deg": quantity_json(cam.separation),
        "advance_deg": quantity_json(cam.advance),
        "overlap_deg": _maybe(cam.overlap),
        "overlap_lift_mm": None if cam.overlap_lift_mm is None else float(cam.overlap_lift_mm),
    }
