"""What the owner sets, on the real AVR image with its EEPROM; and the image itself, as it lies ready to be loaded."""

from __future__ import annotations

import hashlib
import re
import subprocess
from pathlib import Path

import pytest

from acquire import wire
from tests.firmware.emulation import BOARDS, IMAGE, REFERENCE, Emulator, Run, Script
from tests.left_out import typical

IMAGES = REFERENCE / "images"
STILL = "knot 0 0 0 0", "knot 1 0 0 0"


def told(emulator: Emulator, memory: Path, *lines: str, channels: str = "") -> tuple[Run, list[str]]:
    """The run of a board that is told so many lines, one each 300 ms, and all that it sent."""
    script = Script([*filter(None, channels.split("\n")), *STILL])
    for i, line in enumerate(lines):
        script.say(f"send {300_000 * (i + 1)} {line}")
    script.say(f"end {300_000 * (len(lines) + 2)}")
    run = emulator.run("", script, eeprom=memory, name="settings")
    return run, (emulator.folder / "settings.output").read_text("ascii").splitlines()


@pytest.fixture
def memory(tmp_path: Path) -> Path:
    return tmp_path / "eeprom"


def test_from_the_first_line_to_the_first_reading_without_a_compiler(emulator: Emulator, memory: Path) -> None:
    wanted = [
        "set cpr 10000",
        "set index no",
        "set channels 2",
        "set kind 2 bcd",
        "set unit 2 in",
        "set step 1 0.001",
        "set name b.2",
    ]
    run, _ = told(emulator, memory, *wanted)
    assert [h.board.boot for h in run.hellos] == list(range(1, 9))
    assert not run.faults("command")
    assert run.counters.refused <= 60 * 7  # lines that were under way
    script = Script().say("channel 1 scale").say("channel 2 bcd 20000 in 5").knot(0, 0, 0, 0).knot(1_000_000, 5000, 300, -700)
    run = emulator.run("", script.say("send 1500000 settings").say("send 1600000 test").end(1_200_000), eeprom=memory)
    board = run.hellos[0].board
    assert (board.cpr, board.index, board.name, board.boot) == (10_000, False, "b.2", 9)
    assert (board.steps_mm, board.units) == ((0.001, 0.000254), ("mm", "in"))
    assert (run.last.crank, run.last.lift, run.last.flags) == (5000, (300, -700), 0)
    assert [type(e) for e in run.events if isinstance(e, wire.Settings | wire.SelfTest)] == [wire.Settings, *[wire.SelfTest] * 3]


def test_lines_that_come_at_once_are_all_done(emulator: Emulator, memory: Path) -> None:
    script = Script([*STILL, "send 1000 set cpr 500", "send 9000 set name x", "send 17000 set index no", "end 900000"])
    run = emulator.run("", script, eeprom=memory)
    board = run.hellos[-1].board
    assert (board.cpr, board.name, board.index) == (500, "x", False)
    assert run.counters.restarts == 3


@pytest.mark.parametrize("board", typical(["scale-frame24", "ascii-scale", "bcd-bcd"], BOARDS))  # every kind, on either channel
def test_set_by_hand_is_what_the_tests_set(emulator: Emulator, memory: Path, board: str) -> None:
    kinds = board.split("-")
    lines = [f"set channels {len(kinds)}", *(f"set kind {c} {kind}" for c, kind in enumerate(kinds, 1))]
    run, sent = told(emulator, memory, *lines, "settings")
    assert run.hellos[-1].board.steps_mm == emulator.run(board, Script([*STILL, "end 1000"])).hellos[0].board.steps_mm
    (shown,) = (line for line in sent if line.startswith("C,"))
    assert all(f"kind{c}={kind}," in shown for c, kind in enumerate(kinds, 1))


def test_the_settings_survive_a_power_cycle_and_damage_is_told(emulator: Emulator, memory: Path) -> None:
    told(emulator, memory, "set cpr 7200")
    run, _ = told(emulator, memory)
    assert run.hellos[0].board.cpr == 7200
    assert not run.faults("settings")
    kept = bytearray(memory.read_bytes())
    kept[4] ^= 0x10
    memory.write_bytes(kept)
    run, _ = told(emulator, memory)
    assert run.hellos[0].board.cpr == 2400
    assert run.faults("settings") == [1]
    run, _ = told(emulator, memory, "set cpr 3600")  # setting it anew ends it
    run, _ = told(emulator, memory)
    assert (run.hellos[0].board.cpr, run.faults("settings")) == (3600, [])


