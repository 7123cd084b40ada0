"""Seeded faults, each named from the numbers alone: the card is of the camshaft that was ordered, the sweeps of what is there."""

from __future__ import annotations

import copy
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from functools import cache
from typing import Any

import numpy as np
import pytest

from acquire.simulator.cam import Flank, LawLobe
from acquire.simulator.rig import Rig
from acquire.simulator.train import Train
from analysis.base.errors import DataError
from analysis.base.finding import Finding
from analysis.base.samples import Capture
from analysis.decision.decide import decide
from analysis.decision.likely_causes import causes_of
from analysis.decision.refusal import causes_of_refusal
from analysis.diagnosis.examine import examine
from analysis.job import Job
from analysis.lobe.result import Measurement
from analysis.measure import measure
from analysis.report.decision_json import decision_json
from analysis.report.sentences import story
from tests.cards import card_of
from tests.recorded import captures
from tests.rigs import SHORT, job_for

Card = dict[str, Any]
_LONG = Flank("4-5-6-7", 74.0, ramp_mm=0.06, ramp_deg=10.0)
_CAM = SHORT.cam


def _cam(**keys: Any) -> Rig:
    return replace(SHORT, cam=replace(_CAM, **keys))


def _train(**keys: Any) -> Rig:
    return replace(SHORT, train=Train(**keys))


def findings(job: Job, found: Measurement) -> tuple[Finding, ...]:
    return causes_of(job, found).findings


def _swapped(*valves: str) -> Callable[[Card], None]:
    keys = {"intake": ("opens_btdc_deg", "closes_abdc_deg"), "exhaust": ("opens_bbdc_deg", "closes_atdc_deg")}

    def swap(card: Card) -> None:
        for valve in valves:
            first, second = keys[valve]
            for row in card[valve]["duration"]:
                row[first], row[second] = row[second], row[first]

    return swap


def _in_inches(*, full: bool = False, checking: bool = False) -> Callable[[Card], None]:
    def write(card: Card) -> None:
        for valve in ("intake", "exhaust"):
            if full:
                card[valve]["lobe_lift_mm"] = round(card[valve]["lobe_lift_mm"] / 25.4, 3)
            for row in card[valve]["duration"] if checking else ():
                row["lift_mm"] = round(row["lift_mm"] / 25.4, 3)

    return write


def _at_valve(card: Card) -> None:
    for valve in ("intake", "exhaust"):
        for row in card[valve]["duration"]:
            row["at"] = "valve"


def _exchanged(card: Card) -> None:
    """The card's two columns mixed up: what is said of the intake's opening side is the exhaust's closing side."""
    intake, exhaust = copy.deepcopy(card["intake"]), copy.deepcopy(card["exhaust"])
    for valve, other, first, second, from_first, from_second in (
        ("intake", exhaust, "opens_btdc_deg", "closes_abdc_deg", "closes_atdc_deg", "opens_bbdc_deg"),
        ("exhaust", intake, "opens_bbdc_deg", "closes_atdc_deg", "closes_abdc_deg", "opens_btdc_deg"),
    ):
        card[valve] = {
            "lobe_lift_mm": other["lobe_lift_mm"],
            "centerline_deg": other["centerline_deg"],
            "duration": [
                {"lift_mm": row["lift_mm"], "deg": row["deg"], first: row[from_first], second: row[from_second]}
                for row in other["duration"]
            ],
        }


def _relabelled(found: list[Capture]) -> list[Capture]:
    other = {("intake",): ("exhaust",), ("exhaust",): ("intake",)}
    return [
        replace(c, header=replace(c.header, channels=other.get(c.header.channels, c.header.channels))) for c in found if c.header
    ]


