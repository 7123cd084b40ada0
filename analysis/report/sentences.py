"""A decision in words: what each line is called, what was asked for and found, and what to do. For the sheet, the shell and CI."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence

from analysis.base import words
from analysis.base.angles import label
from analysis.base.finding import DOUBT
from analysis.base.words import MM_PER, Units, angle, length, plus_minus, reading, signed, with_unit
from analysis.decision.card import Asked
from analysis.decision.clearance import PistonClearance
from analysis.decision.correction import Correction, Move
from analysis.decision.cylinders import Spacing
from analysis.decision.decide import Cylinder, Decision
from analysis.decision.line_profile import ProfileLine
from analysis.decision.spring import Margin
from analysis.decision.verdict import Line, Verdict, overall

# How a verdict reads.
WORD: dict[Verdict, str] = {
    "within": "within tolerance",
    "outside": "out of tolerance",
    "cannot tell": "inconclusive",
    "inconclusive": "inconclusive",
    "not compared": "not measured",
}
_NAMED = 3  # requirements of another cylinder that one sentence names; all of them are in the table
# What can be done where a limit lies inside the uncertainty.
_NARROWER = "More passes, slower turning and a finer indicator narrow the uncertainty."


def place_of(asked: Asked) -> str:
    """From where a person reads a line of the card, if it is such an angle."""
    if asked.kind == "advance":
        return "advance"
    return f"{asked.valve} {asked.kind}" if asked.kind in ("opens", "closes", "centerline") else ""


def line_name(asked: Asked, units: Units) -> str:
    """ "intake opens at 1.27 mm, lobe"; "lobe separation angle"."""
    name = "lobe separation angle" if asked.kind == "separation" else f"{asked.valve} {asked.kind}".strip()
    return f"{name} at {length(asked.lift_mm, units)} {units}, {asked.at}" if asked.lift_mm else name


def specified(asked: Asked, units: Units) -> str:
    """What the card asks for: "17 BTDC", "240", "7.60 mm"."""
    if asked.is_length:
        return f"{length(asked.value, units)} {units}"
    return angle(asked.value, place_of(asked))


def tolerance(asked: Asked, units: Units) -> str:
    """ "+/-1", in the line's unit."""
    return f"+/-{asked.tolerance / MM_PER[units]:.2g}" if asked.is_length else f"+/-{asked.tolerance:g}"


def found(line: Line, units: Units) -> str:
    """What was measured, with its uncertainty: "17.02 BTDC +/-0.12"; "" if nothing."""
    return "" if line.measured is None else plus_minus(line.measured, units)


def value(line: Line, units: Units) -> str:
    """The same without its uncertainty; "" if nothing was measured."""
    return "" if line.measured is None else words.value(line.measured, units)


def difference(line: Line, units: Units) -> str:
    """Measured less specified, signed, to its uncertainty."""
    return "" if line.measured is None else signed(line.measured - line.asked.value, units)


def headline(decision: Decision) -> str:
    """The verdict in one sentence, after its word and a colon."""
    if decision.verdict == "within":
        return "Within tolerance: every specified value is met."
    if decision.verdict == "outside":
        return "Out of tolerance: do not assemble the engine as it is."
    verdicts, codes = decision.verdicts, _codes(decision)
    if codes:
        return f"Inconclusive: the evidence is in doubt ({', '.join(codes)})."
    if "cannot tell" in verdicts:
        return "Inconclusive: uncertainty spans a limit."
    if verdicts:
        return "Not measured: some of the specified values have no number to be compared with."
    return "Inconclusive: the job specifies nothing to compare with."


def _codes(decision: Decision) -> list[str]:
    """The codes of the doubts for which something was not judged."""
    others = (group for each in decision.others for group in (each.lines, each.margins))
    judged = (decision.lines, decision.clearances, decision.margins, decision.spacings, decision.profiles, *others)
    return list(dict.fromkeys(code for group in judged for each in group for code in each.doubts))


def said_verdict(judged: Line | PistonClearance | Margin | Spacing | ProfileLine) -> str:
    """The verdict with the codes of the findings that hold it back: "inconclusive: tdc-disagrees"."""
    return f"{judged.verdict}: {', '.join(judged.doubts)}" if judged.doubts else judged.verdict


def said_word(judged: Line | PistonClearance | Margin | Spacing | ProfileLine) -> str:
    """The same as it reads: "within tolerance", "inconclusive: tdc-disagrees"."""
    return f"{WORD[judged.verdict]}: {', '.join(judged.doubts)}" if judged.doubts else WORD[judged.verdict]


