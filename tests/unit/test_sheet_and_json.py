"""A result on paper and as JSON: readings to their uncertainty, words of the trade, and the published schema."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from importlib import resources
from typing import Any

import jsonschema
import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.base.errors import DataError
from analysis.base.finding import NOTE, Finding
from analysis.base.words import decimals, length, plus_minus
from analysis.job import parse_job
from analysis.job.template import template
from analysis.lobe.result import Cam, Centerlines, Event, Lobe, Measurement, Tdc, Used
from analysis.lobe.result_json import result_json
from analysis.report.sheet import sheet
from tests.rigs import MADE_UP, known

JOB = template() + (
    "[[specification.intake.duration]]\nlift_mm = 1.27\ndeg = 220.0\nopens_btdc_deg = 4.0\ncloses_abdc_deg = 36.0\n"
    "[specification.cam]\nseparation_deg = 108.0\n"
)


def lobe(valve: str, opens: float, closes: float, center: float) -> Lobe:
    return Lobe(
        cylinder=1,
        valve=valve,
        passes=3,
        peak_lift=known(10.5123, 0.021, "mm"),
        peak_lobe_lift=known(7.0082, 0.014, "mm"),
        centerlines=Centerlines(*(known(center + i / 10, 0.1, "deg", f"{valve} centerline") for i in range(4))),
        slack=known(1.234, 0.2, "deg") if valve == "intake" else None,
        lag=None,
        events=(
            Event(
                1.27,
                "lobe",
                known(opens, 0.12, "deg", f"{valve} opens"),
                known(closes, 0.12, "deg", f"{valve} closes"),
                known(closes - opens, 0.17, "deg"),
            ),
        ),
        **MADE_UP,
    )


RESULT = Measurement(
    tdc=Tdc(known(1234.5678, 0.41, "count"), "stop", 8),
    lobes=(lobe("intake", -4.213, 216.04, 106.02), lobe("exhaust", -220.9, -0.4, -110.3)),
    cam=Cam(1, known(108.2, 0.1, "cam deg"), known(-2.1, 0.2, "deg", "advance"), known(-23.2, 0.3, "deg"), 1.27),
    findings=(
        Finding("lifter-bleeds", NOTE, "The lift falls while the crank stands still: a hydraulic lifter bleeds down. " * 3),
    ),
    captures=(Used("intake-01.csv", "a" * 64), Used("exhaust-01.csv", "0" * 64)),
)


def schema() -> dict[str, Any]:
    loaded: dict[str, Any] = json.loads((resources.files("analysis") / "result.schema.json").read_text(encoding="utf-8"))
    return loaded


def closed(part: Any) -> Any:
    """The schema with no key allowed that it does not name: what we print, it documents."""
    if isinstance(part, dict):
        shut = {key: closed(value) for key, value in part.items()}
        # An allOf member sees the keys of its sibling too, so that one stays open.
        return shut | {"additionalProperties": False} if "properties" in part and "required" in part else shut
    return [closed(each) for each in part] if isinstance(part, list) else part


@pytest.mark.parametrize("result", [RESULT, replace(RESULT, cam=None, lobes=RESULT.lobes[:1], findings=(), captures=())])
def test_the_json_is_what_the_schema_documents(result: Measurement) -> None:
    printed = json.loads(json.dumps(result_json(result), allow_nan=False))
    jsonschema.Draft202012Validator.check_schema(schema())
    jsonschema.Draft202012Validator(closed(schema())).validate(printed)


def test_the_schema_is_not_so_loose_that_it_lets_a_missing_uncertainty_pass() -> None:
    printed = result_json(RESULT)
    del printed["lobes"][0]["events"][0]["opens_deg"]["u95"]
    with pytest.raises(jsonschema.ValidationError, match="u95"):
        jsonschema.Draft202012Validator(schema()).validate(printed)


def test_json_keeps_full_precision_and_refuses_what_is_no_number() -> None:
    assert result_json(RESULT)["tdc"]["count"] == {"value": 1234.5678, "u95": pytest.approx(0.41)}
    with pytest.raises(DataError, match="no number"):
        result_json(replace(RESULT, tdc=Tdc(known(math.nan, 1.0), "stop")))


# JCGM 100:2008 (values from memory): 7.2.4 states a mass as (100,021 47 +/- 0,000 79) g; H.1.6 an end gauge of nominally 50 mm as
# 838 nm longer, with an expanded uncertainty of 93 nm.
@pytest.mark.parametrize(("value", "u95", "text"), [(100.02147, 0.00079, "100.02147 +/-0.00079"), (838.4, 93.0, "838 +/-93")])
def test_a_published_result_is_rounded_as_published(value: float, u95: float, text: str) -> None:
    assert plus_minus(known(value, u95)) == text


@given(st.floats(1e-3, 900), st.floats(-1000, 1000))
def test_a_reading_never_shows_more_digits_than_its_uncertainty_warrants(u95: float, value: float) -> None:
    shown, _, plus = plus_minus(known(value, u95)).partition(" +/-")
    assert len(plus.replace(".", "").lstrip("0")) <= max(2, len(f"{u95:.0f}"))
    assert len(shown.partition(".")[2]) == len(plus.partition(".")[2]) == decimals(u95)
    assert abs(float(shown) - value) <= 0.5 * 10.0 ** -decimals(u95) * (1 + 1e-9)


@pytest.mark.parametrize(
    ("mm", "units", "text"),
    [(1.27, "mm", "1.27"), (1.27, "in", "0.050"), (0.1524, "in", "0.006"), (1.0, "mm", "1.00"), (1.0, "in", "0.0394")],
)
def test_a_checking_lift_reads_as_it_was_given(mm: float, units: Any, text: str) -> None:
    assert length(mm, units) == text


def test_the_sheet_says_it_in_the_words_of_the_trade() -> None:
    text = sheet(RESULT, parse_job(JOB))
    for part in (
        "encoder count 1234.57 +/-0.41, from 8 contacts",
        "1.27 lobe  4.21 BTDC +/-0.12    36.04 ABDC +/-0.12   220.25 +/-0.17",
        "4 BTDC               36 ABDC              220",
        "-0.21                +0.04                +0.25",
        "106.02 ATDC +/-0.10  equal lifts both sides",
        "110.30 BTDC +/-0.10  equal lifts both sides",
        "10.512 +/-0.021 mm at the valve",
        "1.23 +/-0.20 deg",
        "cannot be told from these captures",
        "108.20 +/-0.10 cam degrees, specified 108",
        "2.10 retarded +/-0.20",
        "none; both closed for 23.20 +/-0.30 at 1.27 mm lobe lift",
        "[lifter-bleeds]",
        "sha256 " + "a" * 64,
        "local codes come first",
    ):
        assert part in text, part
    assert max(map(len, text.splitlines())) <= 80


def test_in_inches_every_length_is_in_inches() -> None:
    text = sheet(RESULT, parse_job(JOB.replace('units = "mm" ', 'units = "in" ')))
    assert "0.050 lobe" in text
    assert "0.4139 +/-0.0008 in at the valve" in text
    assert " mm" not in text
    assert max(map(len, text.splitlines())) <= 80