def _worn(found: list[Capture], valve: str, lost: float = 0.06) -> list[Capture]:
    """The nose of one lobe worn: the higher the lift the more of it is lost, up to a share `lost` of it, flanks untouched."""

    def worn(capture: Capture) -> Capture:
        if capture.header.channels != (valve,):
            return capture
        lift, rest = capture.samples.lift, int(np.median(capture.samples.lift))
        begins = 0.6 * (lift.max() - rest)  # a nose cut level would be an indicator at the end of its travel
        nose = begins + (lift - rest - begins) * (1 - lost / 0.4)
        flat = np.where(lift - rest > begins, rest + nose, lift)
        return replace(capture, samples=replace(capture.samples, lift=np.rint(flat).astype(np.int64)))

    return [worn(capture) for capture in found]


@dataclass(frozen=True)
class Fault:
    """What is there (`rig`), what was ordered, what is wrong with card, job or captures, and what must be said of it."""

    name: str
    code: str
    rig: Rig = SHORT
    ordered: Rig = SHORT
    slip: Callable[[Card], None] | None = None
    recorded: Callable[[list[Capture]], list[Capture]] = lambda found: found
    tables: dict[str, Any] = field(default_factory=dict)
    says: tuple[str, ...] = ()
    estimate: tuple[float, float] | None = None  # value and how far off it may be
    about: tuple[str, ...] = ()


_UNEQUAL = _cam(intake=LawLobe(8.2, _LONG, _LONG))

FAULTS = (
    Fault("late by 4", "late-cam", _cam(advance_deg=_CAM.advance_deg - 4), says=("late", "retarded"), estimate=(4.0, 0.4)),
    Fault("early by 3", "late-cam", _cam(advance_deg=_CAM.advance_deg + 3), says=("early", "advanced"), estimate=(-3.0, 0.4)),
    Fault(
        "tooth late, wheel known",
        "tooth-out",
        _cam(advance_deg=_CAM.advance_deg - 720 / 42),
        tables={"timing_set": {"teeth": 42}},
        says=("one tooth late",),
    ),
    Fault(
        "tooth early, wheel unknown",
        "tooth-out",
        _cam(advance_deg=_CAM.advance_deg + 720 / 40),
        says=("one tooth early", "40 teeth"),
    ),
    Fault(
        "two teeth late",
        "tooth-out",
        _cam(advance_deg=_CAM.advance_deg - 30),
        tables={"timing_set": {"teeth": 48}},
        says=("two teeth late",),
    ),
    Fault(
        "intake camshaft late",
        "late-cam",
        _cam(separation_deg=_CAM.separation_deg + 2.5, advance_deg=_CAM.advance_deg - 2.5),
        tables={"timing_set": {"camshafts": 2}},
        says=("intake camshaft", "late"),
        estimate=(5.0, 0.5),
        about=("intake",),
    ),
    Fault("ratio 1.6", "wrong-ratio", _train(ratio=1.6), says=("1.6",), estimate=(1.6, 0.01)),
    Fault("ratio 1.4", "wrong-ratio", _train(ratio=1.4), says=("1.4",), estimate=(1.4, 0.01)),
    Fault("lash 0.3 unsaid", "wrong-lash", _train(lash_mm=0.3), estimate=(0.3, 0.04)),
    Fault("lash 0.2 said, none in", "wrong-lash", tables={"rig": {"lash_mm": 0.2}}, estimate=(0.0, 0.04)),
    Fault(
        "intake noted the wrong way round",
        "swapped-events",
        slip=_swapped("intake"),
        says=("intake", "wrong way round"),
        about=("intake",),
    ),
    Fault("both noted the wrong way round", "swapped-events", slip=_swapped("intake", "exhaust"), says=("intake and exhaust",)),
    Fault(
        "exhaust ground low",
        "worn-lobe",
        _cam(exhaust=LawLobe(6.7, _CAM.exhaust.opening, _CAM.exhaust.closing)),
        says=("exhaust", "worn"),
        about=("exhaust",),
    ),
    Fault(
        "intake nose worn",
        "worn-lobe",
        recorded=lambda found: _worn(found, "intake"),
        says=("intake", "worn", "nose"),
        about=("intake",),
    ),
    Fault("full lifts in inches", "inch-for-mm", slip=_in_inches(full=True), says=("full lifts", "inches")),
    Fault("checking lifts in inches", "inch-for-mm", slip=_in_inches(checking=True), says=("checking lifts", "inches")),
    Fault("all lifts in inches", "inch-for-mm", slip=_in_inches(full=True, checking=True), says=("inches",)),
    Fault("lifts at the valve that hold at the lobe", "wrong-place", slip=_at_valve, says=("at the lobe",)),
    Fault("wrong valve", "exchanged-valves", recorded=_relabelled, says=("other valve",)),
    Fault("card exchanged", "exchanged-card", _UNEQUAL, _UNEQUAL, slip=_exchanged, says=("exchanged",)),
    Fault(
        "lobes exchanged",
        "exchanged-card",
        _UNEQUAL,
        _cam(intake=_CAM.exhaust, exhaust=LawLobe(8.2, _LONG, _LONG)),
        says=("exchanged",),
    ),
    Fault("half a turn", "half-turn", _cam(advance_deg=_CAM.advance_deg + 180), says=("half a turn",)),
    Fault(
        "turned backward", "turned-backward", tables={"rig": {"direction": "down"}}, says=("against its direction of rotation",)
    ),
    Fault(
        "one camshaft half a turn of itself out",
        "camshaft-half-turn",
        _cam(separation_deg=_CAM.separation_deg + 180, advance_deg=_CAM.advance_deg + 180),
        says=("180 cam degrees",),
    ),
    Fault(
        "lobes wider apart", "wrong-separation", _cam(separation_deg=112.0), says=("3.5 cam degrees wider", "another camshaft")
    ),
    Fault(
        "another camshaft",
        "other-camshaft",
        _cam(intake=LawLobe(8.2, _LONG, _LONG), exhaust=LawLobe(7.9, _LONG, _LONG), separation_deg=111.0),
    ),
)


