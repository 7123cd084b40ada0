"""A job as it is typed into a form, line by line: which lines there are, what each holds, and what is wrong with it so far.

The form's text is turned into the same keys that a person would write into job.toml, and judged by the same model in the same
words. An empty line leaves its key out.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cache
from typing import Any, Final, NamedTuple, TypeAlias

from pydantic import ValidationError

from analysis.job import card_entry
from analysis.job.card_entry import VALVES, Follows
from analysis.job.explain import MM_PER_INCH, Wrong, each_wrong
from analysis.job.model import Job
from analysis.job.template import Units, template
from analysis.job.write import explained, offered, shown_inches, stated_values

TEXT, NUMBER, WHOLE, NUMBERS, WHOLES, CHOICE = "text", "number", "whole", "numbers", "wholes", "choice"
FOLDER, UNITS, PORT = "folder", "measure.units", "rig.port"
MOST_CHECKS: Final = 4  # checking lifts that a form offers

Texts: TypeAlias = Mapping[str, str]
# Firing orders that hardly need asking (common practice); any other number of cylinders has several.
_FIRING: Final = {"1": "1", "2": "1 2", "4": "1 3 4 2", "5": "1 2 4 5 3", "6": "1 5 3 6 2 4"}
_WORDS: Final[Mapping[str, Mapping[str, object]]] = {"rig.indicator_sign": {"increases": 1, "decreases": -1}}
_READINGS: Final = {
    "intake": (("opens", "opens_btdc_deg", "BTDC"), ("closes", "closes_abdc_deg", "ABDC")),
    "exhaust": (("opens", "opens_bbdc_deg", "BBDC"), ("closes", "closes_atdc_deg", "ATDC")),
}


@dataclass(frozen=True)
class Cell:
    """One thing to enter. `name`: table and key, metric. `after`: what stands behind it; a length has its unit there by itself.

    `quiet`: seldom asked; it has a usual value and Enter passes it by. `usual`: what an empty line means, as it is shown.
    """

    name: str
    kind: str = NUMBER
    after: str = ""
    choices: tuple[str, ...] = ()
    quiet: bool = False
    usual: str = ""
    help: str = ""

    @property
    def length(self) -> bool:
        """Whether it is in millimetres or inches."""
        return self.name.endswith("_mm")


class Row(NamedTuple):
    """A line of the form: a label and one cell, or one for each valve."""

    label: str
    cells: tuple[Cell, ...]


class Group(NamedTuple):
    """Lines that belong together. `heads` stand above the cells."""

    title: str
    rows: tuple[Row, ...]
    heads: tuple[str, ...] = ()


@dataclass(frozen=True)
class Judged:
    """What the text comes to: the job if it is one; by cell, what is wrong, what is needed yet, what follows, what does not fit."""

    job: Job | None
    wrong: Mapping[str, str] = field(default_factory=dict)
    missing: Mapping[str, str] = field(default_factory=dict)
    follows: Mapping[str, str] = field(default_factory=dict)
    doubts: Mapping[str, str] = field(default_factory=dict)


def units_of(texts: Texts) -> Units:
    """What lengths are typed in."""
    return "in" if texts.get(UNITS) == "in" else "mm"


def groups(texts: Texts) -> tuple[Group, ...]:
    """The whole form: one checking lift more than has been entered is offered."""
    return _form(min(MOST_CHECKS, 1 + max((int(n) + 1 for n in _entered(texts)), default=0)), units_of(texts))


@cache
def _form(checks: int, units: Units) -> tuple[Group, ...]:
    return tuple(_with_words(group, units) for group in (*_BEFORE, _card(checks), _TOLERANCES))


def checks_in(texts: Texts) -> int:
    """How many checking lifts the form offers."""
    return sum(cell.name.endswith(".lift_mm") and cell.name.startswith("card.") for cell in cells(groups(texts)))


def cells(form: Sequence[Group]) -> list[Cell]:
    """All of them in order."""
    return [cell for group in form for row in group.rows for cell in row.cells]


def blank(units: Units) -> dict[str, str]:
    """What stands in a new form: choices have a value, all else is empty."""
    texts = {cell.name: cell.choices[0] for cell in cells(groups({})) if cell.choices}
    return texts | {UNITS: units}


def like(job: Job, units: Units) -> tuple[dict[str, str], dict[str, Any]]:
    """Engine, rig and cam card of another job as text, and what of it the form does not show: its further tables.

    Who measured what is left out, and where top dead center was found on that engine.
    """
    stated = {table: entries for table, entries in stated_values(job).items() if table not in ("record", "")}
    texts = blank(units)
    shown = {cell.name: cell for cell in cells(groups({}))}
    rest: dict[str, Any] = {}
    for table, entries in stated.items():
        if isinstance(entries, list):
            left = _durations(texts, table.split(".")[1], entries, units) if table.startswith("specification.") else entries
            if left:
                _put(rest, table, left)
            continue
        for key, value in entries.items():
            name = f"{table}.{key}"
            if name in (UNITS, "rig.tdc_count"):
                continue
            if name in shown:
                texts[name] = _text(shown[name], value, units)
            else:
                _put(rest, name, value)
    return texts, rest


def other_units(texts: Texts, units: Units) -> dict[str, str]:
    """The same form with every length that has been entered in the other unit."""
    now = units_of(texts)
    if now == units:
        return dict(texts)
    changed = dict(texts) | {UNITS: units}
    for cell in cells(groups(texts)):
        if cell.length and texts.get(cell.name):
            value = _value(cell, texts[cell.name])
            several = value if isinstance(value, list) else [value]
            if all(isinstance(each, float) for each in several):
                lengths = [_round_mm(round(each * MM_PER_INCH, 9)) for each in several] if now == "in" else several
                changed[cell.name] = _text(cell, lengths, units)
    return changed


def judged(texts: Texts, rest: Mapping[str, Any] | None = None) -> Judged:
    """The job that the form makes, or what is still in its way. `rest`: tables that the form does not show, in metric keys."""
    form = cells(groups(texts))
    data, order = _data(form, texts, rest)
    given = _given(texts)
    checks = checks_in(texts)
    follows = {_CARD_CELLS[name]: _following(name, found, texts) for name, found in card_entry.follows(given, checks).items()}
    if not texts.get("engine.firing_order", "").strip() and (usual := _FIRING.get(texts.get("engine.cylinders", "").strip())):
        follows["engine.firing_order"] = f"= {usual}"
    doubts = {
        _CARD_CELLS[name]: f"This does not fit the rest of the cam card, which makes it {_shown(name, made, texts)}."
        for name, made in card_entry.contradictions(given, checks).items()
    }
    try:
        job = Job.model_validate(data)
    except ValidationError as error:
        wrong: dict[str, str] = {}
        missing: dict[str, str] = {}
        for each in each_wrong(error, Job, data):
            name = _place(each, form, order)
            found, said = (missing, f"{each.what}.") if each.kind == "missing" else (wrong, f"{each.what}. {each.do}.")
            found.setdefault(name, said)
        return Judged(None, wrong, missing, follows, doubts)
    return Judged(job, {}, {}, follows, doubts)


def _card_cell(check: int, valve: str, key: str) -> str:
    return f"card.{check}.{valve}.{key}"


def _card_cells() -> dict[str, str]:
    """By the names of `card_entry`, the cells of the form."""
    found = {
        "separation": "specification.cam.separation_deg",
        "advance": "specification.cam.advance_deg",
        "ratio": "rig.rocker_ratio",
    }
    for valve in VALVES:
        found[f"{valve} center"] = f"specification.{valve}.centerline_deg"
        for at in ("lobe", "valve"):
            found[f"{valve} {at} lift"] = f"specification.{valve}.{at}_lift_mm"
        for check in range(MOST_CHECKS):
            found[f"{valve} {check} duration"] = _card_cell(check, valve, "deg")
            for word, key, _ in _READINGS[valve]:
                found[f"{valve} {check} {word}"] = _card_cell(check, valve, key)
    return found


_CARD_CELLS: Final = _card_cells()


def _given(texts: Texts) -> dict[str, float]:
    """The numbers of the card that have been entered."""
    found: dict[str, float] = {}
    for name, cell in _CARD_CELLS.items():
        value = _value(Cell(cell), texts.get(cell, ""))
        if isinstance(value, float) and abs(value) < 1e4:
            found[name] = value
    return found


def _following(name: str, found: Follows, texts: Texts) -> str:
    return f"{'≈' if found.symmetric else '='} {_shown(name, found.value, texts)}"


def _shown(name: str, value: float, texts: Texts) -> str:
    if not name.endswith("lift"):
        return f"{value + 0.0:.1f}"
    return f"{value:.{3 if units_of(texts) == 'in' else 2}f}"


def _entered(texts: Texts) -> Iterator[str]:
    """The numbers of the checking lifts of which anything but where they hold has been entered."""
    for name, text in texts.items():
        if name.startswith("card.") and not name.endswith(".at") and text.strip():
            yield name.split(".")[1]


def _data(form: Sequence[Cell], texts: Texts, rest: Mapping[str, Any] | None) -> tuple[dict[str, Any], dict[str, list[int]]]:
    """The keys that a job.toml would have, and for each valve which checking lift each of its durations is of."""
    units = units_of(texts)
    data: dict[str, Any] = {"format": 1, "engine": {}}
    for name, value in _usual_tables(units):
        _put(data, name, value)
    _merge(data, rest or {})
    order: dict[str, list[int]] = {valve: [] for valve in VALVES}
    durations: dict[str, list[dict[str, Any]]] = {valve: [] for valve in VALVES}
    checks: dict[int, dict[str, Any]] = {}
    for cell in form:
        value = _value(cell, texts.get(cell.name, ""))
        if (
            cell.name == "engine.firing_order"
            and value is None
            and (usual := _FIRING.get(texts.get("engine.cylinders", "").strip()))
        ):
            value = _value(cell, usual)
        if value is None or cell.name == FOLDER:
            continue
        key = _spelt(cell, units)
        if cell.name.startswith("card."):
            _, number, *at = key.split(".")
            checks.setdefault(int(number), {})[" ".join(at)] = value
        else:
            _drop(data, cell.name)
            _put(data, key, value)
    for check, entries in sorted(checks.items()):
        common = {key: value for key, value in entries.items() if " " not in key}
        for valve in VALVES:
            own = {key.partition(" ")[2]: value for key, value in entries.items() if key.startswith(f"{valve} ")}
            if own:
                durations[valve].append(common | own)
                order[valve].append(check)
    for valve, found in durations.items():
        more = data.get("specification", {}).get(valve, {}).get("duration", [])
        if found:
            _put(data, f"specification.{valve}.duration", [*found, *more])
    return data, order


def _spelt(cell: Cell, units: Units) -> str:
    return f"{cell.name.removesuffix('_mm')}_in" if cell.length and units == "in" else cell.name


@cache
def _usual_tables(units: Units) -> tuple[tuple[str, Any], ...]:
    """What the template says where the form may be silent: in inches, round inches."""
    said: list[tuple[str, Any]] = []
    live = offered(template(units), live=True)
    for table in ("measure", "specification.tolerance", "clearance", "timing_set"):
        said += [(f"{table}.{key}", value) for key, value in live.get(table, {}).items()]
    return tuple(said)


def _put(data: dict[str, Any], name: str, value: Any) -> None:
    *tables, key = name.split(".")
    for table in tables:
        data = data.setdefault(table, {})
    data[key] = value


def _drop(data: dict[str, Any], name: str) -> None:
    """Take away a key in either unit."""
    *tables, key = name.split(".")
    for table in tables:
        data = data.get(table, {})
    data.pop(key, None)
    data.pop(f"{key.removesuffix('_mm')}_in", None)


def _merge(data: dict[str, Any], over: Mapping[str, Any], path: str = "") -> None:
    for key, value in over.items():
        if isinstance(value, Mapping):
            _merge(data, value, f"{path}{key}.")
        else:
            _drop(data, f"{path}{key}")
            _put(data, f"{path}{key}", value)


def _value(cell: Cell, text: str) -> Any:
    """What the text is, None if it is empty. What is no number stays text, for the model to refuse in its own words."""
    text = text.strip() if cell.kind != TEXT else text
    if not text:
        return None
    if cell.name in _WORDS:
        return _WORDS[cell.name].get(text, text)
    match cell.kind:
        case "number":
            return _number(text)
        case "whole":
            return _whole(text)
        case "wholes":
            return [_whole(each) for each in re.split(r"[\s,-]+", text) if each]
        case "numbers":
            return [_number(each) for each in re.split(r"[\s,;]+", text) if each]
        case _:
            return text


def _number(text: str) -> float | str:
    if parts := re.fullmatch(r"(?:(\d{1,4})[ -])?(\d{1,3})/(\d{1,3})", text):  # 3 1/2, as an inch rule has it
        return float(parts[1] or 0) + int(parts[2]) / int(parts[3]) if int(parts[3]) else text
    try:
        return float(text)
    except ValueError:
        return text


def _whole(text: str) -> int | float | str:
    try:
        return int(text)
    except ValueError:
        return _number(text)


def _text(cell: Cell, value: Any, units: Units) -> str:
    """A value in millimetres as a person would have typed it."""
    if cell.name in _WORDS:
        return next(word for word, meant in _WORDS[cell.name].items() if meant == value)
    if isinstance(value, list | tuple):
        return " ".join(_text(cell, each, units) for each in value)
    if cell.length and units == "in":
        return shown_inches(value) or f"{value / MM_PER_INCH:.5f}"
    return repr(value).removesuffix(".0") if isinstance(value, float) else str(value)


def _round_mm(mm: float) -> float:
    """The roundest number of millimetres that is written as the same inches: 86 for what was 86 before it became 3.38583."""
    cell = Cell("_mm")
    text = _text(cell, mm, "in")
    return next((near for digits in range(7) if _text(cell, near := round(mm, digits), "in") == text), mm)


def _durations(texts: dict[str, str], valve: str, entries: list[dict[str, Any]], units: Units) -> list[dict[str, Any]]:
    """Durations of a valve put into the checking lifts of the form, those of both valves at one lift on one; those without room."""
    left: list[dict[str, Any]] = []
    for entry in entries:
        at, lift = str(entry.get("at", "lobe")), _text(Cell("lift_mm"), entry["lift_mm"], units)
        for check in range(MOST_CHECKS):
            there = texts.get(f"card.{check}.lift_mm", ""), texts.get(f"card.{check}.at", "lobe")
            taken = any(name.startswith(f"card.{check}.{valve}.") for name in texts)
            if not there[0] or (there == (lift, at) and not taken):
                texts |= {f"card.{check}.lift_mm": lift, f"card.{check}.at": at}
                texts |= {_card_cell(check, valve, k): _text(Cell(k), v, units) for k, v in entry.items() if k.endswith("deg")}
                break
        else:
            left.append(entry)
    return left


def _place(wrong: Wrong, form: Sequence[Cell], order: Mapping[str, Sequence[int]]) -> str:
    """The cell that an error is about."""
    names = [cell.name for cell in form if cell.name != FOLDER]
    path = wrong.path
    if path[:1] == ("specification",) and len(path) > 3 and path[2] == "duration" and int(path[3]) < len(order[str(path[1])]):
        valve, number = str(path[1]), order[str(path[1])][int(path[3])]
        key = str(path[4]) if len(path) > 4 else "deg"
        return f"card.{number}.{key}" if key in ("lift_mm", "at") else _card_cell(number, valve, key)
    name = ".".join(part for part in path if isinstance(part, str))
    if name in names:
        return name
    inside = [each for each in names if each.startswith(name)] or names
    said = {wrong.what.find(each.rpartition(".")[2]): each for each in reversed(inside)}  # a table's own check names its keys
    return min(((at, each) for at, each in said.items() if at >= 0), default=(0, inside[0]))[1]


def _with_words(group: Group, units: Units) -> Group:
    """The template's words and usual values put to each cell."""
    said, usual = explained(template(units)), offered(template(units), live=False)

    def worded(cell: Cell) -> Cell:
        table, _, key = cell.name.rpartition(".")
        if table.startswith("card."):
            valve = table.split(".")[2] if table.count(".") == 2 else "intake"
            table = f"specification.{valve}.duration"
        spelt = f"{key.removesuffix('_mm')}_in" if cell.length and units == "in" else key
        text = said.get(table, {}).get(spelt, cell.help)
        value = usual.get(table, {}).get(spelt)
        shown = cell.usual or (
            _plain(value, units if cell.length else "") if cell.quiet and not cell.choices and value is not None else ""
        )
        after = cell.after or (units if cell.length else "deg" if cell.name.endswith("deg") else "")
        return Cell(cell.name, cell.kind, after, cell.choices, cell.quiet, shown, cell.help or text)

    rows = tuple(Row(row.label, tuple(map(worded, row.cells))) for row in group.rows)
    return Group(group.title, rows, group.heads)


