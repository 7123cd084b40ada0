"""What can have gone wrong with a camshaft's fitting, its card or the measurement, each as another reading of the same numbers.

A suspect says how the sweeps or the card would have to be read if it were so. If it is, what is left between card and measurement
is what a good camshaft scatters by; how much more likely that is than before is the evidence (decision/plausibility.py). One free
parameter at most, over a grid with its prior weights. The priors are common practice, how often each is met at a bench, and only
decide between causes that explain the numbers equally well.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace

import numpy as np

from analysis.base.samples import Floats
from analysis.decision.reinterpret import exchanged_lobes, exchanged_profiles, in_inches, swapped_events
from analysis.decision.spread import by_phase, by_place
from analysis.decision.suspect import Case, Scene, Suspect, one
from analysis.decision.suspects_parts import of_a_lobe, of_another_camshaft, of_the_rig

# A tooth of a camshaft's wheel with 30 to 60 teeth, crank degrees.
TOOTH_DEG = (12.0, 24.0)
PHASE_DEG = 5.0  # how far a camshaft stands off that was fitted to the right tooth


def suspects(scene: Scene) -> Iterator[Suspect]:
    """All of them, the innocent one ("as specified") first where it is possible at all."""
    if scene.misplaced:
        yield from _misplaced(scene)
        return
    yield one("as-specified", 0.8, scene.plain, scene.card, lambda _: "Card and measurement agree.", with_phase=False)
    yield from _phases(scene)
    yield from _cards(scene)
    yield from of_the_rig(scene)
    yield from of_a_lobe(scene)
    yield from of_another_camshaft(scene)


def _misplaced(scene: Scene) -> Iterator[Suspect]:
    plain, card = scene.plain, scene.card
    yield one(
        "exchanged-valves",
        0.5,
        plain,
        card,
        lambda _: "Intake and exhaust are exchanged: the indicator stood on the other valve than was said.",
    )
    yield one(
        "half-turn",
        0.25,
        replace(plain, turned="half"),
        card,
        lambda _: "TDC is half a turn of the crank off (bottom dead center was taken for it), or the camshaft stands so.",
    )
    yield one(
        "turned-backward",
        0.25,
        replace(plain, turned="back"),
        card,
        lambda _: "The engine was turned against its running direction, or the direction of counting is set the wrong way round.",
    )


def _phases(scene: Scene) -> Iterator[Suspect]:
    """A camshaft that stands early or late, by any amount or by a tooth of its wheel."""
    whole = np.array([by_phase(asked) for asked in scene.card])
    targets: list[tuple[str, Floats, tuple[str, ...]]] = [("camshaft", whole, ())]
    if scene.job.timing_set.camshafts == 2:
        targets += [(f"{v} camshaft", np.array([by_place(a, v) for a in scene.card]), (v,)) for v in scene.valves]
    for name, effect, about in targets:
        yield _phase(scene, name, effect, about, 0.04 / len(targets))
        yield _tooth(scene, name, effect, about, 0.02 / len(targets))


def _phase(scene: Scene, name: str, effect: Floats, about: tuple[str, ...], prior: float) -> Suspect:
    grid = np.arange(-30.0, 30.01, 0.1)

    def say(late: float) -> str:
        word = "late (retarded)" if late > 0 else "early (advanced)"
        return f"The {name} stands {abs(late):.1f} crank degrees {word}, or TDC is off by as much."

    return _shifted(scene, "late-cam", prior, effect, grid, np.exp(-0.5 * (grid / PHASE_DEG) ** 2), say, about)


def _tooth(scene: Scene, name: str, effect: Floats, about: tuple[str, ...], prior: float) -> Suspect:
    teeth = scene.job.timing_set.teeth
    if teeth:
        grid = np.array([k * 720.0 / teeth for k in (-3, -2, -1, 1, 2, 3)])
        weight = np.array([1.0, 3.0, 10.0, 10.0, 3.0, 1.0])
    else:
        one = np.arange(TOOTH_DEG[0], TOOTH_DEG[1], 0.1)
        grid, weight = np.concatenate((-one, one)), np.ones(2 * one.size)

    def say(late: float) -> str:
        word = "late" if late > 0 else "early"
        count = max(1, round(abs(late) * teeth / 720.0)) if teeth else 1
        number = {1: "one tooth", 2: "two teeth"}.get(count, f"{count} teeth")
        wheel = f"a wheel of {teeth or round(720.0 / abs(late))} teeth"
        return f"The {name} is {number} {word}: {abs(late):.1f} crank degrees, as {number} of {wheel} make{'s' * (count == 1)}."

    return _shifted(scene, "tooth-out", prior, effect, grid, weight, say, about)


def _shifted(
    scene: Scene,
    code: str,
    prior: float,
    effect: Floats,
    grid: Floats,
    weight: Floats,
    say: Callable[[float], str],
    about: tuple[str, ...],
) -> Suspect:
    cases = tuple(Case(scene.plain, scene.card, late * effect) for late in grid)
    return Suspect(code, prior, cases, grid, weight, say, about, with_phase=False)


def _cards(scene: Scene) -> Iterator[Suspect]:
    """Slips in writing the card down."""
    plain, card = scene.plain, scene.card
    for valves in (scene.valves, *((v,) for v in scene.valves if len(scene.valves) > 1)):
        swapped = swapped_events(card, valves)
        if swapped != card:
            whose = " and ".join(valves)
            yield replace(
                one(
                    "swapped-events",
                    0.02,
                    plain,
                    swapped,
                    lambda _, whose=whose: f"Opening and closing of the {whose} were noted the wrong way round on the card.",  # type: ignore[misc]
                ),
                about=valves,
            )
    for exchanged, what in (
        (exchanged_lobes(card), "Intake and exhaust are exchanged on the card."),
        (
            exchanged_profiles(card),
            "Intake and exhaust are exchanged: durations and lifts on the card, or the lobes of this camshaft.",
        ),
    ):
        if exchanged and exchanged != card:
            yield one("exchanged-card", 0.01, plain, exchanged, lambda _, what=what: what)  # type: ignore[misc]
    for full, checking, what in ((True, True, "lifts"), (True, False, "full lifts"), (False, True, "checking lifts")):
        metric = in_inches(card, full=full, checking=checking)
        if metric != card:
            yield one(
                "inch-for-mm",
                0.01,
                plain,
                metric,
                lambda _, what=what: f"The {what} of the card are inches written as millimetres.",  # type: ignore[misc]
            )
    if any(asked.at for asked in card):
        moved = tuple(replace(a, at={"lobe": "valve", "valve": "lobe"}[a.at]) if a.at else a for a in card)
        place = "valve" if all(a.at == "lobe" for a in card if a.at) else "lobe"
        yield one(
            "wrong-place", 0.01, plain, moved, lambda _: f"The card's checking lifts hold at the {place}, not where the job says."
        )