@pytest.mark.parametrize(("seed", "fault"), list(enumerate(FAULTS, start=1)), ids=lambda each: getattr(each, "name", each))
def test_a_seeded_fault_is_named(seed: int, fault: Fault) -> None:
    card = card_of(fault.ordered)
    if fault.slip:
        fault.slip(card)
    job = job_for(fault.ordered, specification=card, **fault.tables)
    recorded = fault.recorded(captures(replace(fault.rig, seed=seed)))
    if fault.code == "turned-backward":
        recorded = [_reversed(capture) for capture in recorded]
    found = findings(job, examine(job, recorded))
    assert found
    assert found[0].code == fault.code, found
    assert found[0].seen
    for words in fault.says:
        assert words in found[0].cause
    if fault.about:
        assert found[0].about == fault.about
    if fault.estimate:
        assert found[0].estimate == pytest.approx(fault.estimate[0], abs=fault.estimate[1])


def _reversed(capture: Capture) -> Capture:
    """The same engine turned the other way: what was counted up is counted down, and so it was said to be."""
    if capture.header.step != "sweep":
        return capture
    samples = capture.samples
    time = samples.time_us[0] + (samples.time_us[-1] - samples.time_us[::-1])
    age = samples.age_us[:, ::-1]
    turned = replace(
        samples, time_us=time, crank=samples.crank[::-1], flags=samples.flags[::-1], age_us=age, lift=samples.lift[:, ::-1]
    )
    return replace(capture, samples=turned)


@pytest.mark.parametrize("seed", range(1, 5))
def test_a_good_camshaft_is_not_accused(seed: int) -> None:
    rig = replace(SHORT, seed=seed)
    job = job_for(rig, specification=card_of(rig))
    assert findings(job, examine(job, captures(rig))) == ()


@pytest.mark.parametrize(("factor", "words"), [(1 / 25.4, "inches, and was read"), (25.4, "millimetres, and was read")])
def test_an_indicator_in_the_wrong_unit_is_refused_with_its_cause(factor: float, words: str) -> None:
    job = job_for(SHORT, specification=card_of(SHORT))
    wrong = [_scaled(capture, factor) for capture in captures(SHORT)]
    with pytest.raises(DataError) as refused:
        examine(job, wrong)
    (found,) = causes_of_refusal(job, wrong, refused.value)
    assert found.code == "inch-for-mm"
    assert words in found.cause
    assert refused.value.what in found.seen


