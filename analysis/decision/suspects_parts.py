"""Suspects in rig and parts: ratio, lash, unit and place of the indicator, a worn lobe, another camshaft."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from analysis.decision.card import VALVES
from analysis.decision.reinterpret import MM_PER_INCH
from analysis.decision.spread import by_place
from analysis.decision.suspect import Case, Scene, Suspect, one

USUAL_RATIOS = (1.0, 1.3, 1.4, 1.5, 1.55, 1.6, 1.65, 1.7, 1.75, 1.8)


def of_the_rig(scene: Scene) -> Iterator[Suspect]:
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
        yield one(
            "inch-for-mm",
            0.01,
            replace(plain, scale=scale),
            card,
            lambda _, words=words: f"The indicator counts in {words}.",  # type: ignore[misc]
        )
    other = "lobe" if rig.indicator_at == "valve" else "valve"
    if rig.rocker_ratio != 1.0 or rig.lash_mm:
        yield one(
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


def of_a_lobe(scene: Scene) -> Iterator[Suspect]:
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


def of_another_camshaft(scene: Scene) -> Iterator[Suspect]:
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

        other = one("other-camshaft", 0.01, plain, card, grind)
        yield replace(other, foreign=valves, about=valves if len(valves) == 1 else ())
