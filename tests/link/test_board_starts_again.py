"""A board that starts again in the middle of a sweep: the count has another zero from there on, and nobody mixes the two."""

from __future__ import annotations

import asyncio
import io
import json
from dataclasses import replace
from functools import cache
from pathlib import Path
from typing import Any

import pytest

from acquire import wire
from acquire.cli import capture as capturing
from acquire.cli import run as command
from acquire.cli.capture import Capturing, setup_of
from acquire.cli.status_line import LiveLine
from acquire.procedure.limits import Limits
from acquire.procedure.session import Place
from acquire.procedure.steps import SWEEP
from acquire.simulator.scenarios import scenario_named
from acquire.simulator.truth import truth
from analysis.capture import load
from analysis.job import load_job
from analysis.job.folder import captures_of
from tests.recorded import demo_job, job_folder, last_of

from .conftest import PATIENCE, MemoryRig, RigOf, ScriptedBoard

SCENARIO = scenario_named("clean", seed=21)


@cache
def sweep_with_a_restart(turns: float) -> tuple[list[wire.Frame], list[wire.Frame], wire.Hello]:
    """An intake sweep whose board fell after so many turns of the crank: frames before, frames after, and the hello in between."""
    first, *frames = wire.Decoder().feed(last_of(SCENARIO.rig, ("stop", "intake")).data)
    assert isinstance(first, wire.Hello)
    start = next(frame.crank for frame in frames if isinstance(frame, wire.Sample))
    cut = next(i for i, f in enumerate(frames) if isinstance(f, wire.Sample) and abs(f.crank - start) >= turns * first.board.cpr)
    before, after = frames[:cut], frames[cut:]
    here = after[0].crank
    # Its numbers, its clock and its count begin anew where the crank happens to stand.
    anew = [
        frame._replace(
            seq=i,
            time_us=5012 + (frame.time_us - after[0].time_us),
            **({"crank": frame.crank - here} if hasattr(frame, "crank") else {}),
        )
        for i, frame in enumerate(after)
    ]
    return before, anew, wire.Hello(replace(first.board, boot=first.board.boot + 1), 0, 5012, restarted=True)


async def recorded(folder: Path, rig: MemoryRig, turns: float, whole: bool, monkeypatch: pytest.MonkeyPatch) -> None:
    """The sweep into the job at `folder`, by way of a link; only what came before the fall unless `whole`."""
    before, after, hello = sweep_with_a_restart(turns)
    monkeypatch.setattr(capturing, "open_pipe", lambda *address, **_: rig.opener(*address))
    live = LiveLine(io.StringIO(), lambda: 0.0)
    made = Capturing(setup_of(load_job(folder), folder, Place(SWEEP, "intake")), "memory", Limits(), live)
    wanted = sum(isinstance(f, wire.Sample | wire.Heartbeat) for f in [*before, *(after if whole else [])])

    async with rig:
        reading = asyncio.create_task(made.read())
        while made.path is None:
            await asyncio.sleep(0)
        await rig.say(b"".join(map(wire.encode_frame, before)) + b"S,99,4")
        if whole:
            await rig.say(b"\n" + wire.encode_hello(hello.board, 0, 5012) + b"".join(map(wire.encode_frame, after)))
        async with asyncio.timeout(PATIENCE):
            while made.counts.rows < wanted:
                await asyncio.sleep(0)
        reading.cancel()
        await asyncio.wait([reading])


def job_with_tdc(folder: Path) -> Path:
    return job_folder(folder, demo_job(SCENARIO), SCENARIO.rig, ("stop",))


def board_before() -> ScriptedBoard:
    before, _, hello = sweep_with_a_restart(1.0)
    board = ScriptedBoard()
    board.hello = replace(hello.board, boot=hello.board.boot - 1)
    board.seq = before[0].seq
    return board


def analysis(job: Path, capsys: pytest.CaptureFixture[str]) -> tuple[int, Any]:
    capsys.readouterr()
    code = command(["analyze", str(job), "--json"])
    out, err = capsys.readouterr()
    return code, json.loads(out) if code == 0 else err


async def test_the_start_stands_in_the_capture_and_what_is_enough_is_used_alone(
    tmp_path: Path, rig_of: RigOf, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """After 5 of 7 turns two whole lobes are there. What comes behind the start changes no number, though its count begins at 0."""
    found = []
    for name, whole in (("whole", True), ("cut", False)):
        job = job_with_tdc(tmp_path / name)
        await recorded(job, rig_of("memory", board_before()), 5.0, whole, monkeypatch)
        capture = load(captures_of(job)[-1])
        assert capture.complete
        assert sorted({*capture.samples.origin.tolist()}) == ([0, 1] if whole else [0])
        starts = [line for line in Path(capture.path).read_text(encoding="utf-8").splitlines() if line.startswith('# {"start"')]
        assert [json.loads(line[2:])["start"]["same_count"] for line in starts] == ([False] if whole else [])
        code, result = analysis(job, capsys)
        assert code == 0, result
        found.append(result)
    whole_result, cut_result = found
    assert whole_result["lobes"] == cut_result["lobes"]
    assert whole_result["tdc"] == cut_result["tdc"]
    assert "started-again" in [warning["code"] for warning in whole_result["warnings"]]
    assert "started-again" not in [warning["code"] for warning in cut_result["warnings"]]
    true = truth(SCENARIO.rig).lobe("intake").centerline_by["equal_lift"]
    assert whole_result["lobes"][0]["centerline_deg"]["value"] == pytest.approx(true, abs=0.1)


async def test_halves_of_a_lobe_are_refused(
    tmp_path: Path, rig_of: RigOf, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    job = job_with_tdc(tmp_path / "job")
    await recorded(job, rig_of("memory", board_before()), 0.8, True, monkeypatch)
    code, sentence = analysis(job, capsys)
    assert code == 2
    assert len(sentence.splitlines()) == 1
    assert "Traceback" not in sentence
