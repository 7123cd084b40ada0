"""`lobetrace board`: settings and self-test, over a pseudo-terminal against the simulated board."""

from __future__ import annotations

import asyncio
import io
import json
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager, nullcontext
from pathlib import Path
from typing import Any

import pytest

from acquire import wire
from acquire.cli import board as owning
from acquire.cli import run as command
from acquire.cli import until_told
from acquire.cli.board import Owner, commands_of
from acquire.cli.status_line import LiveLine
from acquire.procedure.wiring import Wiring
from acquire.simulator.board import BenchBoard
from acquire.simulator.encoder import Encoder
from acquire.simulator.indicator import Indicator
from acquire.simulator.rig import Rig, Work
from acquire.simulator.serve import serve
from analysis.base.errors import DeviceError, UsageError
from analysis.base.samples import Board
from analysis.job.folder import captures_of, make_job
from analysis.job.template import template

from .conftest import PATIENCE, RigOf, ScriptedBoard

RIG = Rig(indicators=(Indicator(), Indicator(per_s=10.0)), work=Work(touches=1, turns=2.5))


@pytest.fixture(autouse=True)
def _no_signals(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(until_told, "_signals", lambda _: nullcontext())  # they belong to the main thread, which serves the board


@asynccontextmanager
async def served(rig: Rig, *phases: str) -> AsyncIterator[str]:
    async with serve(rig, phases, via="pty", pace=None) as simulated:
        yield simulated.url


async def board(*arguments: str) -> int:
    return await asyncio.to_thread(command, ["board", *arguments])


async def test_settings_are_shown_and_set_in_words(capsys: pytest.CaptureFixture[str]) -> None:
    async with served(RIG) as url:
        assert await board(url, "step2=0.005", "kind2=frame24", "unit2=in", "cpr=2500", "name=mine", "index=no") == 0
        said = capsys.readouterr().out
        assert said == "mine: 2500 counts a turn, no index; channel 1 scale, 0.01 mm; channel 2 frame24, 0.005 in a count\n"
        assert await board(url, "unit2=mm", "--json") == 0
        assert json.loads(capsys.readouterr().out)["settings"] == {
            "counts_per_turn": 2500,
            "index": False,
            "channels": 2,
            "kinds": ["scale", "frame24"],
            "steps_mm": [0.01, 0.01],
            "units": ["mm", "mm"],
            "name": "mine",
        }
        assert await board(url, "kind1=bcd") == 2
        assert "the board refuses 'set kind 1 bcd'" in capsys.readouterr().err


async def self_tested(rig: Rig, turns: float, url: str) -> Owner:
    """The self-test, until the crank has made so many turns."""
    owner = Owner(url, 115200, LiveLine(io.StringIO(), lambda: 0.0), sleep=lambda _: asyncio.sleep(0.005))
    work = asyncio.create_task(owner.work([], test=True))
    async with asyncio.timeout(3 * PATIENCE):
        while owner.wiring is None or owner.wiring.turned < turns * rig.encoder.cpr:
            assert not work.done() or work.result()
            await asyncio.sleep(0)
    work.cancel()
    await asyncio.wait([work])
    return owner


async def test_a_turn_by_hand_shows_what_is_right(capsys: pytest.CaptureFixture[str]) -> None:
    async with served(RIG, "both") as url:
        owner = await self_tested(RIG, 2.3, url)
    assert owner.wiring is not None
    seen = {what: (right, words) for what, right, words in owner.wiring.verdicts()}
    assert {what: right for what, (right, _) in seen.items()} == dict.fromkeys(
        (
            "A and B",
            "direction",
            "illegal steps",
            "noise at rest",
            "index",
            "counts a turn",
            "ch1 A and B",
            "ch1 bad",
            "ch2 frame",
        ),
        True,
    ) | {"ch2 bad": True}
    assert seen["direction"][1] == "counts up"
    assert seen["counts a turn"][1] == "2400 counts from index to index, 2400 are set"
    owner.tell(False, tested=True)
    assert "right  index" in capsys.readouterr().out
    numbers = owner.wiring.numbers()
    assert (numbers["cpr_set"], numbers["cpr_seen"], numbers["direction"]) == (2400, 2400, "up")
    assert numbers["inputs"]["ch2"]["got"] == 24
    json.dumps(numbers, allow_nan=False)


def test_a_wrong_cpr_and_a_missing_index_are_said() -> None:
    wiring = Wiring(Board(600, True, "edge", (0.01,), ("mm",)))
    wiring.take([wire.Index(0, 0, 10), wire.Sample(1, 0, 10, 0, (0,), (0,)), wire.Index(2, 0, -2390)])
    assert ("counts a turn", False, "2400 counts from index to index, 600 are set") in wiring.verdicts()
    wiring = Wiring(Board(600, True, "edge", (0.01,), ("mm",)))
    wiring.take([wire.Sample(0, 0, n, 0, (0,), (0,)) for n in range(0, -700, -1)])
    assert ("index", False, "not seen in more than a full turn") in wiring.verdicts()
    assert wiring.way == -1


def test_noise_at_rest_and_bad_readings_are_wrong() -> None:
    wiring = Wiring(Board(600, True, "edge", (0.01,), ("mm",)))
    wiring.take([wire.Sample(n, 0, n % 2, 0, (0,), (0,)) for n in range(7)])
    wiring.take([wire.SelfTest(8, 0, "crank", "", (("a", 1), ("b", 1), ("z", 0)), 0, 3)])
    wiring.take([wire.SelfTest(9, 0, "crank", "", (("a", 0), ("b", 1), ("z", 0)), 0, 5)])
    wiring.take([wire.SelfTest(10, 0, "ch1", "bcd", (("clock", 1), ("data", 0)), 0, 0, 5, 53, "0")])
    found = {what: (right, words) for what, right, words in wiring.verdicts()}
    assert found["noise at rest"] == (False, "6 counts before it was turned")
    assert found["illegal steps"] == (False, "2 since this test began")
    assert found["A and B"] == (None, "B not seen to change yet: turn slowly")
    assert found["ch1 frame"] == (False, "53 bits of 52 in the newest frame")


async def test_a_board_of_wire_format_1_0_is_said_to_be_one(rig_of: RigOf, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(owning, "_ANSWER_S", 0.2)
    async with rig_of("memory", ScriptedBoard()) as rig:
        owner = Owner(rig.url, 115200, LiveLine(None, lambda: 0.0), opener=rig.opener)
        with pytest.raises(DeviceError, match="does not answer 'settings'"):
            await owner.work([], test=False)


def test_changes_come_in_the_order_a_board_wants() -> None:
    found = commands_of(["step=0.005", "name=b", "unit=in", "kind=scale", "step2=0.01", "channels=2"])
    assert [command.argument for command in found] == [
        *("channels 2", "kind 1 scale", "unit 1 in", "step 1 0.005", "step 2 0.01", "name b")
    ]


@pytest.mark.parametrize("change", ["cpr", "cpr=3", "speed=9", "kind3=scale", "cpr2=5", "name=a b", "step=0", "="])
def test_what_cannot_be_set_is_an_error_of_use(change: str) -> None:
    with pytest.raises(UsageError):
        commands_of([change])


@pytest.mark.parametrize("resets", [True, False])
async def test_a_sweep_over_a_board_that_resets_warns_at_once(
    resets: bool, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """The three-command way of the README: the stop, and then the sweep, each of which opens the port."""
    rig = Rig(encoder=Encoder(index=False), board=BenchBoard(resets=resets), work=Work(touches=1, turns=1.2))
    make_job(tmp_path / "job", template())
    results: list[Any] = []
    async with served(rig, "stop", "intake") as url:
        for step in (["--step", "stop"], ["--step", "sweep", "--valve", "intake"]):
            arguments = ["capture", str(tmp_path / "job"), "--port", url, *step, "--seconds", "2", "--json"]
            assert await asyncio.to_thread(command, arguments) == 0
            results.append(capsys.readouterr())
    assert [json.loads(said.out)["tdc_lost"] for said in results] == [False, resets]
    assert "TDC IS LOST" not in results[0].err
    warning = [line for line in results[1].err.splitlines() if "TDC IS LOST" in line]
    assert len(warning) == resets
    if resets:
        assert "(boot 57, now 58)" in warning[0]
        assert "lobetrace live JOB" in warning[0]
        lines = [line for line in results[1].err.splitlines() if not line.startswith("Ctrl-C")]
        live = next(i for i, line in enumerate(lines) if line.startswith(("count ", "the board has answered")))
        assert lines.index(warning[0]) < live  # before anything was recorded
    assert len(captures_of(tmp_path / "job")) == 2
