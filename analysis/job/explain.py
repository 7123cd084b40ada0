"""What is wrong with a job file, in a sentence: from a validation error to a UsageError with line, key and what to write."""

from __future__ import annotations

import difflib
import re
from collections.abc import Mapping
from typing import Any, NamedTuple, get_args

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails, PydanticCustomError

from analysis.base.errors import UsageError
from analysis.base.foreign import shown

MM_PER_INCH = 25.4
N_PER_LBF = 4.4482216152605
# A key's ending in the other system -> the ending inside, and what to multiply by.
INSIDE = {"_in": ("_mm", MM_PER_INCH), "_lbf": ("_n", N_PER_LBF)}
_WORDS = {"_in": "inches", "_mm": "millimetres", "_lbf": "pounds", "_n": "newtons"}
Path = tuple[str | int, ...]


def outside(low: float, high: float) -> PydanticCustomError:
    """The error of a value outside its plausible range, bounds in the field's unit."""
    return PydanticCustomError("outside", "is outside {low} to {high}", {"low": low, "high": high})


class Wrong(NamedTuple):
    """One thing to put right: the place of the value, pydantic's name for the kind of error, what is wrong, what to do."""

    path: Path
    kind: str
    what: str
    do: str


def each_wrong(error: ValidationError, model: type[BaseModel], data: Mapping[str, Any]) -> list[Wrong]:
    """Everything to put right. Unknown keys come first: a misspelt key is also a missing one."""
    details = sorted(error.errors(), key=lambda e: e["type"] != "extra_forbidden")
    return [Wrong(e["loc"], e["type"], *_sentence(e, _key_written(e["loc"], data), e["loc"], model, data)) for e in details]


def usage_error(error: ValidationError, model: type[BaseModel], data: Mapping[str, Any], text: str, where: str) -> UsageError:
    """The first thing to put right."""
    wrong = each_wrong(error, model, data)
    path, _, what, do = wrong[0]
    more = f" (and {len(wrong) - 1} more to put right after it)" if len(wrong) > 1 else ""
    line = _line_of(text, _respelt(path, _key_written(path, data)))
    return UsageError(what, where=f"{where}, line {line}" if line else where, do=do + more)


def _sentence(e: ErrorDetails, key: str, path: Path, model: type[BaseModel], data: Mapping[str, Any]) -> tuple[str, str]:
    table = _table_name(path[:-1])
    value = e.get("input")
    match e["type"]:
        case "extra_forbidden":
            return f"{table} has no key '{key}'", _nearest(key, _model_at(path[:-1], model))
        case "missing":
            other = _other(key)
            keys = f"{key} (or {other[0]})" if other else key
            return f"{keys} is missing in {table}", "Add it; `lobetrace new FOLDER` writes an example with every key explained"
        case "outside":
            return _outside(e["ctx"]["low"], e["ctx"]["high"], key, path, data)
        case "literal_error":
            return f"{key} = {_toml(value)} is not known", f"Write one of: {e['ctx']['expected']}"
        case "value_error":
            # A table's own check names its keys; that of a single value does not.
            inside = _table_name(path) if isinstance(value, Mapping) else key
            return f"{inside}: {_as_written(str(e['ctx']['error']), path, data)}", "Correct the one that is wrong"
        case "tuple_type" | "list_type":
            if isinstance(value, str) and value.replace("-", "").replace(" ", "").isdigit():  # as the trade writes a firing order
                digits = value.split("-") if "-" in value else value.split() if " " in value else value
                return f"{key} = {_toml(value)} does not fit", f"Write {key} = [{', '.join(digits)}]"
            return (
                f"{key} = {_toml(value)} does not fit",
                f"Put it in brackets, with commas between several: {key} = [{_toml(value)}]",
            )
        case "model_type" | "model_attributes_type":
            return f"{key} is a table, not a value", f"Write [{'.'.join(map(str, path))}] on a line of its own and its keys below"
        case _:
            return f"{key} = {_toml(value)} does not fit", f"{e['msg'].removeprefix('Input ').capitalize()}"


def _as_written(said: str, path: Path, data: Mapping[str, Any]) -> str:
    """What a table's own check says, its keys and their values as the file has them."""

    def key_and_value(found: re.Match[str]) -> str:
        key = _key_written((*path, found[1]), data)
        return found[0] if key == found[1] else f"{key} = {_at((*path, key), data):g}"

    return re.sub(r"\b(\w+) = [-+.\de]+", key_and_value, said)


