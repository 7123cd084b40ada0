"""Every JSON that holds measurements names its schema, keeps it, and says who measured."""

from __future__ import annotations

import json
from importlib import resources
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from acquire.cli import run

CLEAN = Path(__file__).parents[2] / "sample-captures" / "clean"
SCHEMAS: dict[str, Any] = {
    loaded["$id"]: loaded
    for file in resources.files("analysis").iterdir()
    if file.name.endswith(".schema.json")
    for loaded in [json.loads(file.read_text(encoding="utf-8"))]
}
TOLD = {"identity", "engine", "started", "board", "software"}


def test_each_schema_has_an_id_of_its_own_that_its_instances_name() -> None:
    files = [file.name for file in resources.files("analysis").iterdir() if file.name.endswith(".schema.json")]
    assert len(SCHEMAS) == len(files) >= 7
    for name, schema in SCHEMAS.items():
        jsonschema.Draft202012Validator.check_schema(schema)
        assert schema["properties"]["$schema"] == {"const": name}
        assert schema["properties"]["schema"]["const"] == int(name.rpartition(":")[2])


@pytest.mark.parametrize(
    ("command", "name"),
    [
        (["analyze", str(CLEAN)], "result:1"),
        (["compare", str(CLEAN), str(CLEAN), "--advanced", "0"], "compare:1"),
        (["dynamics", str(CLEAN), "--rpm", "3000"], "dynamics:1"),
    ],
)
def test_what_is_printed_is_what_its_schema_says(command: list[str], name: str, capsys: pytest.CaptureFixture[str]) -> None:
    run([*command, "--json"])
    found = json.loads(capsys.readouterr().out)
    assert found["$schema"] == f"urn:lobetrace:{name}"
    jsonschema.validate(found, SCHEMAS[found["$schema"]])
    told = found.get("captures", found.get("lobes"))
    each = told if isinstance(told, list) else told["before"] + told["after"]
    assert each
    assert all(set(one) >= TOLD for one in each)


def test_check_names_the_schema_of_each_decision(capsys: pytest.CaptureFixture[str]) -> None:
    run(["check", str(CLEAN), "--json"])
    (job,) = json.loads(capsys.readouterr().out)["jobs"]
    decision = job["decision"]
    jsonschema.validate(decision, SCHEMAS[decision["$schema"]])
    jsonschema.validate(decision["result"], SCHEMAS[decision["result"]["$schema"]])