def _plain(value: object, units: str) -> str:
    if isinstance(value, list):
        return " ".join(_plain(each, units) for each in value)
    return max(str(value), f"{value:.3f}", key=len) if units == "in" and isinstance(value, float) else str(value)


def _both(label: str, key: str, kind: str = NUMBER, after: tuple[str, str] = ("", "")) -> Row:
    return Row(label, tuple(Cell(f"specification.{v}.{key}", kind, a) for v, a in zip(VALVES, after, strict=True)))


def _card(checks: int) -> Group:
    rows = [
        Row("lobe separation angle", (Cell("specification.cam.separation_deg", after="cam deg"),)),
        _both("centerline", "centerline_deg", after=("ATDC", "BTDC")),
        Row("advance", (Cell("specification.cam.advance_deg"),)),
        _both("lobe lift", "lobe_lift_mm"),
        _both("valve lift", "valve_lift_mm"),
        _both("lash", "lash_mm"),
    ]
    for n in range(checks):
        rows.append(Row(f"checking lift {n + 1}", (Cell(f"card.{n}.lift_mm"),)))
        rows.append(Row("  duration", tuple(Cell(_card_cell(n, valve, "deg")) for valve in VALVES)))
        for word, one, other in zip(("opens", "closes"), _READINGS["intake"], _READINGS["exhaust"], strict=True):
            found = (
                Cell(_card_cell(n, valve, key), after=after) for valve, (_, key, after) in zip(VALVES, (one, other), strict=True)
            )
            rows.append(Row(f"  {word}", tuple(found)))
        rows.append(Row("  lift and angles hold at", (Cell(f"card.{n}.at", CHOICE, choices=("lobe", "valve"), quiet=True),)))
    return Group("Cam card", tuple(rows), VALVES)


