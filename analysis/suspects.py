"""What can have gone wrong with a camshaft's fitting, its card or the measurement, each as another reading of the same numbers.

A suspect says how the sweeps or the card would have to be read if it were so. If it is, what is left between card and measurement
is what a good camshaft scatters by; how much more likely that is than before is the evidence (analysis/plausibility.py). One free
parameter at most, over a grid with its prior weights. The priors are common practice, how often each is met at a bench, and only
decide between causes that explain the numbers equally well.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace

import numpy as np

from analysis.card import VALVES, Asked
from analysis.flanks import Flanks
from analysis.job import Job
from analysis.reinterpret import MM_PER_INCH, Reading, exchanged_lobes, exchanged_profiles, in_inches, swapped_events
from analysis.samples import Floats
from analysis.spread import by_phase, by_place

USUAL_RATIOS = (1.0, 1.3, 1.4, 1.5, 1.55, 1.6, 1.65, 1.7, 1.75, 1.8)
# A tooth of a camshaft's wheel with 30 to 60 teeth, crank degrees.
TOOTH_DEG = (12.0, 24.0)
PHASE_DEG = 5.0  # how far a camshaft stands off that was fitted to the right tooth


@dataclass(frozen=True)
class Case:
    """One value of a suspect's parameter: how the sweeps are read then, the card then, and what is taken off each line (deg)."""

    reading: Reading
    card: tuple[Asked, ...]
    shift: Floats | float = 0.0


@dataclass(frozen=True)
class Suspect:
    """A possible cause. `code` is stable; `about` are valves it concerns. `parameter` and `weight` have one entry a case.

    `say` gives the cause in words for a value of the parameter. `foreign`: the valves whose lobes may be any others.
    """

    code: str
    prior: float
    cases: tuple[Case, ...]
    parameter: Floats
    weight: Floats
    say: Callable[[float], str]
    about: tuple[str, ...] = ()
    foreign: tuple[str, ...] = ()
    with_phase: bool = True


@dataclass(frozen=True)
class Scene:
    """What suspects are made from."""

    job: Job
    card: tuple[Asked, ...]
    lobes: tuple[Flanks, ...]

    @property
    def plain(self) -> Reading:
        """The job's own reading."""
        return Reading.of(self.job.rig)

    @property
    def misplaced(self) -> bool:
        """Whether a lobe looks like one of the valve that it was not said to be."""
        return any(lobe.stood_on in VALVES and lobe.stood_on != lobe.shown for lobe in self.lobes)

    @property
    def valves(self) -> tuple[str, ...]:
        """The valves that the card speaks of and a sweep shows."""
        return tuple(v for v in VALVES if any(a.valve == v for a in self.card) and any(lobe.shown == v for lobe in self.lobes))


def suspects(scene: Scene) -> Iterator[Suspect]:
    """All of them, the innocent one ("as specified") first where it is possible at all."""
    if scene.misplaced:
        yield from _misplaced(scene)
        return
    yield _one("as-specified", 0.8, scene.plain, scene.card, lambda _: "Card and measurement agree.", with_phase=False)
    yield from _phases(scene)
    yield from _cards(scene)
    yield from _rigs(scene)
    yield from _lobes(scene)
    yield from _others(scene)


def _one(
    code: str, prior: float, reading: Reading, card: tuple[Asked, ...], say: Callable[[float], str], *, with_phase: bool = True
) -> Suspect:
    return Suspect(code, prior, (Case(reading, card),), np.zeros(1), np.ones(1), say, with_phase=with_phase)


