"""The RP2040 board on a pseudo-terminal, under CPython and under MicroPython: `lobetrace` reads it, and finds the truth of a rig."""

from __future__ import annotations

import asyncio
import json
import os
import subprocess
import sys
import tty
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from acquire import wire
from acquire.cli import run
from acquire.cli.demo_job import job_text
from acquire.link.connection import connect
from acquire.link.outcomes import Batch
from acquire.simulator.hand import Hand
from acquire.simulator.phases import Recording, record
from acquire.simulator.rig import Rig, Work
from acquire.simulator.scenarios import scenario_named
from acquire.simulator.train import Lift
from acquire.simulator.trajectory import Play
from acquire.simulator.truth import truth
from analysis.capture import load
from tests.firmware.found_truth import finds_the_truth
from tests.firmware.micropython import MicroPython
from tests.firmware.rp2040_scripts import Script, high_while, steps
from tests.left_out import thorough

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="no pseudo-terminals there")

LOBETRACE = [sys.executable, "-m", "acquire"]
STEP_MM = 0.005
STILL_US = 7_000_000  # behind each phase, so that a recording can end

Live = Callable[[Script], AbstractContextManager[str]]


@pytest.fixture(params=["cpython", "micropython"])
def interpreter(request: pytest.FixtureRequest) -> str:
    return str(request.param)


@pytest.fixture
def live(request: pytest.FixtureRequest, interpreter: str, tmp_path: Path) -> Live:
    """Puts the board on a pseudo-terminal, and gives its name."""
    path = tmp_path / "script.json"
    if interpreter == "cpython":
        command = [sys.executable, "-m", "tests.firmware.rp2040_on_cpython", str(path), str(tmp_path)]
    else:
        command = MicroPython.installed(Path(request.config.cache.mkdir("micropython"))).command(path, "live")

    @contextmanager
    def living(script: Script) -> Iterator[str]:
        path.write_text(json.dumps(script))
        master, slave = os.openpty()
        tty.setraw(slave)
        os.set_blocking(master, False)
        errors = (tmp_path / "stderr").open("w")
        with errors, subprocess.Popen(command, stdin=master, stdout=master, stderr=errors) as process:
            try:
                yield os.ttyname(slave)
                assert process.poll() is None, (tmp_path / "stderr").read_text()
            finally:
                process.kill()
        os.close(master)
        os.close(slave)
        assert not (tmp_path / "crash.txt").exists(), (tmp_path / "crash.txt").read_text()

    return living


def lobetrace(*arguments: str) -> dict[str, Any]:
    done = subprocess.run([*LOBETRACE, *arguments, "--json"], capture_output=True, text=True, check=False)
    assert done.returncode in (0, 1), done.stderr
    return json.loads(done.stdout)


def script_of(rig: Rig, phases: list[Recording]) -> Script:
    """The rig's own edges; on each channel a scale that stands, at every edge of the crank, where the lift is right there.

    Phases follow each other with a stand-still and a hold.
    """
    cpr = rig.encoder.cpr
    place = (int(np.floor(rig.encoder.reading(rig.encoder.index_deg))) + rig.count_offset) % cpr
    us, counts, holds, driven = [0], [int(phases[0].crank.at(phases[0].motion.time[:1])[0])], [], rig.start_deg
    lifts: list[list[int]] = [[0] for _ in rig.indicators]
    for phase in phases:
        drive = Play(phase.motion, rig.train.slack_deg, driven)
        driven = drive.end
        begin = us[-1] + STILL_US if holds else 0
        holds.append(begin)
        time = np.concatenate([[phase.motion.time[0]], phase.crank.time])  # in front of the first edge the lift is right too
        us += (begin + 100_000 + np.rint((time - phase.motion.time[0]) * 1e6)).astype(int).tolist()
        counts += [counts[-1], *phase.crank.count.tolist()]
        for name, gauge, lift in zip(phase.channels, rig.indicators, lifts, strict=True):
            travel = Lift(rig.cam, rig.train, name, gauge.where, drive)(time) if name in ("intake", "exhaust") else 0 * time
            lift += np.rint(gauge.sign * gauge.gain * travel / STEP_MM).astype(int).tolist()
    pulses, level = [], int(counts[0] % cpr == place)
    for at, count in zip(us, counts, strict=True):
        if (high := int(count % cpr == place)) != level:
            pulses.append((at, high))
            level = high
    signals = {"crank": (us, counts)} | {f"ch{i + 1}": (us, lift) for i, lift in enumerate(lifts)}
    return {"signals": signals, "pulses": pulses, "holds": holds, "pace": 250}