def _outside(low: float, high: float, key: str, path: Path, data: Mapping[str, Any]) -> tuple[str, str]:
    """Says whether the other unit would have fitted: inch read as millimetre is the commonest slip."""
    number = float(_at(_respelt(path, key), data))
    other = _other(key)
    foreign = next((factor for suffix, (_, factor) in INSIDE.items() if key.endswith(suffix) and other), 1.0)
    what = f"{key} = {number:g} is outside {low / foreign:.4g} to {high / foreign:.4g}"
    if other and low <= number * foreign * other[1] <= high:
        return what, f"If it is {other[2]} write {other[0]} = {number:g}"
    return what, "Check the value and its unit"


def _other(key: str) -> tuple[str, float, str] | None:
    """The same key in the other system, by what a number times the unit of `key` becomes if it was meant in that, and its word."""
    for suffix, (inner, factor) in INSIDE.items():
        if key.endswith(inner):
            return key.removesuffix(inner) + suffix, factor, _WORDS[suffix]
        if key.endswith(suffix):
            return key.removesuffix(suffix) + inner, 1 / factor, _WORDS[inner]
    return None


def _nearest(key: str, model: type[BaseModel] | None) -> str:
    """What to write for an unknown key: the same word with a unit that is known, or the nearest spelling, or the whole list."""
    names = list(model.model_fields) if model else []
    valid = names + [other[0] for name in names if (other := _other(name))]
    stem = key.rpartition("_")[0] or key
    same = [
        name for name in valid if name.rpartition("_")[0] in (stem, key) and name.endswith(("_mm", "_in", "_deg", "_n", "_lbf"))
    ]
    if same:
        return f"Write {' or '.join(same)}"
    if close := difflib.get_close_matches(key, valid, n=1):
        return f"Did you mean {close[0]}?"
    return f"Its keys are: {', '.join(names)}"


def _model_at(path: Path, model: type[BaseModel]) -> type[BaseModel] | None:
    """The model of the table at `path`: a number steps into a list of tables."""
    found: type[BaseModel] | None = model
    for part in path:
        if isinstance(part, int):
            continue
        found = model_in(found.model_fields[part].annotation) if found and part in found.model_fields else None
    return found


def model_in(annotation: Any) -> type[BaseModel] | None:
    """The table, or one of several, that a field of this annotation holds; None for a plain value."""
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    return next((found for arg in get_args(annotation) if (found := model_in(arg))), None)


def _key_written(path: Path, data: Mapping[str, Any]) -> str:
    """The last key of `path` as the file spells it, in the unit written there; list positions are passed over."""
    names = [i for i, part in enumerate(path) if isinstance(part, str)]
    if not names:
        return ""
    key, table = str(path[names[-1]]), _at(path[: names[-1]], data)
    other = _other(key)
    return other[0] if other and isinstance(table, Mapping) and other[0] in table else key


def _respelt(path: Path, key: str) -> Path:
    """`path` with its last name as the file spells it."""
    last = max((i for i, part in enumerate(path) if isinstance(part, str)), default=None)
    return path if last is None else (*path[:last], key, *path[last + 1 :])


def _at(path: Path, data: Any) -> Any:
    for part in path:
        try:
            data = data[part]
        except (KeyError, IndexError, TypeError):
            return None
    return data


def _table_name(path: Path) -> str:
    name = ".".join(str(part) for part in path if isinstance(part, str))
    return f"[{name}]" if name else "the job file"


def _toml(value: Any) -> str:
    return f'"{shown(value)}"' if isinstance(value, str) else str(value).lower() if isinstance(value, bool) else shown(value)


def _line_of(text: str, path: Path) -> int | None:
    """Line (from 1) of the key at `path`, else of its table's header, else None. A position picks one of tables of one name."""
    names = tuple(part for part in path if isinstance(part, str))
    tables: list[tuple[int, tuple[str, ...]]] = []
    keys: dict[tuple[str, ...], list[tuple[int, int]]] = {}
    for number, line in enumerate(text.splitlines(), start=1):
        if header := re.match(r"\s*\[+([^\]]+)\]", line):
            tables.append((number, tuple(part.strip(" \"'") for part in header[1].split("."))))
        elif key := re.match(r"\s*([\w\"'-]+)\s*=", line):
            start, table = tables[-1] if tables else (0, ())
            keys.setdefault((*table, key[1].strip("\"'")), []).append((start, number))
    nth = next((part for part in path[:-1] if isinstance(part, int)), 0)
    headers = [start for start, table in tables if table in (names, names[:-1])]
    start = headers[nth] if nth < len(headers) else headers[0] if headers else 0
    return next((number for at, number in keys.get(names, []) if at == start), start or None)
