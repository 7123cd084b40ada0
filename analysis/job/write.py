"""A job as the text of a job.toml: the template with the job's values in it, every line still explained.

Reading the text back makes the same job. Lines that the template only offers are taken up where the job states a value.
"""

from __future__ import annotations

import json
import re
import tomllib
from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Any, Final, TypeAlias

from analysis.job.explain import INSIDE, model_in
from analysis.job.model import Job
from analysis.job.template import Units, template
from analysis.job.toml_table import Table, times

# Table -> its keys with their values; for a table that may be there several times, a list of such. Keys and values are metric.
Entries: TypeAlias = Mapping[str, object]
Values: TypeAlias = Mapping[str, Entries | Sequence[Entries]]

_HEADER: Final = re.compile(r"(?P<offered># )?(?P<open>\[+)(?P<table>[\w.]+)\]+ +#")
_KEY: Final = re.compile(r"(?P<offered># )?(?P<key>\w+) = (?P<value>[^#]*?) +(?P<comment># .*)")
_COLUMN: Final = 39  # where the template's comments begin
_DIGITS: Final = range(3, 7)  # decimals of an inch that a person reads; a length that needs more keeps its metric key


def written_job(job: Job, units: Units | None = None) -> str:
    """The whole job in `units` (else in those of its sheet): `parse_job` makes the same job of it."""
    units = units or job.measure.units
    lines = offered(template(units), live=True)
    live = {(table, name) for table, keys in lines.items() for key in keys for name in (key, metric_key(key))}
    values: dict[str, Entries | Sequence[Entries]] = {}
    for table, entries in _tables(job, ()):
        values[table] = (
            entries
            if isinstance(entries, list)
            else {
                key: value for key, (value, stated) in entries.items() if value is not None and (stated or (table, key) in live)
            }
        )
    return filled(values, units)


def stated_values(job: Job) -> dict[str, dict[str, object] | list[dict[str, object]]]:
    """What the job itself states, in millimetres: defaults are left out."""
    return {
        table: entries
        if isinstance(entries, list)
        else {key: value for key, (value, stated) in entries.items() if stated and value is not None}
        for table, entries in _tables(job, ())
    }


def filled(values: Values, units: Units = "mm") -> str:
    """The template with values put in; what has none is left as the template has it."""
    lines: list[str] = []
    for table, block in _blocks(template(units)):
        entries = values.get(table, {})
        if isinstance(entries, Mapping):
            lines += _block(block, entries, units)
        else:
            for each in entries or [{}]:
                lines += _block(block, each, units)
    return "\n".join(lines) + "\n"


def metric_key(key: str) -> str:
    """The key that a value in the other system becomes when it is read; any other key that ends alike is looked for first."""
    found = next(((suffix, inner) for suffix, (inner, _) in INSIDE.items() if key.endswith(suffix)), None)
    return key.removesuffix(found[0]) + found[1] if found else key


def shown_inches(mm: float, factor: float = INSIDE["_in"][1]) -> str | None:
    """The inches that are read back as exactly so many millimetres, in at least three decimals; None if they need more than six."""
    for digits in _DIGITS:
        text = f"{mm / factor:.{digits}f}"
        if times(float(text), factor) == mm:
            return text
    return None


def explained(text: str) -> dict[str, dict[str, str]]:
    """The template's words: table -> key -> what it says; under "" of the table itself."""
    said: dict[str, dict[str, str]] = {}
    for table, block in _blocks(text):
        for line in block:
            if key := _KEY.match(line):
                said.setdefault(table, {})[key["key"]] = key["comment"].removeprefix("# ")
            elif _HEADER.match(line):
                said.setdefault(table, {})[""] = line.partition("]  ")[2].strip().removeprefix("# ")
    return said


def offered(text: str, *, live: bool) -> dict[str, dict[str, object]]:
    """The template's values: table -> key -> value; only of lines that it does not merely offer, if `live`."""
    found: dict[str, dict[str, object]] = {}
    for table, block in _blocks(text):
        for line in block:
            if (key := _KEY.match(line)) and not (live and key["offered"]):
                found.setdefault(table, {})[key["key"]] = tomllib.loads(f"value = {key['value']}")["value"]
    return found


def _tables(model: Table, path: tuple[str, ...]) -> Iterator[tuple[str, Any]]:
    """Each table with its keys: key -> (value, whether the job states it). For a list of tables, what each one states."""
    own: dict[str, tuple[object, bool]] = {}
    for name, field in type(model).model_fields.items():
        value, stated = getattr(model, name), name in model.model_fields_set
        if isinstance(value, Table):
            yield from _tables(value, (*path, name))
        elif model_in(field.annotation) is not None:
            if value is None:  # a table that may be left out whole
                continue
            yield ".".join((*path, name)), [each.model_dump(exclude_unset=True, exclude_none=True) for each in value]
        else:
            own[name] = value, stated
    yield ".".join(path), own


def _blocks(text: str) -> Iterator[tuple[str, list[str]]]:
    """The template's tables: name, and their lines from the header on."""
    table = ""
    block: list[str] = []
    for line in text.splitlines():
        if header := _HEADER.match(line):
            yield table, block
            table, block = header["table"], []
        block.append(line)
    yield table, block


def _block(lines: Iterable[str], entries: Entries, units: Units) -> Iterator[str]:
    for line in lines:
        header, key = _HEADER.match(line), _KEY.match(line)
        if header is not None:
            name, _, comment = line.removeprefix("# ").partition("  ")
            yield f"{name:<{_COLUMN}} {comment.strip()}" if entries else line
        elif key is not None and (metric := key["key"] if key["key"] in entries else metric_key(key["key"])) in entries:
            name, value = _in_units(metric, entries[metric], units)
            yield f"{f'{name} = {value}':<{_COLUMN}} {key['comment']}"
        else:
            yield line


def _in_units(key: str, value: object, units: Units) -> tuple[str, str]:
    """Key and value as the file spells them."""
    for suffix, (inner, factor) in INSIDE.items() if units == "in" else ():
        if not key.endswith(inner):
            continue
        several = isinstance(value, list | tuple)
        numbers: Sequence[Any] = value if isinstance(value, list | tuple) else [value]
        inches = [shown_inches(number, factor) for number in numbers]
        if None not in inches:
            text = ", ".join(filter(None, inches))
            return key.removesuffix(inner) + suffix, f"[{text}]" if several else text
    return key, _toml(value)


def _toml(value: object) -> str:
    match value:
        case bool():
            return str(value).lower()
        case str():
            return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
        case list() | tuple():
            return f"[{', '.join(map(_toml, value))}]"
        case _:
            return repr(value)