def _misplaced(scene: Scene) -> Iterator[Suspect]:
    plain, card = scene.plain, scene.card
    yield _one(
        "exchanged-valves",
        0.5,
        plain,
        card,
        lambda _: "Intake and exhaust are exchanged: the indicator stood on the other valve than was said.",
    )
    yield _one(
        "half-turn",
        0.25,
        replace(plain, turned="half"),
        card,
        lambda _: "TDC is half a turn of the crank off (bottom dead center was taken for it), or the camshaft stands so.",
    )
    yield _one(
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
                _one(
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
            yield _one("exchanged-card", 0.01, plain, exchanged, lambda _, what=what: what)  # type: ignore[misc]
    for full, checking, what in ((True, True, "lifts"), (True, False, "full lifts"), (False, True, "checking lifts")):
        metric = in_inches(card, full=full, checking=checking)
        if metric != card:
            yield _one(
                "inch-for-mm",
                0.01,
                plain,
                metric,
                lambda _, what=what: f"The {what} of the card are inches written as millimetres.",  # type: ignore[misc]
            )
    if any(asked.at for asked in card):
        moved = tuple(replace(a, at={"lobe": "valve", "valve": "lobe"}[a.at]) if a.at else a for a in card)
        place = "valve" if all(a.at == "lobe" for a in card if a.at) else "lobe"
        yield _one(
            "wrong-place", 0.01, plain, moved, lambda _: f"The card's checking lifts hold at the {place}, not where the job says."
        )


def _rigs(scene: Scene) -> Iterator[Suspect]:
    """Slips in what the job says of the rig."""
    rig, plain, card = scene.job.rig, scene.plain, scene.card
    yield from _ratios(scene)
    lash = np.arange(0.0, 0.9, 0.02)
    targets = [("", VALVES), *(((v, (v,)) for v in scene.valves) if len(scene.valves) > 1 else ())]
    for whose, valves in targets:
        cases = tuple(Case(replace(plain, lash=plain.lash | dict.fromkeys(valves, mm)), card) for mm in lash)  # type: ignore[operator]

        def say(mm: float, whose: str = whose) -> str:
            return f"The lash{' of the ' + whose if whose else ''} is not {rig.lash_mm:g} mm but {mm:.2f} mm while measuring."

        weight = np.exp(-0.5 * ((lash - rig.lash_mm) / 0.25) ** 2)
        yield Suspect("wrong-lash", 0.03 if not whose else 0.01, cases, lash, weight, say, valves if whose else ())
    for scale, words in (
        (MM_PER_INCH, "inches, and was read as millimetres"),
        (1 / MM_PER_INCH, "millimetres, and was read as inches"),
    ):
        yield _one(
            "inch-for-mm",
            0.01,
            replace(plain, scale=scale),
            card,
            lambda _, words=words: f"The indicator counts in {words}.",  # type: ignore[misc]
        )
    other = "lobe" if rig.indicator_at == "valve" else "valve"
    if rig.rocker_ratio != 1.0 or rig.lash_mm:
        yield _one(
            "wrong-place",
            0.01,
            replace(plain, at=other),
            card,
            lambda _: f"The indicator stood at the {other}, not at the {rig.indicator_at}.",
        )


def _ratios(scene: Scene) -> Iterator[Suspect]:
    said = scene.job.rig.rocker_ratio
    near = np.arange(0.75 * said, 1.33 * said, 0.0075 * said)
    weight = np.exp(-0.5 * (np.log(near / said) / 0.12) ** 2) / near.size
    usual = [r for r in USUAL_RATIOS if abs(r - said) > 0.01]
    grid = np.concatenate((near, usual))
    weights = np.concatenate((weight / weight.sum(), np.full(len(usual), 1.0 / max(len(usual), 1))))
    card_says_both = {"lobe lift", "valve lift"} <= {a.kind for a in scene.card}
    for fitted in (False, True) if card_says_both or said != 1.0 else (False,):
        cases = tuple(
            Case(
                replace(
                    scene.plain,
                    ratio=dict.fromkeys(VALVES, float(r)),
                    ratio_of_card=dict.fromkeys(VALVES, said) if fitted else None,
                ),
                scene.card,
            )
            for r in grid
        )

        def say(ratio: float, fitted: bool = fitted) -> str:
            where = "the rockers fitted have" if fitted else "the valve train has"
            return f"The rocker ratio is not {said:g}: {where} {ratio:.3g}."

        yield Suspect("wrong-ratio", 0.015, cases, grid, weights, say)


def _lobes(scene: Scene) -> Iterator[Suspect]:
    """A lobe that lifts too little: worn at the nose, or lower over its whole height."""
    plain, card = scene.plain, scene.card
    for valve in scene.valves:
        if not any(a.is_length and a.valve == valve for a in card):
            continue
        peak = next(a.value for a in card if a.is_length and a.valve == valve)
        lost = np.geomspace(0.03, 3.0, 40)
        nose = tuple(Case(replace(plain, lost_mm={valve: mm}), card) for mm in lost)

        def say_nose(mm: float, valve: str = valve) -> str:
            return f"The {valve} lobe is worn: {mm:.2f} mm of its lift are missing at the nose, while its flanks stand right."

        yield Suspect("worn-lobe", 0.015, nose, lost, np.ones(lost.size), say_nose, (valve,))
        share = np.arange(0.65, 0.998, 0.0075)
        low = tuple(Case(replace(plain, share=plain.share | {valve: s}), card) for s in share)  # type: ignore[operator]

        def say_low(s: float, valve: str = valve, peak: float = peak) -> str:
            return (
                f"The {valve} lobe is worn or ground low: it has {100 * s:.0f} % of its lift over its whole height, "
                f"{(1 - s) * peak:.2f} mm too little (or its rocker has so much less ratio)."
            )

        yield Suspect("worn-lobe", 0.01, low, share, np.exp(-(1 - share) / 0.08), say_low, (valve,))


def _others(scene: Scene) -> Iterator[Suspect]:
    """Another camshaft than the card's: its lobes stand apart by another angle, or are of another grind."""
    card, plain = scene.card, scene.plain
    if len(scene.valves) == 2:
        apart = np.array([(by_place(a, "intake") - by_place(a, "exhaust")) for a in card])
        grid = np.arange(-12.0, 12.01, 0.1)
        said = scene.job.specification.cam.separation_deg

        def say(wider: float) -> str:
            angle = f" ({said + wider:.1f} cam degrees, not {said:g})" if said else ""
            word = "wider" if wider > 0 else "narrower"
            return f"The lobes stand {abs(wider):.1f} cam degrees {word} apart{angle}: another camshaft than the card's."

        cases = tuple(Case(plain, card, wider * apart) for wider in grid)
        yield Suspect("wrong-separation", 0.01, cases, grid, np.exp(-0.5 * (grid / 4.0) ** 2), say)
    for valves in (scene.valves, *((v,) for v in scene.valves if len(scene.valves) == 2)):
        whose = f"The {valves[0]} lobe is another" if len(valves) == 1 else "This is another camshaft"

        def grind(_: float, whose: str = whose) -> str:
            return f"{whose} than the card's: no single slip explains its durations and lifts."

        one = _one("other-camshaft", 0.01, plain, card, grind)
        yield replace(one, foreign=valves, about=valves if len(valves) == 1 else ())
