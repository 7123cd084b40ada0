"""The sheet to hand over as one self-contained HTML page: no script, no outside request, plots drawn inside."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cache
from importlib import resources
from typing import Any, Literal

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from analysis.base.angles import label
from analysis.base.finding import DOUBT, Finding, doubts
from analysis.base.safety import cautions
from analysis.base.version import version
from analysis.base.words import Units, length, one_sign, overlap, plus_minus
from analysis.base.words import value as to_its_uncertainty
from analysis.decision.correction import EXPLAINED
from analysis.decision.decide import Cylinder, Decision
from analysis.decision.line_profile import ProfileLine
from analysis.decision.verdict import Line, rule
from analysis.lobe.result import Lobe
from analysis.report.in_doubt import of_event, told
from analysis.report.lobe_table import LobeRow, headline_lift, lobes_of
from analysis.report.method import how_measured
from analysis.report.plots import plots
from analysis.report.provenance import provenance
from analysis.report.sentences import (
    difference,
    found,
    headline,
    line_name,
    listed,
    profile_name,
    said_word,
    specified,
    story,
    tolerance,
    value,
)

Paper = Literal["A4", "letter"]
# Read aloud they are left out: the word stands beside each.
SIGNS = {"within": "✓", "outside": "✗", "cannot tell": "?", "not compared": "–", "inconclusive": "?", "": ""}
_N_PER_LBF = 4.4482216152605


@dataclass(frozen=True)
class Row:
    """A row of a table, all text. `verdict` is its kind, `word` how it reads; `note` is the number of a note below it, or ""."""

    name: str
    specified: str
    measured: str
    verdict: str
    difference: str = ""
    after: str = ""
    note: str = ""
    word: str = ""


@dataclass(frozen=True)
class Group:
    """Rows of one valve, or of the whole camshaft."""

    name: str
    rows: tuple[Row, ...]


def sheet_html(decision: Decision, paper: Paper | None = None, *, job_sha256: str = "") -> str:
    """The page. `paper` fixes the size of printed pages; without it the printer's own is taken. `job_sha256`: digest of job.toml."""
    return _environment().get_template("sheet.html.j2").render(_context(decision, paper), job_sha256=job_sha256)