TURN = steps((300_000, 1000, 700), (1_500_000, 1000, -100))
SHORT: Script = {
    "signals": {"crank": TURN, "ch1": steps((300_000, 3000, 200))},
    "pulses": high_while(TURN, 650, 650),
    "holds": [0],
    "pace": 400,
    "set": ["cpr 400", "step 1 0.01"],
}


@pytest.mark.parametrize("interpreter", ["cpython", *thorough("micropython")], indirect=True)
def test_a_capture_has_what_was_turned(live: Live, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    job = str(tmp_path / "job")
    assert run(["new", job]) == 0
    capsys.readouterr()
    sweep = ["--step", "sweep", "--valve", "intake", "--until-still", "1", "--json"]
    with live(SHORT) as port:
        assert run(["capture", job, "--port", port, *sweep]) == 0
    told = json.loads(capsys.readouterr().out)
    assert (told["lost"], told["refused_bytes"]) == (0, 0)
    capture = load(Path(told["capture"]))
    assert capture.complete
    assert capture.header is not None
    assert capture.header.board.cpr == 400
    assert capture.samples.crank[-1] == 600
    assert capture.samples.crank.max() == 700
    assert capture.index.crank.tolist() == [650, 650]
    assert capture.samples.lift[:, -1].tolist() == [200]
    assert not (capture.samples.flags & 255).any()


async def twice(port: str) -> tuple[list[wire.Event], wire.Hello, wire.Hello]:
    """Greets the board, sets it to zero after a while, leaves it, and greets it again."""
    first = await connect(port)
    events: list[wire.Event] = []
    while sum(isinstance(e, wire.Sample) for e in events) < 20:
        events += batch.events if isinstance(batch := await first.read(60.0), Batch) else ()
    await first.send(wire.ZERO)
    while not (any(isinstance(e, wire.Hello) for e in events) and isinstance(events[-1], wire.Heartbeat)):
        events += batch.events if isinstance(batch := await first.read(60.0), Batch) else ()
    assert (first.counters.lost, first.counters.refused) == (0, 0)
    greeted = first.hello
    await first.close()
    second = await connect(port)
    again = second.hello
    await second.close()
    return events, greeted, again


def test_opening_the_port_again_starts_no_board(live: Live) -> None:
    with live(SHORT) as port:
        events, first, second = asyncio.run(twice(port))
    assert second.board.boot == first.board.boot == 1
    assert second.seq > first.seq
    assert isinstance(events[-1], wire.Heartbeat)
    assert events[-1].crank < 700  # since zero


@pytest.mark.parametrize("interpreter", thorough("cpython"), indirect=True)  # for the other the sweep is too long
def test_the_command_reads_the_board_and_finds_the_truth(live: Live, tmp_path: Path) -> None:
    scenario = scenario_named("two-channel", seed=5)
    brisk = Hand(speed=(60.0, 120.0), rest=(0.1, 0.4))
    scenario = replace(scenario, rig=replace(scenario.rig, hand=brisk, work=Work(touches=1, turns=4.5, between_s=0.0)))
    phases = list(record(scenario.rig, scenario.phases))
    true = truth(scenario.rig)
    job = tmp_path / "job"
    job.mkdir()
    (job / "job.toml").write_text(job_text(scenario, true), encoding="utf-8")
    with live(script_of(scenario.rig, phases) | {"set": ["channels 2", f"cpr {scenario.rig.encoder.cpr}"]}) as port:
        ending = ["--port", port, "--until-still", "5"]
        stop = lobetrace("capture", str(job), "--step", "stop", *ending)
        sweep = lobetrace("capture", str(job), "--step", "sweep", "--valve", "both", *ending)
    assert stop["lost"] == sweep["lost"] == stop["refused_bytes"] == sweep["refused_bytes"] == 0
    finds_the_truth(lobetrace("analyze", str(job)), true)
