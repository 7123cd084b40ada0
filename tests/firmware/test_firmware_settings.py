"""What the owner sets: checked, kept with a sum, told by hello and `settings`; and the self-test's view of the inputs."""

from __future__ import annotations

import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from acquire import wire
from tests.firmware.core_on_host import ASCII, BCD, FRAME24, MS, SCALE, Core
from tests.firmware.emulation import KINDS
from tests.firmware.test_firmware_gauges import digits_on_the_wire, send_bits

HELLO = wire.encode_hello
PAUSE = 11 * MS
FIRST = "cpr=2400,index=yes,channels=1,kind1=scale,step1=0.01mm,kind2=scale,step2=0.01mm,board=bench-a"


def hellos(data: bytes) -> list[wire.Hello]:
    return [e for e in wire.Decoder().feed(data) if isinstance(e, wire.Hello)]


def shown(core: Core) -> str:
    """What the board says of its settings."""
    (line,) = (line for line in core.tell(b"settings\n").split(b"\n") if line.startswith(b"C,"))
    assert wire.Decoder().feed(line + b"\n") == []  # sound, but no board is known
    return line.decode().split(",", 3)[3].partition("*")[0]


@pytest.mark.parametrize(
    ("line", "old", "new"),
    [
        ("cpr 4", "cpr=2400", "cpr=4"),
        ("cpr 1000000", "cpr=2400", "cpr=1000000"),
        ("index no", "index=yes", "index=no"),
        ("channels 2", "channels=1", "channels=2"),
        ("name " + "n" * 24, "bench-a", "n" * 24),
        ("name a", "bench-a", "a"),
        ("kind 1 bcd", "kind1=scale,step1=0.01mm", "kind1=bcd,step1=0.001mm"),
        ("kind 1 ascii", "kind1=scale,step1=0.01mm", "kind1=ascii,step1=0.001mm"),
        ("kind 2 frame24", "kind2=scale,step2=0.01mm", "kind2=frame24,step2=0.01mm"),
        ("unit 1 in", "step1=0.01mm", "step1=0.0002in"),
        ("unit 2 in", "step2=0.01mm", "step2=0.0002in"),
        ("step 1 0.005", "step1=0.01mm", "step1=0.005mm"),
        ("step 2 65535", "step2=0.01mm", "step2=65535mm"),
        ("step 2 0.00005", "step2=0.01mm", "step2=0.00005mm"),
        ("step 1 1.5", "step1=0.01mm", "step1=1.5mm"),
        ("step 1 0.010", "step1=0.01mm", "step1=0.010mm"),
    ],
)
def test_each_is_kept_and_told(core: Core, line: str, old: str, new: str) -> None:
    first = hellos(core.start())[0]
    sent = core.tell(wire.encode_command(wire.setting(line)))
    (again,) = hellos(sent)
    assert sent.startswith(b"\nH,")
    assert (again.board.boot, again.seq) == (first.board.boot + 1, 0)
    expected = FIRST.replace(old, new)
    assert shown(core) == expected
    core.lib.t_start(10_000, 0)  # power off and on
    assert hellos(core.work())[0].board.steps_mm == again.board.steps_mm
    assert shown(core) == expected


@pytest.mark.parametrize(
    "line",
    [
        *[
            "",
            "cpr",
            "cpr ",
            "cpr 3",
            "cpr 0",
            "cpr 01",
            "cpr 1000001",
            "cpr 99999999999",
            "cpr 2400x",
            "cpr -4",
            "cpr 4 4",
            "cpr  4",
        ],
        *["index", "index maybe", "index yes ", "index YES", "channels 0", "channels 3", "channels 1 ", "channels 12"],
        *["name ", "name " + "n" * 25, "name a b", "name a,b", "name a=b", "name \xe9"],
        *["kind 1", "kind 1 ", "kind 1 scales", "kind 3 scale", "kind 0 scale", "kind scale", "kind 2 ascii", "kind 12 bcd"],
        *[
            "unit 1 cm",
            "unit in",
            "step 1 0",
            "step 1 0.0",
            "step 1 .5",
            "step 1 5.",
            "step 1 0.000005",
            "step 1 65536",
            "step 1 0.005mm",
        ],
        *["step 1 1.2.3", "step 1 -1", "step 1 00.5", "step 1", "speed 9", "cprs 9"],
    ],
)
def test_what_cannot_be_set_is_a_fault_and_changes_nothing(core: Core, line: str) -> None:
    core.start()
    sent = core.tell(b"set " + line.encode("latin-1") + b"\n")
    assert hellos(sent) == []
    assert b",command,1*" in sent
    assert shown(core) == FIRST


@pytest.mark.parametrize(("kind", "name"), [(BCD, "bcd"), (FRAME24, "frame24"), (ASCII, "ascii")])
def test_a_gauge_counts_in_powers_of_ten(core: Core, kind: int, name: str) -> None:
    core.start(kind, decimals=3)
    assert hellos(core.tell(b"set step 1 0.0001\n"))
    assert f"kind1={name},step1=0.0001mm" in shown(core)
    assert not hellos(core.tell(b"set step 1 0.005\n"))
    assert bool(hellos(core.tell(b"set step 1 0.1\n"))) == (kind != FRAME24)  # that one tells hundredths


