"""The table of causes: what can have gone wrong with the card, the rig, the parts or the camshaft, each as another reading."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from analysis.decision.card import VALVES, Asked
from analysis.decision.cause import Cause, Otherwise, Scene, Shift
from analysis.decision.effects import by_flank, by_place
from analysis.decision.reinterpret import (
    MM_PER_INCH,
    Reading,
    exchanged_lobes,
    exchanged_profiles,
    in_inches,
    swapped_events,
)

MOST_LASH_MM: Final = 0.9
# A tooth of a cam gear with 30 to 60 teeth, crank degrees.
TOOTH_DEG: Final = (12.0, 24.0)
_CAMSHAFT: Final = "camshaft"  # the kin of all that make it another one
_Readings = Callable[[Scene], Iterable[Otherwise]]


def cause(code: str, do: str = "") -> Callable[[_Readings], Cause]:
    """Makes a function of a scene an entry of the table."""
    return lambda readings: Cause(code, do, readings)


def _as(words: str, reading: Reading, card: tuple[Asked, ...], about: tuple[str, ...] = (), kin: str = "") -> Otherwise:
    """Another reading without a number of its own."""
    return Otherwise(lambda _: words, lambda _: reading, lambda _: card, about=about, kin=kin)


@cause("as-specified")
def _specified(scene: Scene) -> Iterator[Otherwise]:
    yield _as("Card and measurement agree.", scene.plain, scene.card)


@cause("swapped-events", "Correct the cam card in job.toml before anything is turned.")
def _swapped(scene: Scene) -> Iterator[Otherwise]:
    for valves in scene.targets:
        swapped = swapped_events(scene.card, valves)
        if swapped != scene.card:
            words = f"Opening and closing of the {' and '.join(valves)} were noted the wrong way round on the cam card."
            yield _as(words, scene.plain, swapped, valves)


@cause("exchanged-card", "Check which lobe each column of the cam card is for.")
def _exchanged(scene: Scene) -> Iterator[Otherwise]:
    for exchanged, words in (
        (exchanged_lobes(scene.card), "Intake and exhaust are exchanged on the cam card."),
        (
            exchanged_profiles(scene.card),
            "Intake and exhaust are exchanged: durations and lifts on the cam card, or the lobes of this camshaft.",
        ),
    ):
        if exchanged and exchanged != scene.card:
            yield _as(words, scene.plain, exchanged)


@cause("inch-for-mm", "Write every length in the unit that its key says.")
def _inches(scene: Scene) -> Iterator[Otherwise]:
    for full, checking, what in ((True, True, "lifts"), (True, False, "full lifts"), (False, True, "checking lifts")):
        metric = in_inches(scene.card, full=full, checking=checking)
        if metric != scene.card:
            yield _as(f"The {what} of the cam card are inches written as millimetres.", scene.plain, metric, kin="inches")
    for scale, words in (
        (MM_PER_INCH, "inches, and was read as millimetres"),
        (1 / MM_PER_INCH, "millimetres, and was read as inches"),
    ):
        yield _as(f"The indicator counts in {words}.", replace(scene.plain, scale=scale), scene.card, kin="indicator")


@cause("wrong-place", "Correct job.toml: indicator_at, or `at` of the cam card's checking lifts.")
def _place(scene: Scene) -> Iterator[Otherwise]:
    card, rig = scene.card, scene.job.rig
    if any(a.at for a in card):
        moved = tuple(replace(a, at={"lobe": "valve", "valve": "lobe"}[a.at]) if a.at else a for a in card)
        place = "valve" if all(a.at == "lobe" for a in card if a.at) else "lobe"
        yield _as(f"The cam card's checking lifts hold at the {place}, not where the job says.", scene.plain, moved, kin="card")
    if rig.rocker_ratio != 1.0 or rig.lash_mm:
        other = "lobe" if rig.indicator_at == "valve" else "valve"
        words = f"The indicator stood at the {other}, not at the {rig.indicator_at}."
        yield _as(words, replace(scene.plain, at=other), card, kin="indicator's place")


@cause("wrong-ratio", "Measure the rocker ratio and correct job.toml, or fit the rockers that the cam card is for.")
def _ratio(scene: Scene) -> Iterator[Otherwise]:
    said = scene.job.rig.rocker_ratio
    card_says_both = {"lobe lift", "valve lift"} <= {a.kind for a in scene.card}
    for fitted in (False, True) if card_says_both or said != 1.0 else (False,):
        where = "the rockers fitted have" if fitted else "the valve train has"
        of_card = dict.fromkeys(VALVES, said) if fitted else None

        def reading(ratio: float, of_card: dict[str, float] | None = of_card) -> Reading:
            return replace(scene.plain, ratio=dict.fromkeys(VALVES, ratio), ratio_of_card=of_card)

        def say(ratio: float, where: str = where) -> str:
            return f"The rocker ratio is not {said:g}: {where} {ratio:.3g}."

        yield Otherwise(say, reading, lambda _: scene.card, (0.75 * said, 1.33 * said))


@cause("wrong-lash", "Measure the lash and correct job.toml, or set the lash and sweep again.")
def _lash(scene: Scene) -> Iterator[Otherwise]:
    said = scene.job.rig.lash_mm
    for valves in scene.targets:
        whose = "" if len(valves) == len(scene.valves) else f" of the {valves[0]}"

        def reading(mm: float, valves: tuple[str, ...] = valves) -> Reading:
            return replace(scene.plain, lash={**scene.plain.lash, **dict.fromkeys(valves, mm)})

        def say(mm: float, whose: str = whose) -> str:
            return f"The lash{whose} is not {said:g} mm but {mm:.2f} mm while measuring."

        yield Otherwise(say, reading, lambda _: scene.card, (0.0, MOST_LASH_MM), valves if whose else ())


@cause("worn-lobe", "Measure that lobe with a micrometer before the camshaft is used.")
def _worn(scene: Scene) -> Iterator[Otherwise]:
    for valve in scene.valves:
        peak = next((a.value for a in scene.card if a.is_length and a.valve == valve), None)
        if peak is None:
            continue

        def nose(mm: float, valve: str = valve) -> Reading:
            return replace(scene.plain, lost_mm={valve: mm})

        def low(share: float, valve: str = valve) -> Reading:
            return replace(scene.plain, share={**scene.plain.share, valve: share})

        def say_nose(mm: float, valve: str = valve) -> str:
            return f"The {valve} lobe is worn: {mm:.2f} mm of its lift are missing at the nose, while its flanks stand right."

        def say_low(share: float, valve: str = valve, peak: float = peak) -> str:
            return (
                f"The {valve} lobe is worn or ground low: it has {100 * share:.0f} % of its lift over its whole height, "
                f"{(1 - share) * peak:.2f} mm too little (or its rocker has so much less ratio)."
            )

        yield Otherwise(say_nose, nose, lambda _: scene.card, (0.0, 3.0), (valve,))
        yield Otherwise(say_low, low, lambda _: scene.card, (0.65, 1.0), (valve,))


@cause("wrong-separation", "Compare the camshaft's part number with the cam card.")
def _separation(scene: Scene) -> Iterator[Otherwise]:
    if len(scene.valves) < 2 or scene.job.timing_set.camshafts == 2:
        return
    apart = np.array([by_place(a, "intake") - by_place(a, "exhaust") for a in scene.card])
    said = scene.job.specification.cam.separation_deg

    def card(wider: float) -> tuple[Asked, ...]:
        return tuple(replace(a, value=a.value + wider * by) for a, by in zip(scene.card, apart, strict=True))

    def say(wider: float) -> str:
        angle = f" ({said + wider:.1f} cam degrees, not {said:g})" if said else ""
        word = "wider" if wider > 0 else "narrower"
        return f"The lobes stand {abs(wider):.1f} cam degrees {word} apart{angle}: another camshaft than the cam card's."

    yield Otherwise(say, lambda _: scene.plain, card, (-12.0, 12.0), kin=_CAMSHAFT)


@cause("other-camshaft", "Compare the camshaft's part number with the cam card; turning it will not make it fit.")
def _other(scene: Scene) -> Iterator[Otherwise]:
    """Other lobes with the same centers, by durations and lifts alone; or other in every way."""
    for valves in scene.targets:
        widths = _levels(scene.card, valves)
        lifts = [v for v in valves if any(a.is_length and a.valve == v for a in scene.card)]
        if not widths and not lifts:
            continue
        of_several = len(valves) < len(scene.valves)
        # One lobe alone of a camshaft that carries both is not another camshaft's.
        alone = 2 if of_several and scene.job.timing_set.camshafts == 1 else 0
        words = f"The {valves[0]} lobe is another" if of_several else "This is another camshaft"
        words = f"{words} than the cam card's: its durations and lifts are others."
        numbers = len(widths) + len(lifts) + alone
        columns = [[by_flank(a) * (_level(a) == level) for a in scene.card] for level in widths]
        columns += [[float(a.is_length and a.valve == v) for a in scene.card] for v in lifts]
        own = [k for k, a in enumerate(scene.card) if a.valve in valves or (not a.valve and not of_several)]
        plain = _as(words, scene.plain, scene.card, valves if of_several else (), _CAMSHAFT)
        yield replace(plain, takes=np.array(columns).T, freedoms=numbers, open_ended=True)
        anything = np.eye(len(scene.card))[:, own]
        yield replace(plain, takes=anything, freedoms=numbers + 1, open_ended=True, late_besides=False)


def _level(a: Asked) -> tuple[str, float, str]:
    return a.valve, a.lift_mm, a.at


def _levels(card: Iterable[Asked], valves: tuple[str, ...]) -> list[tuple[str, float, str]]:
    """The checking lifts of some valves at which the card says how long they are open."""
    return sorted({_level(a) for a in card if a.lift_mm and a.valve in valves})


@cause("exchanged-valves", "Move the indicator to the valve that the sweep is to be of, or correct what the captures say.")
def _valves(scene: Scene) -> Iterator[Otherwise]:
    words = "Intake and exhaust are exchanged: the indicator stood on the other valve than was said."
    yield _as(words, scene.plain, scene.card)


@cause("half-turn", "Find TDC again, and check the timing marks.")
def _half(scene: Scene) -> Iterator[Otherwise]:
    words = "TDC is half a turn of the crank off (bottom dead center was taken for it), or the camshaft stands so."
    yield _as(words, replace(scene.plain, turned="half"), scene.card)


@cause("turned-backward", "Set `direction` in job.toml, or sweep again in the direction of rotation.")
def _backward(scene: Scene) -> Iterator[Otherwise]:
    words = "The engine was turned against its direction of rotation, or the direction of counting is set the wrong way round."
    yield _as(words, replace(scene.plain, turned="back"), scene.card)


SPECIFIED = _specified
PLACED = (_swapped, _exchanged, _inches, _place, _ratio, _lash, _worn, _separation, _other)
# Where a lobe stands on the other valve's side.
MISPLACED = (_valves, _half, _backward)


@dataclass(frozen=True)
class Phase:
    """What a camshaft that stands early or late is called."""

    code: str
    words: str


def stands(scene: Scene, shift: Shift, late: float) -> Phase:
    """By any amount, or by a tooth of its gear."""
    teeth = scene.job.timing_set.teeth
    word, off = ("late", "retarded") if late > 0 else ("early", "advanced"), abs(late)
    tooth = 720.0 / teeth if teeth else off
    count = round(off / tooth) if teeth else int(TOOTH_DEG[0] <= off <= TOOTH_DEG[1])
    if count and abs(off - count * tooth) <= min(tooth / 4, 3.0):
        number = {1: "one tooth", 2: "two teeth"}.get(count, f"{count} teeth")
        gear = f"a gear of {teeth or round(720.0 / off)} teeth"
        makes = "makes" if count == 1 else "make"
        return Phase(
            "tooth-out", f"The {shift.camshaft} is {number} {word[0]}: {off:.1f} crank degrees, as {number} of {gear} {makes}."
        )
    return Phase(
        "late-cam", f"The {shift.camshaft} stands {off:.1f} crank degrees {word[0]} ({word[1]}), or TDC is off by as much."
    )
