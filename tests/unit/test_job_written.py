"""A job written as job.toml: it reads back as the same job, in the units asked for, with every line still explained."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path
from typing import Literal

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from analysis.job import Job, load_job, parse_job
from analysis.job.template import template
from analysis.job.write import filled, shown_inches, stated_values, written_job
from tests.any_job import jobs

Units = Literal["mm", "in"]
SAMPLES = sorted((Path(__file__).parents[2] / "sample-captures").glob("*/job.toml"))


@given(job=jobs(), units=st.sampled_from(["mm", "in"]))
def test_any_valid_job_reads_back_as_itself(job: Job, units: Units) -> None:
    again = parse_job(written_job(job, units))
    assert again == job
    assert again.rig.stated == job.rig.stated, "a bound that was left out stays left out"


@pytest.mark.parametrize("units", ["mm", "in"])
@pytest.mark.parametrize("path", SAMPLES, ids=lambda path: path.parent.name)
def test_every_sample_job_reads_back_as_itself(path: Path, units: Units) -> None:
    job = load_job(path)
    assert parse_job(written_job(job, units)) == job


@pytest.mark.parametrize("units", ["mm", "in"])
def test_every_explanation_is_kept(units: Units) -> None:
    def comments(text: str) -> list[str]:
        return [line.rpartition("# ")[2] for line in text.splitlines()]

    text = template(units)
    assert comments(written_job(parse_job(text))) == comments(text)


def test_an_inch_job_has_inch_keys_with_the_figures_that_were_typed() -> None:
    job = parse_job(template("in").replace("stroke_in = 3.375", "stroke_in = 3.4805"))
    text = written_job(job)
    assert re.search(r"^stroke_in = 3\.4805 +# ", text, re.MULTILINE)
    assert re.search(r"^bore_in = 3\.375 +# ", text, re.MULTILINE)
    assert not re.search(r"^\w+_(mm|n) = ", text, re.MULTILINE)


def test_a_length_that_inches_cannot_hold_keeps_its_metric_key() -> None:
    job = parse_job(template("mm").replace("stroke_mm = 86.0", "stroke_mm = 86.013"))
    assert shown_inches(86.013) is None
    assert "stroke_mm = 86.013" in written_job(job, "in")


def test_several_checking_lifts_are_several_tables() -> None:
    lifts = [{"lift_mm": 0.15, "deg": 250.0}, {"lift_mm": 1.27, "at": "valve", "opens_btdc_deg": 5.0, "closes_abdc_deg": 37.0}]
    text = filled({"specification.intake.duration": lifts})
    assert len(tomllib.loads(text)["specification"]["intake"]["duration"]) == 2
    first, second = parse_job(text).specification.intake.duration
    assert (first.deg, first.opens, second.deg, second.at) == (250.0, None, 222.0, "valve")


def test_what_a_job_states_is_what_it_was_given() -> None:
    stated = stated_values(parse_job(template()))
    assert stated["engine"]["stroke_mm"] == 86.0  # type: ignore[call-overload]
    assert "cam_runout_mm" not in stated["rig"]
    assert stated["specification.intake"] == {}


def test_a_name_with_quotes_and_control_characters_is_written_as_it_is() -> None:
    name = 'a "four"\\ \x7f\n\t’'
    job = parse_job(filled({"engine": {"name": name}}))
    assert job.engine.name == name


def test_a_job_that_is_none_is_refused() -> None:
    with pytest.raises(ValidationError):
        Job.model_validate({"format": 1})
