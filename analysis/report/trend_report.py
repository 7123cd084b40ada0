"""One camshaft over its dates, in words, as charts and for machines."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

from analysis.base.angles import label
from analysis.base.version import head
from analysis.base.words import MM_PER, Units, in_units, wrapped
from analysis.compare.difference import Named
from analysis.decision.trend import Drift, Trend
from analysis.lobe.result_json import quantity_json, sweep_json
from analysis.report.charts import Chart, Drawn
from analysis.report.profiles import named_text

TREND_SCHEMA = "urn:lobetrace:trend:1"


def trend_text(found: Sequence[Trend], units: Units) -> str:
    """Every lobe as text of at most 80 columns."""
    return "\n\n".join("\n".join(_block(each, units)) for each in found)


def _block(trend: Trend, units: Units) -> Iterator[str]:
    yield from wrapped(f"{trend.lobe}: {len(trend.dates)} dates, {trend.dates[0]} to {trend.dates[-1]}", 78, "")
    yield f"  {'number':<24}{'first':>13}{'last':>13}{'drift a year':>14} +/-"
    for drift in trend.drifts:
        per = MM_PER[units] if drift.unit == "mm" else 1.0
        name = in_units(drift.name, units, drift.unit)
        ends = "".join(f"{_said(drift, float(value) / per):>13}" for value in (drift.values[0], drift.values[-1]))
        mark = " *" if drift.clear else ""
        yield f"  {name:<24}{ends}{drift.per_year / per:>+14.3f} {drift.per_year_u95 / per:.3f}{mark}"
    for title, named in (("the lobe", trend.wear), ("the set-up", trend.setting), ("not told apart", trend.other)):
        said = "; ".join(named_text(each, trend.valve, units) for each in named) or "nothing"
        yield from wrapped(f"last date against first, {title}: {said}", 78)


def _said(drift: Drift, value: float) -> str:
    """To a place more than on a sheet, for what drifts."""
    return label(value, drift.place, 3) if drift.place else f"{value:.3f}"


def trend_charts(found: Sequence[Trend], units: Units) -> tuple[Chart, ...]:
    """Each number that drifts clearly, over the days."""
    return tuple(
        _chart(trend, drift, units) for trend in found for drift in ([d for d in trend.drifts if d.clear] or trend.drifts[:1])
    )


def _chart(trend: Trend, drift: Drift, units: Units) -> Chart:
    per = MM_PER[units] if drift.unit == "mm" else 1.0
    unit = units if drift.unit == "mm" else drift.unit
    # An axis of angles before and after a dead center cannot be read: what counts is by how much later it came.
    since, later = (drift.values[0], f" later than on {trend.dates[0]}") if drift.place else (0.0, "")
    value, band = (drift.values - since) / per, drift.u95 / per
    line = value.mean() + drift.per_year / per / 365.25 * (drift.days - drift.days.mean())
    return Chart(
        f"trend-{trend.valve}-{drift.name}".replace(" ", "-"),
        f"{trend.lobe}: {in_units(drift.name, units)}",
        f"Drift {drift.per_year / per:+.3f} +/-{drift.per_year_u95 / per:.3f} {unit} a year. The grey band is the 95 % "
        "uncertainty of each value.",
        f"days since {trend.dates[0]}",
        f"{in_units(drift.name, units)}, {unit}{later}",
        (Drawn(drift.days, value, "piston"), Drawn(drift.days, line, "limit")),
        (drift.days, value - band, value + band),
    )


def trend_json(found: Sequence[Trend]) -> dict[str, Any]:
    """The same for machines (analysis/trend.schema.json)."""
    return {**head(TREND_SCHEMA), "lobes": [_json(each) for each in found]}


def _json(trend: Trend) -> dict[str, Any]:
    return {
        "lobe": trend.lobe,
        "valve": trend.valve,
        "dates": list(trend.dates),
        "sweeps": [sweep_json(sweep.job, sweep.capture, sweep.lobe) for sweep in trend.sweeps],
        "numbers": [
            {
                "name": each.name,
                "unit": each.unit,
                "days": each.days.tolist(),
                "values": each.values.tolist(),
                "u95": each.u95.tolist(),
                "drift_a_year": {"value": each.per_year, "u95": each.per_year_u95},
                "clear": each.clear,
            }
            for each in trend.drifts
        ],
        "wear": [_named(each) for each in trend.wear],
        "setting": [_named(each) for each in trend.setting],
        "other": [_named(each) for each in trend.other],
    }


def _named(named: Named) -> dict[str, Any]:
    return {"kind": named.kind, "size": quantity_json(named.size), "unit": named.size.unit, "at_deg": named.at_deg}