@cache
def _environment() -> Environment:
    return Environment(
        loader=PackageLoader("analysis.report"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=False,
        lstrip_blocks=False,
    )


def _context(decision: Decision, paper: Paper | None) -> dict[str, Any]:
    job, units = decision.job, decision.job.measure.units
    notes = [n for n in dict.fromkeys(line.how for each in decision.cylinders for line in each.lines) if n]
    measured = [each.measured for each in decision.cylinders if each.measured is not None]
    several = bool(decision.others)
    first, *rest = story(decision)
    return {
        "css": _css("sheet.css"),
        "plot_css": _css("plot.css"),
        "paper": paper or "",
        "units": units,
        "generator": f"lobetrace {version()}",
        "engine": job.engine.name or "Engine without a name",
        "title": f"Camshaft sheet: {job.engine.name or 'engine without a name'}",
        "subtitle": f"{_which(decision)} of {job.engine.cylinders}, firing order {_order(decision)}",
        "facts": _facts(decision),
        "provenance": tuple(provenance(job, [lobe for each in measured for lobe in each.lobes], version())),
        "verdict": decision.verdict,
        "word": headline(decision).partition(": ")[0],
        "signs": SIGNS,
        "story": [one_sign(text) for text in (_capitalized(headline(decision).partition(": ")[2]), first, *rest)],
        "explained": EXPLAINED,
        "moves": bool(decision.correction and decision.correction.wanted),
        "after": decision.after is not None,
        "lifts_hold": f"lifts, {units}",
        "checking": f"lift, {units} at the {job.measure.checking_at}",
        "lobes": tuple(_lobe_row(row, job.measure.cylinder, units) for row in lobes_of(decision)) if several else (),
        "lobes_at": f"duration at {length(headline_lift(job), units)}",
        "of_first": f", cylinder {job.measure.cylinder}" if several else "",
        "against": f"against cylinder {job.measure.cylinder}",
        "groups": tuple(_groups(decision, notes)),
        "notes": notes,
        "rule": rule(job),
        "safety": tuple(_safety(decision)),
        "safety_notes": [f"{c.gap.valve.capitalize()}: {c.how}." for c in decision.clearances],
        "causes": decision.causes.findings,
        "warnings": [told(finding) for finding in decision.findings if finding not in decision.causes.findings],
        "doubts": list(dict.fromkeys(f.code for each in measured for f in each.findings if f.weight is DOUBT)),
        "events": tuple(
            row for each in measured for lobe in each.lobes for row in _events(lobe, units, each.findings, several=several)
        ),
        "plots": plots(decision),
        "how": tuple(how_measured(decision)),
        "cautions": cautions(),
        "captures": tuple(dict.fromkeys(used for each in measured for used in each.captures)),
    }


def _capitalized(text: str) -> str:
    return text[:1].upper() + text[1:]


def _css(name: str) -> Markup:
    """A style sheet of ours, put in as it is."""
    return Markup((resources.files("analysis.report") / "templates" / name).read_text(encoding="utf-8"))


def _which(decision: Decision) -> str:
    numbers = [each.number for each in decision.cylinders]
    return f"Cylinders {listed(numbers)}" if decision.others else f"Cylinder {numbers[0]}"


def _lobe_row(row: LobeRow, first: int, units: Units) -> dict[str, str]:
    """A line of the table of all lobes."""
    late = None if row.late is None else row.late.late
    numbers = {"centerline": row.centerline, "duration": row.duration, "lift": row.lift, "late": late}
    texts = {name: "" if number is None else one_sign(plus_minus(number, units)) for name, number in numbers.items()}
    name = f"{row.cylinder} {row.valve}".rstrip()
    if row.late is not None and row.late.against != first:
        texts["late"] += f" (against {row.late.against})"
    return {"name": name, "verdict": row.verdict, "word": row.word, "why": row.why, **texts}


def _order(decision: Decision) -> str:
    return "-".join(map(str, decision.job.engine.firing_order))


def _facts(decision: Decision) -> list[str]:
    engine, units = decision.job.engine, decision.job.measure.units
    crank = " × ".join(length(mm, units) for mm in (engine.bore_mm, engine.stroke_mm))
    facts = [f"bore × stroke {crank} {units}, rod {length(engine.rod_mm, units)} {units}"]
    measured = [each.measured for each in decision.cylinders if each.measured is not None]
    started = sorted(lobe.swept.sweep.header.started for each in measured for lobe in each.lobes)
    days = dict.fromkeys(text[:10] for text in started if text)
    if days:
        facts.append(f"recorded {' and '.join(days)}")
    facts.append("crank degrees; ± is the 95 % expanded uncertainty")
    return facts


def _groups(decision: Decision, notes: list[str]) -> Iterator[Group]:
    """The first cylinder's lines, and of the others what is not within: the table of all lobes has the rest."""
    first, *others = decision.cylinders
    after = decision.correction.after if decision.correction else decision.lines
    both = list(zip(decision.lines, after, strict=True))
    units, of = decision.job.measure.units, f", cylinder {first.number}" if others else ""
    yield from _of_cylinder(of, both, units, notes)
    for each in others:
        off = [(line, line) for line in each.lines if line.verdict != "within"]
        yield from _of_cylinder(f", cylinder {each.number}: not within tolerance", off, units, notes)


def _of_cylinder(of: str, lines: Sequence[tuple[Line, Line]], units: Units, notes: list[str]) -> Iterator[Group]:
    for valve, name in (("intake", "Intake"), ("exhaust", "Exhaust"), ("", "Camshaft")):
        rows = tuple(_row(line, then, units, notes) for line, then in lines if line.asked.valve == valve)
        if rows:
            yield Group(name + of, rows)


def _row(line: Line, then: Line, units: Units, notes: list[str]) -> Row:
    asked = line.asked
    name = line_name(asked, units).removeprefix(asked.valve).replace(f" {units},", "").strip()
    name += ", cam degrees" if asked.kind == "separation" else ""
    changed = _changed(then.verdict, value(then, units)) if then != line else ""
    return Row(
        name=name,
        specified=f"{specified(asked, units)} {one_sign(tolerance(asked, units))}",
        measured=one_sign(found(line, units)),
        verdict=line.verdict,
        word=said_word(line),
        difference=difference(line, units),
        after=changed,
        note=str(notes.index(line.how) + 1) if line.how else "",
    )


def _changed(verdict: str, text: str) -> str:
    """What a number becomes, marked where it is not within."""
    return text if verdict == "within" else f"{SIGNS[verdict]} {text}"


def _safety(decision: Decision) -> Iterator[Row]:
    units, after = decision.job.measure.units, decision.after
    later = {c.valve: c for c in after.clearances} if after else {}
    for gap in decision.clearances:
        then = later.get(gap.valve)
        text = _changed(then.verdict, to_its_uncertainty(then.least, units)) if then else ""
        name = f"piston to {gap.valve}, at {label(gap.at_deg, 'overlap', 0)}"
        least = one_sign(plus_minus(gap.least, units))
        yield Row(name, _least(gap.limit_mm, units), least, gap.verdict, after=text, word=said_word(gap))
    for each in decision.cylinders:
        yield from _margins(each, decision)
    for line in decision.profiles:
        yield _profile(line, decision)
    for loads in decision.loads:
        factor, unit = (1.0, "N") if units == "mm" else (_N_PER_LBF, "lbf")
        text = f"{loads.seat_n / factor:.0f} to {loads.open_n.value / factor:.0f}"
        yield Row(f"{loads.valve} spring, seat to full lift, {unit}", "", text, "")
    yield from _overlap(decision)
    if decision.compression is not None:
        then_ratio = f"{after.compression.value:.2f}" if after and after.compression else ""
        static = f"static {decision.job.engine.compression_ratio:g}"
        yield Row("dynamic compression", static, one_sign(plus_minus(decision.compression)), "", after=then_ratio)


def _margins(cylinder: Cylinder, decision: Decision) -> Iterator[Row]:
    units, of = decision.job.measure.units, f", cylinder {cylinder.number}" if decision.others else ""
    for margin in cylinder.margins:
        left = one_sign(plus_minus(margin.measured, units))
        name = f"{margin.valve} {margin.kind}{of}"
        yield Row(name, _least(margin.limit_mm, units), left, margin.verdict, word=said_word(margin))


def _profile(line: ProfileLine, decision: Decision) -> Row:
    units = decision.job.measure.units
    half = "" if line.tolerance_mm is None else f"0 ±{length(line.tolerance_mm / 2, units)}"
    off = "" if line.deviation is None else one_sign(plus_minus(line.deviation, units))
    at = "" if line.at_deg is None else f", at {label(line.at_deg, f'{line.valve} centerline', 0)}"
    return Row(f"{profile_name(line, decision)} at the lobe{at}", half, off, line.verdict, word=said_word(line))


def _overlap(decision: Decision) -> Iterator[Row]:
    both, units = decision.overlap, decision.job.measure.units
    cam = decision.measured.cam
    if cam is not None and cam.overlap is not None and cam.overlap_lift_mm is not None:
        at = f"overlap at {length(cam.overlap_lift_mm, units)} {decision.job.measure.checking_at}, degrees"
        yield Row(at, "", one_sign(overlap(cam.overlap)), "")
    if both is None:
        return
    for valve, at_tdc in (("intake", both.intake_at_tdc_mm), ("exhaust", both.exhaust_at_tdc_mm)):
        yield Row(f"{valve} lift at TDC", "", one_sign(plus_minus(at_tdc, units)) if at_tdc.value else "closed", "")
    yield Row(f"area of the overlap, {units}·degrees", "", one_sign(plus_minus(both.area_mm_deg, units)), "")


def _least(mm: float, units: Units) -> str:
    return f"≥ {length(mm, units)}"


def _events(lobe: Lobe, units: Units, findings: Sequence[Finding], *, several: bool) -> Iterator[dict[str, str]]:
    """Every event; "?" behind a number that is in doubt."""
    for event in lobe.events:
        marked = {
            kind: one_sign(plus_minus(number)) + (" ?" if doubts(findings, of_event(lobe.valve, event.lift_mm, kind)) else "")
            for kind, number in (("opens", event.opens), ("closes", event.closes), ("duration", event.duration))
        }
        name = f"{lobe.cylinder} {lobe.valve}" if several else lobe.valve
        yield {"valve": name, "lift": length(event.lift_mm, units), **marked}
