"""Every JSON document names its schema, keeps it, and says which lobetrace wrote it; what holds measurements says who measured."""

from __future__ import annotations

import inspect
import json
import math
import shlex
import shutil
import signal
import subprocess
import sys
from collections.abc import Callable, Iterator
from dataclasses import replace
from importlib import resources
from pathlib import Path
from typing import Any

import jsonschema
import pytest
from referencing import Registry, Resource

from acquire.cli import board, run, say, simulate
from acquire.cli.commands import app
from acquire.cli.status_line import LiveLine
from acquire.simulator.scenarios import Scenario
from analysis.base.version import version
from tests.archived import archive
from tests.left_out import thorough
from tests.recorded import demo_job, job_folder
from tests.rigs import SHORT

SAMPLES = Path(__file__).parents[2] / "sample-captures"
CLEAN = SAMPLES / "clean"
SCHEMAS: dict[str, Any] = {
    loaded["$id"]: loaded
    for file in resources.files("analysis").iterdir()
    if file.name.endswith(".schema.json")
    for loaded in [json.loads(file.read_text(encoding="utf-8"))]
}
COMMANDS: dict[str, Any] = json.loads((resources.files("acquire.cli") / "commands.schema.json").read_text(encoding="utf-8"))
REGISTRY: Registry[Any] = Registry().with_resources(
    (schema["$id"], Resource.from_contents(schema)) for schema in (COMMANDS, *SCHEMAS.values())
)
TOLD = {"identity", "engine", "started", "board", "software"}

# Each command with --json, called in every way that prints a document of its own; {URL} is a board.
CALLS = [
    "new made",
    "simulate",
    "ports --no-ask",
    "ports {URL} --within 60",
    "board {URL} name=bench",
    "board {URL}",
    "capture recorded --port {URL} --step sweep --valve intake --passes 1 --seconds 100",
    "demo --folder demo --seed 3",
    "analyze jobs/sound",
    "analyze jobs/sound --budget",
    "analyze jobs",
    "check jobs",
    "check nowhere",
    "table jobs -o tables",
    "table tables --query 'SELECT job, started, captures FROM jobs'",
    "verify jobs/sound --baseline baseline.json --update",
    "verify jobs/sound --baseline baseline.json",
    "verify jobs/sound jobs/refused --baseline baseline.json",
    "report jobs/sound -o sheet.html",
    "compare jobs/sound jobs/sound --advanced 1",
    "overlay 2024 2025",
    "profile 2024 --nominal lobe.csv",
    "repeatability 2024 2025 2026 --by day",
    "dynamics jobs/sound --rpm 3000",
    "trend 2024 2025 2026",
]


def test_each_schema_has_an_id_of_its_own_that_its_instances_name() -> None:
    files = [file.name for file in resources.files("analysis").iterdir() if file.name.endswith(".schema.json")]
    assert len(SCHEMAS) == len(files) >= 7
    for name, schema in SCHEMAS.items():
        jsonschema.Draft202012Validator.check_schema(schema)
        assert schema["properties"]["$schema"] == {"const": name}
        assert schema["properties"]["schema"]["const"] == int(name.rpartition(":")[2])
    jsonschema.Draft202012Validator.check_schema(COMMANDS)
    assert COMMANDS["$id"] == say.SCHEMA_ID not in SCHEMAS


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
        (["trend"], "trend:1", "lobes"),
        *thorough(
            (["overlay", "--against", "rest"], "overlay:2", "valves"),
            (["repeatability", "--by", "day"], "repeatability:1", "valves"),
        ),
    ],
    ids=["overlay", "trend", "overlay against the rest", "repeatability"],
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


def keeps_its_schema(document: dict[str, Any]) -> None:
    """The document, and every one in it, against the schema that it names; and no key of it is one that its schema passes over."""
    for each in named_within(document):
        name = each["$schema"]
        jsonschema.Draft202012Validator({"$ref": name}, registry=REGISTRY).validate(each)
        schema = REGISTRY.resolver().lookup(name).contents
        described = {*schema["properties"], *(COMMANDS["$defs"]["head"]["properties"] if "#" in name else ())}
        assert set(each) <= described, name


def named_within(tree: Any) -> Iterator[dict[str, Any]]:
    if isinstance(tree, dict):
        if "$schema" in tree:
            yield tree
        for each in tree.values():
            yield from named_within(each)
    elif isinstance(tree, list):
        for each in tree:
            yield from named_within(each)


