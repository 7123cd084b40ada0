"""The steps of the guided procedure as one table: what a person does in each, what is recorded, and what the data must show."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from analysis.live.profile import BASE_CIRCLE_DEG

SAID: Final = "said"  # the need that a person meets by saying so

TOUCHES: Final = 3  # of each side of the stop
PASSES: Final = 3  # whole passes over a lobe
CROSSINGS: Final = 3  # of the top by the piston
CHECK_DEG: Final = 90.0
COVERED_DEG: Final = 713.0  # of 720; a hole below this is bridged by the curve


@dataclass(frozen=True)
class Need:
    """`key` names a fact; it is met once the fact is at least `least`. `text` says it on the screen, `unit` what is counted."""

    key: str
    text: str
    least: float = 1.0
    unit: str = ""


@dataclass(frozen=True)
class Step:
    """`record`: what kind of capture is made meanwhile ("stop", "travel", "sweep"; empty: none). `of_valve`: once for each valve.

    `keeps`: the step before it has begun the same capture. `{valve}` in texts stands for the valve.
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
        Step(CAUTIONS, "Cautions", ("Read them. Say that you have, and go on.",), (Need(SAID, "cautions read"),)),
        Step(
            RIG,
            "Link and rig check",
            (
                "Set the indicator on the first valve, along its travel, with preload.",
                "Turn slowly in running direction: a turn or two, no stop in the plug hole.",
            ),
            (
                Need("link", "board answers"),
                Need("turned", "turned in running direction", CHECK_DEG, "deg"),
                Need("direction", "count goes the way the job says"),
                Need("index", "index pulse seen"),
                Need("moved", "indicator moves", 0.5, "mm"),
                Need("opens", "reading grows as the valve opens"),
                Need("rests", "crank at rest again", 2.5, "s"),
            ),
        ),
        Step(
            STOP,
            "Top dead center by piston stop",
            (
                "Fit the stop and say so. Turn slowly, no force, until the piston touches it,",
                "then back the long way round until it touches again. Touches count themselves.",
            ),
            (
                Need(SAID, "stop fitted"),
                Need("touches low", "touches at the lower count", TOUCHES),
                Need("touches high", "touches at the higher count", TOUCHES),
                Need("agree", "touches of each side agree"),
            ),
            record="stop",
        ),
        Step(
            TRAVEL,
            "Top dead center by piston travel",
            (
                "Set the indicator on the piston, along the bore, and say so. Turn forward over",
                "the top from 40 degrees before to 40 after, back past the start, and again.",
            ),
            (
                Need(SAID, "indicator on the piston"),
                Need("crossings", "forward over the top", CROSSINGS),
                Need("found", "top dead center worked out"),
            ),
            record="travel",
        ),
        Step(
            STOP_OUT,
            "REMOVE THE STOP",
            (
                "Take the stop out of the plug hole before any further turning, and say so.",
                "Then turn slowly past top dead center by hand. Resistance? Stop at once.",
            ),
            (Need(SAID, "stop taken out"), Need("passed", "crank has passed the place of the stop")),
        ),
        Step(
            ZERO,
            "Zero on the base circle, {valve}",
            (
                "Set the indicator on the {valve} valve along its travel, preloaded; say so.",
                "Hands off it from there. Turn forward until the flat part is found.",
            ),
            (
                Need(SAID, "indicator set"),
                Need("flat", "base circle seen", BASE_CIRCLE_DEG, "deg"),
            ),
            record="sweep",
            of_valve=True,
        ),
        Step(
            SWEEP,
            "Sweep, {valve}",
            (
                "Turn on in running direction, pull after pull, pauses are allowed.",
                "Gone too far? Back up past the mark and come again: slack must be taken up.",
            ),
            (
                Need("covered", "cycle seen", COVERED_DEG, "deg"),
                Need("passes", "whole passes", PASSES),
                Need("events", "events worked out"),
            ),
            record="sweep",
            of_valve=True,
            keeps=True,
        ),
        Step(
            RESULT,
            "Result, {valve}",
            ("Compare with the specification. Enter: go on. r: do a step again.",),
            (Need(SAID, "result read"),),
            of_valve=True,
        ),
        Step(DONE, "Done", ("All is measured and recorded. Print it: lobetrace report JOB -o sheet.pdf",), ()),
    )
}
