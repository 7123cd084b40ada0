"""A camshaft over its dates: the drift of a number against linear regression by scipy, wear told from the set-up, and what is
refused.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from functools import cache
from importlib import resources
from pathlib import Path

import jsonschema
import numpy as np
import pytest
from scipy import stats

from acquire.cli import run
from analysis.base.errors import DataError
from analysis.base.samples import Floats
from analysis.decision.sweep_by_sweep import OneSweep, study
from analysis.decision.trend import trends
from analysis.lobe.result import Lobe
from analysis.report.charts import svg
from analysis.report.profiles import overlay_text
from analysis.report.trend_report import trend_charts, trend_json, trend_text
from tests.lobes_laid import changed, measured_lobe, set_up_again
from tests.statistics.trials import Scenario, rig_of

SCENARIO = Scenario(0.15, 0.01, "edge", 3, "unsymmetrical")
SCHEMA = json.loads((resources.files("analysis") / "trend.schema.json").read_text(encoding="utf-8"))
CLEAN = Path(__file__).parents[2] / "sample-captures" / "clean"
DATES = ("2023-01-10", "2024-01-10", "2025-01-09", "2026-01-09")


@cache
def lobe(date: int) -> Lobe:
    """The lobe as it was measured on one date, everything set up anew."""
    rig = rig_of(SCENARIO, 3)
    return measured_lobe(rig if date == 0 else set_up_again(rig, date), f"date {date}")


def sweep(date: int, added: Callable[[Floats, Floats], Floats] | None = None, **identity: str) -> OneSweep:
    found = lobe(date) if added is None else changed(lobe(date), added)
    header = found.swept.sweep.header
    header = replace(header, started=f"{DATES[date]}T10:00:00", identity=replace(header.identity, **identity))
    capture = replace(found.swept.sweep.capture, header=header)
    return OneSweep(
        "intake-01.csv",
        replace(found, swept=replace(found.swept, sweep=replace(found.swept.sweep, capture=capture))),
        f"job {date}",
    )


def wearing(mm_a_year: float) -> list[OneSweep]:
    """A nose that loses so much a year."""
    return [
        sweep(k, (lambda deg, _, k=k: -k * mm_a_year * np.exp(-((deg / 24.0) ** 2))) if k else None, camshaft_serial="C-1")  # type: ignore[misc]
        for k in range(len(DATES))
    ]


def test_wear_of_the_nose_is_told_from_the_set_up() -> None:
    (found,) = trends(wearing(0.02))
    assert [each.kind for each in found.wear] == ["nose"]
    assert found.wear[0].size.value == pytest.approx(-0.06, abs=0.006)
    assert found.other == ()
    assert found.dates == DATES


def test_without_wear_nothing_is_wear() -> None:
    (found,) = trends(wearing(0.0))
    assert found.wear == found.other == ()


def test_a_drift_is_that_of_linear_regression() -> None:
    """Against scipy's linregress: slope and its standard error by Student's t."""
    (found,) = trends(wearing(0.0))
    drift = next(each for each in found.drifts if each.name == "peak lift")
    judge = stats.linregress(drift.days, drift.values)
    assert drift.per_year == pytest.approx(365.25 * judge.slope, rel=1e-9)
    assert drift.per_year_u95 == pytest.approx(365.25 * stats.t.ppf(0.975, 2) * judge.stderr, rel=1e-9)
    assert drift.clear == (judge.pvalue < 0.05)


def test_words_charts_and_json_of_a_trend() -> None:
    found = trends(wearing(0.02))
    text = trend_text(found, "mm")
    assert "C-1 cylinder 1 intake: 4 dates, 2023-01-10 to 2026-01-09" in text
    assert "the lobe: nose -0.06" in text
    assert max(map(len, text.splitlines())) <= 80
    jsonschema.Draft202012Validator.check_schema(SCHEMA)
    jsonschema.validate(json.loads(json.dumps(trend_json(found))), SCHEMA)
    charts = trend_charts(found, "mm")
    assert "<polyline" in svg(charts)


def test_an_angle_is_drawn_by_how_much_later_it_came_and_a_length_as_it_is() -> None:
    (found,) = trends(wearing(0.02))
    opens, peak = (next(each for each in found.drifts if each.name.startswith(name)) for name in ("opens", "peak lift"))
    (angle,) = trend_charts([replace(found, drifts=(opens,))], "in")
    (length,) = trend_charts([replace(found, drifts=(peak,))], "in")
    assert angle.curves[0].y == pytest.approx(opens.values - opens.values[0])
    assert angle.y_label.endswith("deg later than on 2023-01-10")
    assert length.curves[0].y == pytest.approx(peak.values / 25.4)
    assert length.y_label == "peak lift, in"


def test_jobs_without_a_serial_number_are_not_one_camshaft() -> None:
    with pytest.raises(DataError, match=r"no lobe was swept on 3 dates.*camshaft_serial"):
        trends([sweep(k) for k in range(4)])


def test_a_single_job_is_no_trend(capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["trend", str(CLEAN)]) == 2
    assert capsys.readouterr().err


def test_details_of_an_overlay_say_who_measured_what_and_when() -> None:
    sweeps = [sweep(0, camshaft_serial="C-1"), sweep(1, camshaft_serial="C-1", camshaft="P-77", operator="second shift")]
    text = overlay_text(study(sweeps, "first"), "mm", details=True)
    assert "recorded 2024-01-10, by second shift, camshaft P-77 C-1" in text