def story(decision: Decision) -> Iterator[str]:
    """The verdict in words: how many lines are what, the likely cause, what to change. One sentence or two each."""
    count = Counter(WORD[verdict] for verdict in decision.verdicts)
    if not decision.verdicts:
        yield "The job specifies nothing to hold the measurement against: write the cam card into [specification] of job.toml."
    else:
        said = [f"{count[word]} {word}" for word in dict.fromkeys(WORD.values()) if count[word]]
        narrower = f" {_NARROWER}" if "cannot tell" in decision.verdicts else ""
        of = f" of {len(decision.cylinders)} cylinders" if decision.others else ""
        yield f"Of {len(decision.verdicts)} requirements{of}: {', '.join(said)}.{narrower}"
    for k, cause in enumerate([*_doubted(decision), *(likely.cause for likely in decision.causes.findings)]):
        yield f"{'It explains the lines as well' if k else 'Likely cause'}: {cause}"
    yield from change(decision)
    yield from _cylinders(decision)
    for clearance in decision.clearances:
        if clearance.verdict != "within":
            words = clearance_words(clearance, decision.job.measure.units)
            yield f"{words}: {said_word(clearance)}. Correct this before cranking on the starter."
    yield from _later(decision)


def _doubted(decision: Decision) -> list[str]:
    """What put the evidence in doubt, if that kept lines from being judged: it comes before what the numbers themselves suggest."""
    codes = {code for line in decision.lines for code in line.doubts}
    return [
        finding.cause for finding in decision.findings if finding.weight is DOUBT and finding.code in codes and finding.cause
    ][:1]


def _cylinders(decision: Decision) -> Iterator[str]:
    """What is not within of the other cylinders, and which of them stands elsewhere than the first."""
    for each in decision.others:
        if each.error is not None:
            yield f"Cylinder {each.number} was not measured: {each.error}"
        elif (verdict := overall(each.verdicts)) != "within" and each.verdicts:
            yield f"Cylinder {each.number} is {WORD[verdict]}: {_not_within(each, decision.job.measure.units)}."
    for spacing in decision.spacings:
        if spacing.verdict == "outside":
            yield _elsewhere(spacing)


def _elsewhere(spacing: Spacing) -> str:
    late = spacing.late.value > 0
    by = plus_minus((1 if late else -1) * spacing.late)
    return (
        f"The {spacing.valve} lobe of cylinder {spacing.cylinder} stands {by} crank degrees {'late' if late else 'early'} "
        "against that "
        f"of cylinder {spacing.against}, which advancing or retarding the cam will not correct. Check that lobe, its follower and "
        "how the indicator was set up there, and sweep it again."
    )


def _not_within(cylinder: Cylinder, units: Units) -> str:
    """The names of what is not within, the worst verdict first, and how far it is off."""
    lines = sorted((line for line in cylinder.lines if line.verdict != "within"), key=lambda line: line.verdict != "outside")
    names = [f"{line_name(line.asked, units)} {_off(line, units)}".rstrip() for line in lines]
    names += [f"{margin.valve} {margin.kind}" for margin in cylinder.margins if margin.verdict != "within"]
    more = f" and {len(names) - _NAMED} more" if len(names) > _NAMED else ""
    return "; ".join(names[:_NAMED]) + more


def _off(line: Line, units: Units) -> str:
    return f"off by {difference(line, units)}" if line.measured is not None else "not measured"


def _later(decision: Decision) -> Iterator[str]:
    """What the change does to the pistons' clearances where it is not for the good."""
    for clearance in decision.after.clearances if decision.after else ():
        if clearance.verdict != "within":
            words = clearance_words(clearance, decision.job.measure.units)
            yield f"After the change: {words[0].lower()}{words[1:]}: {said_word(clearance)}. Measure it again then."


def clearance_words(clearance: PistonClearance, units: Units) -> str:
    """ "Piston to intake valve: least 2.31 +/-0.10 mm at 9 ATDC, limit 2.00 mm"."""
    least = plus_minus(clearance.least, units)
    where = label(clearance.at_deg, "overlap", 0)
    return (
        f"Piston to {clearance.valve} valve: least {least} {units} at {where}, limit {length(clearance.limit_mm, units)} {units}"
    )


def change(decision: Decision) -> Iterator[str]:
    """What to turn, for each camshaft, and what no turning changes."""
    correction = decision.correction
    if correction is None:
        if not decision.causes.turn:
            yield "Turn nothing until the likely cause has been cleared up."
        return
    for move in correction.moves:
        yield _move(move, _of_whom(decision, move))
    if correction.unmoved:
        yield _unmoved(decision, correction)


def _of_whom(decision: Decision, move: Move) -> str:
    """By which cylinders the camshaft's place is read, where there are several."""
    if not decision.others or not move.cylinders:
        return ""
    if len(move.cylinders) == 1:
        return f" by cylinder {move.cylinders[0]} alone"
    return f" in the mean of cylinders {listed(move.cylinders)}"