@pytest.fixture(scope="module")
def bench(three_jobs: list[str]) -> Path:
    """A folder with everything that the calls name."""
    folder = Path(three_jobs[0]).parent
    sound, refused, empty = (folder / "jobs" / name for name in ("sound", "refused", "empty"))
    for job in (sound, refused):
        shutil.copytree(SAMPLES / "cut-short", job)
    for stop in refused.glob("captures/*stop*"):
        stop.unlink()
    empty.mkdir()
    shutil.copy(sound / "job.toml", empty)
    shutil.copytree(empty, folder / "recorded")
    rows = (f"{deg},{4 + 4 * math.cos(math.pi * deg / 70):.5f}" for deg in range(-70, 71))
    (folder / "lobe.csv").write_text("cam_deg,lift_mm\n" + "\n".join(rows) + "\n", encoding="utf-8")
    assert run(["table", str(sound), "-o", str(folder / "tables")]) == 0
    assert run(["verify", str(sound), "--baseline", str(folder / "baseline.json"), "--update"]) == 0
    return folder


class UntilSeen(LiveLine):
    """Ctrl-C as soon as the self-test has told of an indicator."""

    def show(self, text: Callable[[], str], *, now: bool = False) -> None:  # noqa: ARG002
        if "ch1" in text():
            signal.raise_signal(signal.SIGINT)


@pytest.fixture
def url(monkeypatch: pytest.MonkeyPatch) -> Iterator[str]:
    """A simulated board on a port of this machine, for hosts with time; where it is reached is a document too."""
    monkeypatch.setattr(board, "LiveLine", UntilSeen)
    monkeypatch.setattr(board, "_ANSWER_S", 60.0)
    command = [
        sys.executable,
        "-m",
        "acquire",
        "simulate",
        "--scenario",
        "clean",
        "--phases",
        "intake",
        "--pace",
        "20",
        "--socket",
    ]
    with subprocess.Popen([*command, "--json"], stdout=subprocess.PIPE, text=True) as simulator:
        assert simulator.stdout is not None
        try:
            told = json.loads(simulator.stdout.readline())
            keeps_its_schema(told)
            yield told["url"]
        finally:
            simulator.terminate()


@pytest.mark.parametrize("call", CALLS)
def test_every_document_keeps_the_schema_that_it_names(
    call: str, bench: Path, request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(bench)
    run([*shlex.split(call.format(URL=request.getfixturevalue("url")) if "{URL}" in call else call), "--json"])
    out, err = capsys.readouterr()
    assert out, err
    found = json.loads(out)
    assert "$schema" in found
    assert {each["lobetrace"] for each in named_within(found)} == {version()}
    keeps_its_schema(found)


def test_every_command_with_json_is_called_here() -> None:
    commands = [each.callback for each in app.registered_commands if each.callback is not None]
    assert {each.__name__ for each in commands if "json" in inspect.signature(each).parameters} == {c.split()[0] for c in CALLS}


def test_what_was_not_measured_is_still_known_by_who_recorded_it(
    bench: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(bench)
    for command in ("check", "analyze"):
        run([command, "jobs", "--json"])
        jobs = {each["job"]: each for each in json.loads(capsys.readouterr().out)["jobs"]}
        assert jobs["jobs/empty"]["captures"] == []
        assert jobs["jobs/refused"]["captures"]
        assert all(set(each) >= TOLD for each in jobs["jobs/refused"]["captures"])


def test_the_files_that_are_written_keep_theirs(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A baseline and a simulator's truth. A baseline of before, which names none, is read all the same."""
    jobs_in = archive(tmp_path / "jobs", 1)
    baseline, truth = tmp_path / "baseline.json", tmp_path / "truth.json"
    assert run(["verify", str(jobs_in), "--baseline", str(baseline), "--update"]) == 0
    monkeypatch.setattr(simulate, "serve", lambda *_, **__: None)
    assert run(["simulate", "--scenario", "clean", "--truth", str(truth)]) == 0
    for file in (baseline, truth, SAMPLES / "baseline.json"):
        told = json.loads(file.read_text(encoding="utf-8"))
        assert "$schema" in told
        keeps_its_schema(told)
    whole = json.loads(baseline.read_text(encoding="utf-8"))
    (job,) = whole["jobs"].values()
    assert (job["identity"]["engine_number"], job["engine"], job["started"][:10]) == ("0", "Tidewater 4", "2025-03-14")
    for key in ("identity", "engine", "started"):
        del job[key]
    old = {"schema": 1, "jobs": whole["jobs"]}
    baseline.write_text(json.dumps(old), encoding="utf-8")
    assert run(["verify", str(jobs_in), "--baseline", str(baseline)]) == 0
