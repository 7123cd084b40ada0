"""Scripts that are played to the RP2040 board: what its encoder, scales and gauges do, and what the host says when. The board looks
each 100 microseconds, or as seldom as `pace` says where nothing fast is asked of it.
"""

from __future__ import annotations

from itertools import accumulate
from typing import Any

SECOND = 1_000_000
Script = dict[str, Any]
Signal = tuple[list[int], list[int]]


def steps(*pieces: tuple[int, int, int]) -> Signal:
    """Edges from (us of the first, us between, how many; negative: down), and the count from each on."""
    us = [0] + [first + i * apart for first, apart, count in pieces for i in range(abs(count))]
    counts = [1 if count > 0 else -1 for _, _, count in pieces for _ in range(abs(count))]
    assert us == sorted(us)
    return us, [0, *accumulate(counts)]


def high_while(signal: Signal, first: int, last: int) -> list[tuple[int, int]]:
    """Edges of an index pulse that is high while a count is between these, moved together with the crank."""
    pulse, level = [], 0
    for us, count in zip(*signal, strict=True):
        if (high := int(first <= count <= last)) != level:
            pulse.append((us, high))
            level = high
    return pulse


def turning() -> Script:
    """Two seconds of turning up and one of turning back, a scale at a third of the crank's speed, and a rest before and behind."""
    crank = steps((SECOND, 500, 4000), (3 * SECOND + 200_000, 800, -1200))
    scale = steps((SECOND + 130, 1500, 1333), (3 * SECOND + 200_000, 2400, -400))
    return {
        "signals": {"crank": crank, "ch1": scale},
        "pulses": high_while(crank, 3500, 3502),
        "until": 5 * SECOND,
    }


def commands() -> Script:
    """Every command, each well and badly written. The crank turns; one zero comes as an index pulse waits."""
    crank = steps((500_000, 1000, 2000))
    return {
        "signals": {"crank": crank, "ch1": steps((500_000, 3000, 600))},
        "pulses": high_while(crank, 500, 501) + high_while(crank, 1000, 1001),
        "say": [
            (400_000, "hello\n\n\r\n"),
            (1_001_500, "zero\nzero\n"),
            (1_600_000, "latch time\r\nrate 50\n"),
            (2_000_000, "settings\ntest\n"),
            (2_300_000, "rate 0\nrate 5001\nrate 05\nlatch edge \nHELLO\nset\n" + 80 * "x" + "\nlatch edge\nrate 5000\n"),
        ],
        "until": 3 * SECOND,
    }


def settings() -> Script:
    """One line a fifth of a second."""
    lines = [
        "set cpr 10000",
        "set cpr 3",
        "set cpr 1000001",
        "set cpr 4.0",
        "set index no",
        "set index maybe",
        "set channels 2",
        "set channels 3",
        "set kind 2 frame24",
        "set kind 2 ascii",
        "set kind 3 scale",
        "set kind 1 caliper",
        "set step 2 0.02",
        "set step 2 0.1",
        "set step 2 0.001",
        "set unit 2 in",
        "set unit 1 cm",
        "set step 1 0.00250",
        "set step 1 0",
        "set step 1 0.000001",
        "set step 1 65536",
        "set name bench-7.b",
        "set name two words",
        "set name 1234567890123456789012345",
        "set name",
        "set color red",
    ]
    return {
        "signals": {},
        "say": [(200_000 * (i + 1), f"{line}\nsettings\n") for i, line in enumerate(lines)],
        "until": 200_000 * (len(lines) + 2),
        "pace": 1000,
    }


GAUGES = {"bcd": (20_000, 3), "frame24": (100_000, 2), "ascii": (50_000, 3)}  # microseconds, decimals


def gauge(kind: str) -> Script:
    """A lift that stands at -200, rises to 1500 in a second, and stands; one reading spoiled, then silence for two seconds."""
    us, decimals = GAUGES[kind]
    rise = [SECOND + i * SECOND // 1700 for i in range(1700)]
    return {
        "signals": {"crank": steps((SECOND, 500, 2000)), "ch1": ([0, *rise], [-200, *range(-199, 1501)])},
        "gauges": {"ch1": (kind, us, decimals)},
        "say": [(1_000, f"set kind 1 {kind}\n"), (2_500_000, "test\n")],
        "deeds": [(2_600_000, "ch1", "spoil"), (3_000_000, "ch1", "hush"), (5_000_000, "ch1", "speak")],
        "until": 6 * SECOND,
        "pace": 250,
    }


def two_gauges() -> Script:
    return {
        "signals": {
            "crank": steps((SECOND, 1000, 500)),
            "ch1": ([0, 2 * SECOND], [0, 5_000]),
            "ch2": ([0, 2 * SECOND], [0, -7_000]),
        },
        "gauges": {"ch1": ("bcd", 15_000, 3), "ch2": ("bcd", 40_000, 3)},
        "say": [(1_000, "set kind 1 bcd\n"), (2_000, "set kind 2 bcd\n"), (3_000, "set channels 2\n")],
        "until": 3 * SECOND,
    }


def busy() -> Script:
    """Twice there is no room on the line for a while."""
    return {
        "signals": {"crank": steps((300_000, 1000, 2500))},
        "deaf": [(600_000, 800_000), (1_400_000, 1_700_000)],
        "say": [(1_699_000, "hello\n")],
        "until": 2 * SECOND,
    }


def illegal() -> Script:
    """Illegal steps of the crank and of a scale."""
    return {
        "signals": {"crank": steps((300_000, 1000, 2000))},
        "illegal": [(600_000, 1), (900_000, 2), (2_400_000, 1)],
        "say": [(1_500_000, "zero\n")],
        "until": 3 * SECOND,
    }


def noise() -> Script:
    """A thousand pulses at 100 kHz on the index line while the crank turns, a rest of which is spent without room on the line."""
    crank = steps((300_000, 500, 1000))
    return {
        "signals": {"crank": crank},
        "pulses": [(400_000 + 5 * i, 1 - i % 2) for i in range(2000)],
        "deaf": [(404_000, 408_000)],
        "until": 1_700_000,
    }


def slow() -> Script:
    """One sample a second, or less, of a crank that turns."""
    return {"signals": {"crank": steps((100_000, 7000, 700))}, "say": [(50_000, "rate 1\n")], "until": 5 * SECOND, "pace": 500}


SCRIPTS: dict[str, Script] = {
    "turning": turning(),
    "commands": commands(),
    "settings": settings(),
    **{kind: gauge(kind) for kind in GAUGES},
    "two gauges": two_gauges(),
    "busy": busy(),
    "illegal": illegal(),
    "slow": slow(),
    "noise": noise(),
}