def test_a_new_board_has_the_usual_of_the_trade(core: Core) -> None:
    core.lib.t_memory(b"", 0)
    core.lib.t_start(10_000, 0)
    assert b"settings" not in core.work() + core.after(1000 * MS)
    assert shown(core) == FIRST.replace("0.01mm", "0.005mm")


@given(st.integers(0, 400), st.integers(0, 7))
def test_a_damaged_memory_is_told_and_the_defaults_are_taken(core: Core, byte: int, bit: int) -> None:
    core.lib.settings_store(core.settings(BCD, cpr=10_000, name=b"x"))
    kept = bytearray(core.ffi.buffer(core.lib.t_remembered(), core.ffi.sizeof("struct settings") + 4)[:])
    kept[byte % len(kept)] ^= 1 << bit
    core.lib.t_memory(bytes(kept), len(kept))
    core.lib.t_start(10_000, 0)
    sent = core.work()
    board = hellos(sent)[0].board
    if b",settings,1*" in sent:
        assert (board.cpr, board.name, board.steps_mm) == (2400, "bench-a", (0.005,))
    else:  # the bit stood in a gap between the fields that the sum does not need
        assert (board.cpr, board.name, board.steps_mm) == (10_000, "x", (0.01,))
        assert byte % len(kept) > core.ffi.sizeof("struct settings")


@given(st.text("setcprindxkumhalbf 0123456789.-\r", max_size=40))
def test_whatever_is_typed_the_board_stays_sound(core: Core, typed: str) -> None:
    core.start()
    core.tell(b"set " + typed.replace("\n", "").encode() + b"\n")
    assert re.fullmatch(
        r"cpr=[1-9]\d*,index=(yes|no),channels=[12],(kind[12]=(scale|bcd|frame24|ascii),step[12]=[\d.]+(mm|in),){2}board=[\w.-]+",
        shown(core),
    )
    assert hellos(core.tell(b"hello\n"))


@pytest.mark.parametrize(("why", "number"), [(1, b"1"), (2, b"2")])
def test_a_restart_is_said_with_its_reason(core: Core, why: int, number: bytes) -> None:
    sent = core.start(why=why)
    assert sent.index(b"\nH,") < sent.index(b",restart,%b*" % number)
    assert b"restart" not in core.after(5000 * MS)
    core.tell(b"set cpr 2400\n")
    assert b"restart" not in core.after(5000 * MS)  # starting anew for a setting is none


def views(core: Core) -> list[dict[str, str]]:
    lines = [line for line in core.tell(b"test\n").split(b"\n") if line.startswith(b"T,")]
    return [dict(field.split("=") for field in line.decode().partition("*")[0].split(",")[3:]) for line in lines]


def test_the_view_of_the_crank_and_of_a_scale(core: Core) -> None:
    core.start(SCALE, SCALE)
    core.lib.t_levels(0b10_01_101)
    for pins in (2, 3):
        core.lib.t_crank(pins)
    for pins in (1, 2):
        core.lib.t_scale(1, pins)
    assert views(core) == [
        {"of": "crank", "a": "1", "b": "0", "z": "1", "count": "2", "bad": "0"},
        {"of": "ch1", "kind": "scale", "a": "1", "b": "0", "count": "0", "bad": "0"},
        {"of": "ch2", "kind": "scale", "a": "0", "b": "1", "count": "-1", "bad": "1"},
    ]


def test_the_view_of_a_gauge_shows_what_came_and_why_it_was_refused(core: Core) -> None:
    core.start(BCD, decimals=3)
    core.lib.t_pass(PAUSE)
    core.lib.t_levels(0b11 << 3)
    assert views(core)[1] | {"age": ""} == {
        **{"of": "ch1", "kind": "bcd", "clock": "1", "data": "1", "count": "0", "bad": "0"},
        **{"age": "", "got": "0", "raw": ""},
    }
    send_bits(core, digits_on_the_wire("FFFF801234530"))
    core.lib.t_pass(PAUSE)
    core.work()
    assert {k: views(core)[1][k] for k in ("count", "got", "raw")} == {"count": "-12345", "got": "52", "raw": "FFFF801234530"}
    send_bits(core, digits_on_the_wire("FFFF80123")[:35])
    core.lib.t_pass(PAUSE)
    core.work()
    seen = views(core)[1]
    assert {k: seen[k] for k in ("count", "bad", "got", "raw")} == {
        **{"count": "-12345", "bad": "1", "got": "35", "raw": "FFFF80123"},
    }


def test_the_view_of_a_serial_gauge(core: Core) -> None:
    core.start(ASCII, decimals=3)
    core.lib.t_gauge(b"+1.250 mm\r\nER", 13)
    core.work()
    seen = views(core)[1]
    assert {k: seen[k] for k in ("line", "count", "got", "raw")} == {"line": "0", "count": "1250", "got": "2", "raw": "ER"}
    core.lib.t_gauge(b"R,*\r", 4)
    core.work()
    seen = views(core)[1]
    assert {k: seen[k] for k in ("bad", "got", "raw")} == {"bad": "1", "got": "5", "raw": "ERR__"}


def test_the_kinds_are_those_of_the_emulators_boards() -> None:
    assert [KINDS[kind][0] for kind in ("scale", "bcd", "frame24", "ascii")] == [SCALE, BCD, FRAME24, ASCII]