def _scaled(capture: Capture, factor: float) -> Capture:
    board = capture.header.board
    return replace(capture, header=replace(capture.header, board=replace(board, steps_mm=(board.steps_mm[0] * factor,))))


def test_a_second_slip_is_told_beside_the_first() -> None:
    rig = replace(_cam(advance_deg=_CAM.advance_deg - 5), train=Train(ratio=1.6))
    job = job_for(SHORT, specification=card_of(SHORT))
    found = findings(job, examine(job, captures(rig)))
    assert found[0].code == "wrong-ratio"
    assert "5.0 crank degrees late" in found[0].cause


def test_the_wrong_valve_is_told_without_any_card() -> None:
    job = job_for(SHORT)
    assert findings(job, examine(job, captures(SHORT))) == ()
    found = findings(job, examine(job, _relabelled(captures(SHORT))))
    assert found[0].code == "exchanged-valves"


def test_a_card_with_the_duration_alone_still_tells_lash_from_another_camshaft() -> None:
    """Two checking lifts: lash shortens the low one more, another grind both alike."""
    card = card_of(SHORT, (0.5, 2.54))
    for valve in ("intake", "exhaust"):
        card[valve] = {"duration": [{"lift_mm": r["lift_mm"], "deg": r["deg"]} for r in card[valve]["duration"]]}
    job = job_for(SHORT, specification={"intake": card["intake"], "exhaust": card["exhaust"]})
    lash = findings(job, examine(job, captures(_train(lash_mm=0.3))))
    assert lash[0].code == "wrong-lash"
    longer = _cam(intake=LawLobe(7.6, _LONG, _LONG), exhaust=LawLobe(7.4, _LONG, _LONG))
    grind = findings(job, examine(job, captures(longer)))
    assert grind[0].code == "other-camshaft"


LATER = 4.0
Events = tuple[float, float, float, float]


def _card_of_events(opens: float, closes: float, exhaust_opens: float, exhaust_closes: float) -> Card:
    """Events alone, as a maker notes them: before and after the dead centers, at 1.27 mm of lobe lift."""
    intake = {"lift_mm": 1.27, "opens_btdc_deg": opens, "closes_abdc_deg": closes, "deg": 180 + opens + closes}
    exhaust = {
        "lift_mm": 1.27,
        "opens_bbdc_deg": exhaust_opens,
        "closes_atdc_deg": exhaust_closes,
        "deg": 180 + exhaust_opens + exhaust_closes,
    }
    return {"intake": {"duration": [intake]}, "exhaust": {"duration": [exhaust]}}


def _card_of_durations(deg: float, *valves: str) -> Card:
    return {valve: {"duration": [{"lift_mm": 1.27, "deg": deg}]} for valve in valves}


def _card_of_lifts(intake_deg: float, intake_mm: float, exhaust_deg: float, exhaust_mm: float) -> Card:
    return {
        "intake": {"centerline_deg": intake_deg, "lobe_lift_mm": intake_mm},
        "exhaust": {"centerline_deg": exhaust_deg, "lobe_lift_mm": exhaust_mm},
    }


# What the short rig's camshaft has at 1.27 mm: 16.5 ATDC, 17.5 ABDC; 20 BBDC, 20 BTDC; 7.6 and 7.4 mm at 107 and 110 degrees.
TRUE: Events = (-16.5, 17.5, 20.0, -20.0)
OTHER_CAMSHAFTS = {
    **{f"durations {deg}": _card_of_durations(deg, "intake", "exhaust") for deg in (190.0, 195, 200, 205, 210, 220, 230)},
    **{f"intake duration {deg}": _card_of_durations(deg, "intake") for deg in (200.0, 210, 220, 230)},
    **{f"events wider by {by} each": _card_of_events(*(deg + by for deg in TRUE)) for by in (-4, 4, 6, 8, 10, 15, 20)},
    "events of another kind": _card_of_events(-8.5, 31.5, 32.0, -17.0),
    "events further apart": _card_of_events(-11.5, 28.5, 31.0, -15.0),
    "lifts higher": _card_of_lifts(107.0, 8.2, 110.0, 8.0),
    "lifts higher by other amounts": _card_of_lifts(107.0, 8.2, 110.0, 8.2),
    "lifts lower": _card_of_lifts(107.0, 7.0, 110.0, 6.8),
    "lifts and centers": _card_of_lifts(105.0, 8.6, 113.0, 8.9),
}


