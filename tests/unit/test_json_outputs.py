"""Every JSON that holds measurements names its schema, keeps it, and says who measured."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from importlib import resources
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from acquire.cli import run
from acquire.simulator.scenarios import Scenario
from tests.recorded import demo_job, job_folder
from tests.rigs import SHORT

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


@pytest.fixture(scope="module")
def three_jobs(tmp_path_factory: pytest.TempPathFactory) -> list[str]:
    """One camshaft on three dates."""
    text = demo_job(Scenario("short", "A short rig.", SHORT))
    root = tmp_path_factory.mktemp("jobs")
    told = {"camshaft_serial": "C-1", "operator": "second shift"}
    return [
        str(job_folder(root / date[:4], text, replace(SHORT, seed=seed), ("stop", "intake"), started=f"{date}T10:00:00", **told))
        for seed, date in enumerate(("2024-01-10", "2025-01-09", "2026-01-09"), start=1)
    ]


@pytest.mark.parametrize(
    ("command", "name", "held"),
    [
        (["overlay"], "overlay:2", "valves"),
        (["overlay", "--against", "rest"], "overlay:2", "valves"),
        (["repeatability", "--by", "day"], "repeatability:1", "valves"),
        (["trend"], "trend:1", "lobes"),
    ],
    ids=["overlay", "overlay against the rest", "repeatability", "trend"],
)
def test_what_is_compared_says_of_each_sweep_who_measured_it_and_when(
    three_jobs: list[str], command: list[str], name: str, held: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run([command[0], *three_jobs, *command[1:], "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    assert found["$schema"] == f"urn:lobetrace:{name}"
    jsonschema.validate(found, SCHEMAS[found["$schema"]])
    (one,) = found[held]
    sweeps = one["sweeps"] if "sweeps" in one else [sweep for lobe in one["lobes"] for sweep in lobe["sweeps"]]
    assert {sweep["started"][:4] for sweep in sweeps} == {sweep["job"] for sweep in sweeps} == {"2024", "2025", "2026"}
    for sweep in sweeps:
        assert set(sweep) >= TOLD | {"capture", "sha256"}
        assert (sweep["identity"]["camshaft_serial"], sweep["identity"]["operator"]) == ("C-1", "second shift")


def test_a_profile_against_its_nominal_says_who_measured_it(
    three_jobs: list[str], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    rows = (f"{deg},{4 + 4 * math.cos(math.pi * deg / 70):.5f}" for deg in range(-70, 71))
    (tmp_path / "lobe.csv").write_text("cam_deg,lift_mm\n" + "\n".join(rows) + "\n", encoding="utf-8")
    run(["profile", three_jobs[0], "--nominal", str(tmp_path / "lobe.csv"), "--json"])
    found = json.loads(capsys.readouterr().out)
    jsonschema.validate(found, SCHEMAS[found["$schema"]])
    assert found["$schema"] == "urn:lobetrace:profile:1"
    assert all(set(lobe) >= TOLD for lobe in found["lobes"])


def test_check_names_the_schema_of_each_decision(capsys: pytest.CaptureFixture[str]) -> None:
    run(["check", str(CLEAN), "--json"])
    (job,) = json.loads(capsys.readouterr().out)["jobs"]
    decision = job["decision"]
    jsonschema.validate(decision, SCHEMAS[decision["$schema"]])
    jsonschema.validate(decision["result"], SCHEMAS[decision["result"]["$schema"]])