_BEFORE: Final = (
    Group(
        "Record",
        (
            Row("folder", (Cell(FOLDER, TEXT, help="where the job is kept: a folder that is made now"),)),
            Row("lengths in", (Cell(UNITS, CHOICE, choices=("mm", "in"), help="for the whole job: millimetres or inches"),)),
            Row("customer", (Cell("record.customer", TEXT),)),
            Row("operator", (Cell("record.operator", TEXT),)),
            Row("engine number", (Cell("record.engine_number", TEXT),)),
            Row("camshaft", (Cell("record.camshaft", TEXT),)),
            Row("camshaft serial", (Cell("record.camshaft_serial", TEXT),)),
        ),
    ),
    Group(
        "Engine",
        (
            Row("name", (Cell("engine.name", TEXT),)),
            Row("cylinders", (Cell("engine.cylinders", WHOLE),)),
            Row("firing order", (Cell("engine.firing_order", WHOLES),)),
            Row("bore", (Cell("engine.bore_mm"),)),
            Row("stroke", (Cell("engine.stroke_mm"),)),
            Row("rod, center to center", (Cell("engine.rod_mm"),)),
            Row("piston-pin offset", (Cell("engine.pin_offset_mm", quiet=True),)),
            Row("compression ratio", (Cell("engine.compression_ratio", quiet=True, usual="not known"),)),
        ),
    ),
    Group(
        "Rig",
        (
            Row("port", (Cell(PORT, TEXT),)),
            Row("indicator stands at", (Cell("rig.indicator_at", CHOICE, choices=("valve", "lobe")),)),
            Row("rocker ratio", (Cell("rig.rocker_ratio", usual="1.0"),)),
            Row("lash while measuring", (Cell("rig.lash_mm", usual="0"),)),
            Row("cylinder", (Cell("measure.cylinder", WHOLE, quiet=True),)),
            Row("as the valve opens", (Cell("rig.indicator_sign", CHOICE, "reading", ("increases", "decreases"), quiet=True),)),
            Row("count goes", (Cell("rig.direction", CHOICE, choices=("auto", "up", "down"), quiet=True),)),
            Row("checking lifts", (Cell("measure.checking_lifts_mm", NUMBERS, quiet=True),)),
            Row("checking lifts hold at", (Cell("measure.checking_at", CHOICE, choices=("lobe", "valve"), quiet=True),)),
            Row("rocker-ratio error", (Cell("rig.rocker_ratio_error", quiet=True, usual="2 % of it"),)),
            Row("lash error", (Cell("rig.lash_error_mm", quiet=True),)),
            Row("encoder off center by", (Cell("rig.encoder_offcenter_deg", quiet=True),)),
            Row("indicator tilt", (Cell("rig.indicator_tilt_deg", quiet=True),)),
            Row("indicator error", (Cell("rig.indicator_error_mm", quiet=True),)),
            Row("base-circle runout", (Cell("rig.cam_runout_mm", quiet=True),)),
            Row("piston-stop depth", (Cell("rig.stop_depth_mm", quiet=True, usual="not known"),)),
            Row("baud", (Cell("rig.baud", WHOLE, quiet=True),)),
        ),
    ),
)
_TOLERANCES: Final = Group(
    "Tolerances, each way",
    tuple(
        Row(label, (Cell(f"specification.tolerance.{key}", quiet=True),))
        for label, key in (
            ("opening and closing", "event_deg"),
            ("duration", "duration_deg"),
            ("centerline, advance", "centerline_deg"),
            ("lobe separation angle", "separation_deg"),
            ("lift", "lift_mm"),
            ("guard-band factor", "guard_band_factor"),
        )
    ),
)