@cache
def _short() -> Measurement:
    return measure(job_for(SHORT), captures(SHORT))


@pytest.mark.parametrize("card", OTHER_CAMSHAFTS.values(), ids=OTHER_CAMSHAFTS.keys())
def test_another_camshaft_is_named_as_such_however_little_the_card_says(card: Card) -> None:
    """It is named alone, or beside what explains the lines as well; and nothing is to be turned."""
    likely = causes_of(job_for(SHORT, specification=card), _short())
    codes = [each.code for each in likely.findings]
    assert "other-camshaft" in codes
    assert "inch-for-mm" not in codes, "a cause that cannot read the lines explains nothing"
    assert not likely.turn


@pytest.mark.parametrize("deg", [200.0, 205, 210, 220, 230])
def test_another_camshaft_comes_first_where_only_its_durations_are_known(deg: float) -> None:
    for valves in (("intake",), ("intake", "exhaust")):
        found = findings(job_for(SHORT, specification=_card_of_durations(deg, *valves)), _short())
        assert found[0].code == "other-camshaft"


@pytest.mark.parametrize(
    "card",
    [
        _card_of_events(TRUE[1], TRUE[0], TRUE[3], TRUE[2]),
        _card_of_events(TRUE[1], TRUE[0], TRUE[2], TRUE[3]),
        {"intake": _card_of_events(TRUE[1], TRUE[0], TRUE[2], TRUE[3])["intake"]},
    ],
    ids=["both", "intake", "intake alone"],
)
def test_a_card_whose_openings_and_closings_are_exchanged_gets_no_advice_to_turn(card: Card) -> None:
    decision = decide(job_for(SHORT, specification=card), captures(SHORT))
    assert decision.causes.findings[0].code == "swapped-events"
    assert decision.correction is None
    text = " ".join(story(decision))
    assert "Turn nothing until the likely cause has been cleared up." in text
    assert "advance it" not in text
    assert "retard it" not in text


@pytest.mark.parametrize(
    "card",
    [
        _card_of_events(TRUE[0] + LATER, TRUE[1] - LATER, TRUE[2] + LATER, TRUE[3] - LATER),
        {"intake": {"centerline_deg": 103.0}, "exhaust": {"centerline_deg": 114.0}},
        {"intake": {"centerline_deg": 103.0}},
    ],
    ids=["events", "centerlines", "one centerline"],
)
def test_a_late_camshaft_is_no_other_one_however_little_the_card_says(card: Card) -> None:
    likely = causes_of(job_for(SHORT, specification=card), _short())
    assert [each.code for each in likely.findings] == ["late-cam"]
    assert likely.turn
    assert likely.findings[0].estimate == pytest.approx(LATER, abs=0.3)


def test_causes_that_explain_the_lines_alike_are_all_said() -> None:
    """One number more on the card than there are numbers to fit: lash or another camshaft, and neither has a probability."""
    decision = decide(job_for(SHORT, specification=_card_of_durations(195.0, "intake", "exhaust")), captures(SHORT))
    assert [each.code for each in decision.causes.findings] == ["other-camshaft", "wrong-lash"]
    text = " ".join(story(decision))
    assert "Likely cause: This is another camshaft" in text
    assert "It explains the lines as well: The lash" in text
    assert not any("probab" in key for each in decision_json(decision)["findings"] for key in each)
