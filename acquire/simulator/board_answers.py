"""What the owner of the simulated board can ask and set: its settings, and the self-test of its inputs. No I/O, no state.

The rig stays what it is: a wrong `cpr` or step is said, and the counts show that it is wrong, as on a bench.
"""

from __future__ import annotations

from dataclasses import replace

from acquire.simulator.rig import Rig
from acquire.wire import SelfTest, Settings
from acquire.wire.fields import to_step
from analysis.base.samples import Board

_USUAL = {("scale", "mm"): "0.005", ("scale", "in"): "0.0002", ("frame24", "mm"): "0.01", ("frame24", "in"): "0.0001"}


def settings_of(rig: Rig) -> Settings:
    """The settings that fit the rig; an indicator that sends by itself is of the kind `frame24`."""
    kinds = tuple("frame24" if i.per_s else "scale" for i in rig.indicators)
    board = rig.hello
    return Settings(0, 0, board.cpr, board.index, len(kinds), kinds, board.steps_mm, board.units, board.name)


def hello_of(rig: Rig, settings: Settings) -> Board:
    """What the board says it is."""
    return replace(
        rig.hello,
        cpr=settings.cpr,
        index=settings.index,
        steps_mm=settings.steps_mm,
        units=settings.units,
        name=settings.board,
    )


def after_set(settings: Settings, text: str) -> Settings | None:
    """The settings after `set` with a text that is a command; None for a kind or a number of channels that the rig has not."""
    key, *where, value = text.split(" ")
    match key:
        case "cpr":
            return replace(settings, cpr=int(value))
        case "index":
            return replace(settings, index=value == "yes")
        case "name":
            return replace(settings, board=value)
        case "channels":
            return settings if int(value) == settings.channels else None
    at = int(where[0]) - 1
    if at >= settings.channels or (key == "kind" and value != settings.kinds[at]):
        return None
    unit = value if key == "unit" else settings.units[at]
    step = to_step((value if key == "step" else _USUAL[settings.kinds[at], unit]) + unit)[0]
    steps, units = list(settings.steps_mm), list(settings.units)
    steps[at], units[at] = step, unit
    return replace(settings, steps_mm=tuple(steps), units=tuple(units))


def crank_test(seq: int, time_us: int, count: int, bad: int, at_index: bool) -> SelfTest:
    """The self-test of the crank's inputs."""
    a, b = _levels(count)
    return SelfTest(seq, time_us, "crank", "", (("a", a), ("b", b), ("z", int(at_index))), count, bad)


def channel_test(seq: int, time_us: int, channel: int, settings: Settings, count: int, age_us: int) -> SelfTest:
    """The self-test of one channel's inputs; between two frames of a gauge both of its lines are high."""
    kind = settings.kinds[channel - 1]
    if kind == "scale":
        a, b = _levels(count)
        return SelfTest(seq, time_us, f"ch{channel}", kind, (("a", a), ("b", b)), count, 0)
    number = abs(count) & 0xFFFF | (count < 0) << 20 | (settings.units[channel - 1] == "in") << 23
    raw = f"{number:06X}"[::-1]  # the first bit to come is the lowest
    return SelfTest(seq, time_us, f"ch{channel}", kind, (("clock", 1), ("data", 1)), count, 0, max(0, age_us), 24, raw)


def _levels(count: int) -> tuple[int, int]:
    """A and B at a count: Gray code, one of them changes with each."""
    return (count + 1) >> 1 & 1, count >> 1 & 1