def listed(numbers: Sequence[int]) -> str:
    """ "1, 3, 4 and 2"."""
    *first, last = map(str, numbers)
    return f"{', '.join(first)} and {last}" if first else last


def _move(move: Move, of_whom: str) -> str:
    way, by = ("late", move.late) if move.late.value > 0 else ("early", -move.late)
    stands = f"The {move.camshaft} stands {plus_minus(by)} crank degrees {way}{of_whom}"
    if move.advance_deg == 0.0:
        if move.verdict == "within":
            return f"{stands}: within its tolerance, leave it."
        return f"{stands}; no position of the timing set comes nearer than the one fitted."
    todo = "advance" if move.advance_deg > 0 else "retard"
    text = f"{stands}: {todo} it by {abs(move.advance_deg):g} crank degrees ({abs(move.advance_deg) / 2:g} cam degrees)"
    if move.position_deg is not None:
        text += f", position {move.position_deg:+g} of the timing set"
    if move.teeth:
        text += f" and {abs(move.teeth)} {'tooth' if abs(move.teeth) == 1 else 'teeth'} {'onward' if move.teeth > 0 else 'back'}"
    left = move.left_deg
    if abs(left) >= 0.05:
        text += f", which leaves it {abs(left):.1f} {'late' if left > 0 else 'early'}"
    return text + "."


def _unmoved(decision: Decision, correction: Correction) -> str:
    units = decision.job.measure.units
    names = ", ".join(line_name(line.asked, units) for line in correction.unmoved)
    text = f"Advancing or retarding the cam will not correct: {names}."
    if any(likely.code not in ("late-cam", "tooth-out") for likely in decision.causes.findings):
        return text + " See the likely cause before anything is turned."
    return text + " That points to the camshaft, the rocker ratio or the lash."


def requirements(decision: Decision) -> Iterator[tuple[str, Verdict, str]]:
    """Name, verdict and sentence of every requirement: for one line each in the shell and in CI. Where there are several cylinders,
    a name begins with the cylinder.
    """
    units = decision.job.measure.units
    first, *others = decision.cylinders
    of = f"cylinder {first.number}, " if others else ""
    yield from _of_lines(first, units, of)
    for gap in decision.clearances:
        yield f"{of}piston to {gap.valve} valve", gap.verdict, _held(gap.doubts, clearance_words(gap, units))
    yield from _of_margins(first, units, of)
    for each in others:
        of = f"cylinder {each.number}, "
        if each.error is not None:
            yield f"cylinder {each.number}", "not compared", str(each.error)
        yield from _of_lines(each, units, of)
        yield from _of_margins(each, units, of)
    for spacing in decision.spacings:
        said = f"{plus_minus(spacing.late)} against cylinder {spacing.against}"
        yield f"cylinder {spacing.cylinder} {spacing.valve} spacing", spacing.verdict, _held(spacing.doubts, said)
    for profile in decision.profiles:
        yield profile_name(profile, decision), profile.verdict, _held(profile.doubts, profile_words(profile, units))


def profile_name(line: ProfileLine, decision: Decision) -> str:
    """What a profile is called, with its cylinder where there are several."""
    return f"{f'cylinder {line.cylinder} ' if decision.others else ''}{line.valve} profile"


def profile_words(line: ProfileLine, units: Units) -> str:
    """What decides about a profile: "deviates by -0.032 +/-0.004 mm at 111 ATDC, +/-0.025 allowed"."""
    if line.fit is None or line.deviation is None or line.at_deg is None:
        return line.how
    allowed = "" if line.tolerance_mm is None else f", +/-{reading(line.tolerance_mm / 2, units)} allowed"
    at = label(line.at_deg, f"{line.valve} centerline", 0)
    return f"deviates by {with_unit(line.deviation, units)} at {at}{allowed}"


def _of_lines(cylinder: Cylinder, units: Units, of: str) -> Iterator[tuple[str, Verdict, str]]:
    for line in cylinder.lines:
        asked = f"{specified(line.asked, units)} {tolerance(line.asked, units)}"
        said = f"specified {asked}, measured {found(line, units)}" if line.measured else line.how
        yield of + line_name(line.asked, units), line.verdict, _held(line.doubts, said)


def _of_margins(cylinder: Cylinder, units: Units, of: str) -> Iterator[tuple[str, Verdict, str]]:
    for margin in cylinder.margins:
        limit = f"{length(margin.limit_mm, units)} {units}"
        said = f"left {plus_minus(margin.measured, units)} {units}, limit {limit}"
        yield f"{of}{margin.valve} {margin.kind}", margin.verdict, _held(margin.doubts, said)


def _held(doubts: Sequence[str], said: str) -> str:
    """What is said of a requirement, behind the codes of the findings for which it was not judged."""
    return f"{', '.join(doubts)}: {said}" if doubts else said