def test_power_that_fails_in_a_write_leaves_the_defaults_and_says_so(emulator: Emulator, memory: Path) -> None:
    """The moment of the write is looked for by halving: before it the old settings are there, behind it the new ones."""
    old, new = "bench-a", "abcdefghijklmnopqrstuvwx"
    low, high = 5_000, 30_000
    while high - low > 10:
        at = (low + high) // 2
        memory.unlink(missing_ok=True)
        told(emulator, memory, "set cpr 7200")
        script = Script([*STILL, f"send 1000 set name {new}", f"reset {at}", "end 300000"])
        run = emulator.run("", script, eeprom=memory)
        board = run.hellos[-1].board
        if board.cpr == 2400:
            assert run.faults("settings") == [1]
            return
        assert board.name in (old, new)
        low, high = (at, high) if board.name == old else (low, at)
    pytest.fail("the write was not met")


def test_a_new_index_setting_is_in_force(emulator: Emulator, memory: Path) -> None:
    turning = Script().say("index 100 1 2400").knot(0, 0, 0).knot(500_000, 4000, 0)
    assert emulator.run("", turning.end(), eeprom=memory).indexes
    told(emulator, memory, "set index no")
    assert not emulator.run("", turning, eeprom=memory).indexes


def test_the_self_test_sees_what_is_wired(emulator: Emulator, memory: Path) -> None:
    script = Script().say("index 6 2 2400").say("channel 1 scale").say("channel 2 bcd 20000 mm 3")
    told(emulator, memory, "set channels 2", "set kind 2 bcd")
    script.knot(0, 0, 0, 0).knot(500_000, 6, 1, -12345).say("send 800000 test").end()
    emulator.run("", script, eeprom=memory, name="view")
    lines = [line for line in (emulator.folder / "view.output").read_text("ascii").splitlines() if line.startswith("T,")]
    seen = [line.split(",", 3)[3].partition("*")[0] for line in lines]
    assert seen[:2] == ["of=crank,a=1,b=1,z=1,count=6,bad=0", "of=ch1,kind=scale,a=1,b=0,count=1,bad=0"]
    assert re.fullmatch(r"of=ch2,kind=bcd,clock=1,data=1,count=-12345,bad=0,age=\d+,got=52,raw=FFFF801234530", seen[2])
    assert len(seen) == 3


# The images.


def test_the_digests_are_those_of_the_images() -> None:
    listed = dict(reversed(line.split()) for line in (IMAGES / "SHA256SUMS").read_text("ascii").splitlines())
    assert listed == {path.name: hashlib.sha256(path.read_bytes()).hexdigest() for path in IMAGES.glob("*.hex")}
    assert len(listed) == 2


def test_each_image_is_a_sound_intel_hex_file_that_leaves_room_for_a_bootloader() -> None:
    # Intel Hexadecimal Object File Format Specification, revision A, 1988: the bytes of a record sum up to 0 modulo 256.
    for path in IMAGES.glob("*.hex"):
        records = [bytes.fromhex(line.removeprefix(":")) for line in path.read_text("ascii").splitlines()]
        assert {sum(record) % 256 for record in records} == {0}
        assert {record[3] for record in records} == {0, 1}
        assert max(int.from_bytes(record[1:3], "big") + record[0] for record in records) <= 32768 - 2048  # the largest common one


def test_a_rebuild_gives_the_same_bytes(emulator: Emulator) -> None:
    version = subprocess.run(["avr-gcc", "-dumpversion"], capture_output=True, text=True, check=True).stdout
    if version != (IMAGES / "COMPILER").read_text("ascii"):
        pytest.skip(f"the images were built by another avr-gcc, this is {version.strip()}")
    for path in sorted(IMAGES.glob("*.hex")):
        built = emulator.folder / path.name  # one of them from what the emulator runs
        subprocess.run(["make", "-C", str(REFERENCE), f"BUILD={emulator.folder}", str(built)], capture_output=True, check=True)
        assert built.read_bytes() == path.read_bytes(), "run make -C firmware-notes/reference images"


def test_flash_loads_the_image_that_is_named_and_builds_nothing() -> None:
    def recipe(*arguments: str) -> str:
        done = subprocess.run(
            ["make", "-n", "-C", str(REFERENCE), "flash", *arguments], capture_output=True, text=True, check=True
        )
        return "\n".join(line for line in done.stdout.splitlines() if "directory" not in line)

    usual = "avrdude -p m328p -c arduino -P /dev/ttyUSB0 -b 115200 -D -U flash:w:images/lobetrace-atmega328p-115200.hex:i"
    assert recipe("PORT=/dev/ttyUSB0") == usual
    other = recipe("PORT=COM3", "PROTOCOL=stk500v1", "SPEED=57600", "BAUD=250000")
    assert other == "avrdude -p m328p -c stk500v1 -P COM3 -b 57600 -D -U flash:w:images/lobetrace-atmega328p-250000.hex:i"
    assert f"{IMAGE}.hex" in {path.name for path in IMAGES.iterdir()}
