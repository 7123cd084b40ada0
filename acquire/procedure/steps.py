"""The steps of the guided procedure as one table: what a person does in each, what is recorded, and what the data must show."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from analysis.live.trace import BASE_CIRCLE_DEG

SAID: Final = "said"  # the need that a person meets by saying so

CONTACTS: Final = 3  # on each side of the stop
PASSES: Final = 3  # whole passes over a lobe
CROSSINGS: Final = 3  # of the top by the piston
CHECK_DEG: Final = 90.0
COVERED_DEG: Final = 713.0  # of 720; a hole below this is bridged by the curve


# What the rig check shows of the direction of rotation: where job.toml gives it, and where it is taken from the hand.
_TOLD: Final = {"turned": "in the direction of rotation", "counts": "encoder counts the way job.toml says"}
_TAKEN: Final = {
    "turned": "one way, taken as the direction of rotation",
    "counts": "direction of rotation taken from that",
}


@dataclass(frozen=True)
class Need:
    """`key` names a fact; it is met once the fact is at least `least`. `text` says it on the screen, `unit` what is counted.

    `{turned}` and `{counts}` in a text stand for what turning and counting show of the direction of rotation.
    """

    key: str
    text: str
    least: float = 1.0
    unit: str = ""

    def words(self, direction: str) -> str:
        """The text for a job whose `rig.direction` this is: with "auto" nothing shows which way the engine rotates but the hand."""
        return self.text.format_map(_TOLD if direction != "auto" else _TAKEN)


@dataclass(frozen=True)
class Step:
    """`record`: what kind of capture is made meanwhile ("stop", "travel", "sweep"; empty: none). `of_valve`: once for each valve.

    `keeps`: the step before it has begun the same capture. `{valve}` in texts stands for the valve, `{of}` and `{on}`
    for " of cylinder 3" and " in cylinder 3", or nothing where there is only one, `{again}` for " once more" after the sweeps.
    """

    name: str
    title: str
    do: tuple[str, ...]
    needs: tuple[Need, ...]
    record: str = ""
    of_valve: bool = False
    keeps: bool = False

    @property
    def asks(self) -> bool:
        """Whether a person has to say something, and not the data alone."""
        return any(need.key == SAID for need in self.needs)


CAUTIONS, RIG, STOP, TRAVEL, STOP_OUT = "cautions", "rig check", "stop", "travel", "stop out"
ZERO, SWEEP, RESULT, DONE = "zero", "sweep", "result", "done"

STEPS: Final[Mapping[str, Step]] = {
    step.name: step
    for step in (
        Step(CAUTIONS, "Safety", ("Read this before you touch the engine, then confirm.",), (Need(SAID, "read and understood"),)),
        Step(
            RIG,
            "Link and rig check",
            (
                "Set the indicator on the first valve, in line with its travel, with preload.",
                "Turn slowly in the direction of rotation, a turn or two, without the stop.",
            ),
            (
                Need("link", "board answers"),
                Need("turned", "turned {turned}", CHECK_DEG, "deg"),
                Need("direction", "{counts}"),
                Need("index", "index pulse seen"),
                Need("moved", "indicator moves", 0.5, "mm"),
                Need("opens", "reading increases as the valve opens"),
                Need("rests", "crank at rest again", 2.5, "s"),
            ),
        ),
        Step(
            STOP,
            "Top dead center{again} by piston stop",
            (
                "Fit the stop{on} and confirm. Turn slowly, no force, until the piston touches it,",
                "then turn the other way until it touches again. Contacts are counted for you.",
            ),
            (
                Need(SAID, "piston stop fitted"),
                Need("contacts low", "contacts at the lower count", CONTACTS),
                Need("contacts high", "contacts at the higher count", CONTACTS),
                Need("agree", "contacts of each side agree"),
            ),
            record="stop",
        ),
        Step(
            TRAVEL,
            "Top dead center{again} by piston travel",
            (
                "Set the indicator on the piston{on}, along the bore; confirm. Turn forward over",
                "the top from 40 degrees before to 40 after, back past the start, and repeat.",
            ),
            (
                Need(SAID, "indicator on the piston"),
                Need("crossings", "forward over the top", CROSSINGS),
                Need("found", "top dead center located"),
            ),
            record="travel",
        ),
        Step(
            STOP_OUT,
            "REMOVE THE PISTON STOP",
            (
                "Remove the piston stop before turning the crank, and confirm.",
                "Then turn slowly past top dead center by hand. Any resistance: stop at once.",
            ),
            (Need(SAID, "piston stop removed"), Need("passed", "crank has passed top dead center")),
        ),
        Step(
            ZERO,
            "Zero on the base circle, {valve}{of}",
            (
                "Set the indicator on the {valve} valve{of}, in line and preloaded; confirm.",
                "Then leave it alone. Turn forward until the base circle is found.",
            ),
            (
                Need(SAID, "indicator set up"),
                Need("flat", "base circle seen", BASE_CIRCLE_DEG, "deg"),
            ),
            record="sweep",
            of_valve=True,
        ),
        Step(
            SWEEP,
            "Sweep, {valve}{of}",
            (
                "Keep turning in the direction of rotation. Pauses between pulls are fine.",
                "Overshot? Reverse well beyond it, then approach forward again.",
            ),
            (
                Need("covered", "cycle seen", COVERED_DEG, "deg"),
                Need("passes", "whole passes", PASSES),
                Need("events", "events found"),
            ),
            record="sweep",
            of_valve=True,
            keeps=True,
        ),
        Step(
            RESULT,
            "Result, {valve}{of}",
            ("Compare with the specification. Enter: continue. r: repeat a step.",),
            (Need(SAID, "result read"),),
            of_valve=True,
        ),
        Step(DONE, "Done", ("All is measured and recorded. Print it: lobetrace report JOB -o sheet.pdf",), ()),
    )
}
