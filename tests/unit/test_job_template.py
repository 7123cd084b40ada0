"""The job.toml that `lobetrace new` writes: valid as it stands, complete, and explained line by line."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any, Literal, get_args

import pytest
from pydantic import BaseModel

from analysis.job import Job, parse_job
from analysis.job.template import template

Units = Literal["mm", "in"]
UNITS = pytest.mark.parametrize("units", ["mm", "in"])


def whole(units: Units) -> str:
    """The template with every line that is only offered taken up."""
    return re.sub(r"^# (?=\w+ = |\[)", "", template(units), flags=re.MULTILINE)


def fields(model: type[BaseModel]) -> Iterator[str]:
    for name, field in model.model_fields.items():
        inner = list(models(field.annotation))
        yield from [name] if not inner else []
        for each in inner:
            yield from fields(each)


def models(annotation: Any) -> Iterator[type[BaseModel]]:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        yield annotation
    for arg in get_args(annotation):
        yield from models(arg)


@UNITS
def test_it_is_valid_as_written_and_with_every_offer_taken_up(units: Units) -> None:
    assert parse_job(template(units)).specification.intake.duration == ()
    job = parse_job(whole(units))
    assert job.measure.units == units
    assert job.rig.stop_depth_mm == pytest.approx(5.0, abs=0.1)
    assert (job.specification.intake.duration[0].opens, job.specification.exhaust.duration[0].opens) == (-4.0, -220.0)


def test_both_units_mean_the_same_engine() -> None:
    metric, inch = parse_job(whole("mm")), parse_job(whole("in"))
    # Inch figures are round ones: an eighth for an engine, thousandths for lifts.
    assert inch.engine.stroke_mm == pytest.approx(metric.engine.stroke_mm, abs=25.4 / 16)
    assert inch.measure.checking_lifts_mm == pytest.approx(metric.measure.checking_lifts_mm, abs=0.017)
    assert inch.specification.cam == metric.specification.cam


def test_an_inch_template_holds_the_figures_a_machinist_writes() -> None:
    """Common practice: 0.080 and 0.100 in piston to valve, 0.060 in before coil bind, durations at 0.006 and 0.050 in."""
    text = whole("in")
    for line in (
        "intake_limit_in = 0.080",
        "exhaust_limit_in = 0.100",
        "coil_bind_limit_in = 0.060",
        "retainer_limit_in = 0.050",
    ):
        assert f"\n{line} " in text
    assert "checking_lifts_in = [0.006, 0.020, 0.040, 0.050]" in text
    assert not re.search(r"\d mm\b|_mm = |_n = ", text), "nothing is left in millimetres, not even in a comment"


@UNITS
def test_it_mentions_every_field(units: Units) -> None:
    keys = set(re.findall(r"^(\w+) = ", whole(units), flags=re.MULTILINE))
    wanted = {name if units == "mm" else re.sub("_n$", "_lbf", re.sub("_mm$", "_in", name)) for name in fields(Job)}
    assert keys == wanted


@UNITS
def test_every_line_is_explained_and_fits_an_editor(units: Units) -> None:
    for line in template(units).splitlines():
        assert len(line) <= 130
        if line and not re.match(r"# [A-Z]|#:schema ", line):
            assert re.search(r"  ?# \S.{3,}", line), line
