"""The JSON Schema of job.toml: it is the model's, a validator of its own takes every job of ours, and it refuses what we refuse."""

from __future__ import annotations

import json
import re
import tomllib
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from acquire.cli import run
from analysis.job import load_job
from analysis.job.folder import make_job
from analysis.job.schema import job_schema, schema_text
from analysis.job.shipped import SCHEMA_NAME, shipped_schema
from analysis.job.template import template

SAMPLES = sorted((Path(__file__).parents[2] / "sample-captures").glob("*/job.toml"))
JUDGE = jsonschema.Draft202012Validator(json.loads(shipped_schema()))


def whole(units: Any) -> str:
    return re.sub(r"^# (?=\w+ = |\[)", "", template(units), flags=re.MULTILINE)


def test_the_shipped_schema_is_up_to_date() -> None:
    """Made anew by: python -m analysis.job.schema > analysis/job/job.schema.json"""
    assert json.loads(shipped_schema()) == job_schema()
    assert json.loads(schema_text()) == job_schema()


def test_it_is_a_schema_by_the_standard() -> None:
    jsonschema.Draft202012Validator.check_schema(job_schema())
    assert job_schema()["$id"]


@pytest.mark.parametrize("text", [template("mm"), template("in"), whole("mm"), whole("in")], ids=["mm", "in", "all mm", "all in"])
def test_the_template_validates(text: str) -> None:
    JUDGE.validate(tomllib.loads(text))


@pytest.mark.parametrize("path", SAMPLES, ids=lambda path: path.parent.name)
def test_every_sample_job_validates(path: Path) -> None:
    JUDGE.validate(tomllib.loads(path.read_text(encoding="utf-8")))


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("stroke_mm = 86.0", "stroke = 86.0"),
        ("stroke_mm = 86.0", "stroke_mm = 3.5"),
        ("stroke_mm = 86.0", "stroke_mm = 86.0\nstroke_in = 3.385"),
        ("stroke_mm = 86.0", ""),
        ('indicator_at = "valve"', 'indicator_at = "rocker"'),
        ("cylinders = 4 ", "cylinders = 4.5 "),
        ("format = 1 ", "format = 2 "),
    ],
)
def test_what_we_refuse_is_refused(old: str, new: str) -> None:
    text = template().replace(old, new)
    assert text != template()
    assert not JUDGE.is_valid(tomllib.loads(text))


def test_every_key_is_described_by_the_words_of_the_template() -> None:
    schema = job_schema()
    for table in ("Engine", "Rig", "Measure", "IntakeSpec", "ExhaustDuration", "ValveSpring", "Drop"):
        for key, said in schema["$defs"][table]["properties"].items():
            assert said.get("description") or "$ref" in said or "$ref" in said.get("items", {}), (table, key)


def test_a_job_names_the_schema_that_lies_beside_it(tmp_path: Path) -> None:
    file = make_job(tmp_path / "job", template())
    named = re.match(r"#:schema \./(\S+)\n", file.read_text(encoding="utf-8"))
    assert named is not None
    assert named[1] == SCHEMA_NAME
    assert json.loads((file.parent / named[1]).read_text(encoding="utf-8")) == job_schema()
    assert run(["new", str(tmp_path / "other"), "--plain"]) == 0
    assert load_job(tmp_path / "other").engine.cylinders == 4
