"""A scenario of one's own as a TOML file: a rig that starts from a named one, with whatever is to be otherwise, and lobes from
tables.

```toml
base = "clean"                    # the named scenario to start from
text = "The intake lobe as it was ground."
seed = 4
phases = ["stop", "intake"]
[cam]
intake = "intake-lobe.csv"        # lift table beside this file
advance_deg = 1.5
[train]
ratio = 1.5
[indicator]
tilt_deg = 3.0
```

The tables are [cam], [train], [encoder], [indicator], [hand], [crank], [stop] and [work]; their keys are the fields of the parts of
the same names, units in the names.
"""

from __future__ import annotations

import csv
import tomllib
from collections.abc import Mapping
from dataclasses import fields, replace
from pathlib import Path
from typing import Any, TypeVar

import numpy as np

from acquire.simulator.cam import Cam, Lobe, TableLobe
from acquire.simulator.phases import PHASES
from acquire.simulator.rig import Rig
from acquire.simulator.scenarios import Scenario, scenario_named
from analysis.base.errors import UsageError

SUFFIX = ".toml"
# Parts of a rig that are made of plain numbers and words, by the name of their table.
_PARTS = ("train", "encoder", "hand", "crank", "stop", "work")
_TOP = {"name": str, "base": str, "text": str, "engine": str, "seed": int, "start_deg": float, "phases": list}
_ANGLE = {"cam_deg": 1.0, "crank_deg": 0.5}  # in cam degrees
_LIFT = {"lift_mm": 1.0, "lift_in": 25.4}
Part = TypeVar("Part")


def scenario_of(name: str, seed: int | None = None) -> Scenario:
    """The scenario called `name`, or that in the file `name` if it ends in .toml; with another seed if one is given. Raises
    UsageError.
    """
    if not name.endswith(SUFFIX):
        return scenario_named(name, seed)
    found = read_scenario(Path(name))
    return found if seed is None else replace(found, rig=replace(found.rig, seed=seed))


def read_scenario(path: Path) -> Scenario:
    """From a TOML file. Raises UsageError that names the key that is wrong."""
    where = str(path)
    try:
        data = tomllib.loads(path.read_text(encoding="utf-8"))
    except (OSError, UnicodeDecodeError) as error:
        raise UsageError(
            f"the scenario cannot be read ({error})", where=where, do="Check its name and that it is UTF-8 text"
        ) from None
    except tomllib.TOMLDecodeError as error:
        raise UsageError(f"not valid TOML: {error}", where=where, do="Correct that line") from None
    tables = {*_PARTS, "cam", "indicator"}
    _known(data, {*_TOP, *tables}, where)
    for key, kind in _TOP.items():
        if key in data:
            _of_kind(data[key], kind, key, where)
    base = scenario_named(data.get("base", "clean"))
    parts = {name: _changed(getattr(base.rig, name), data[name], f"[{name}]", where) for name in _PARTS if name in data}
    gauges = base.rig.indicators
    if "indicator" in data:
        gauges = tuple(_changed(each, data["indicator"], "[indicator]", where) for each in gauges)
    cam = _cam(base.rig.cam, data.get("cam", {}), path.parent, where)
    seed, start = data.get("seed", base.rig.seed), float(data.get("start_deg", base.rig.start_deg))
    rig: Rig = replace(base.rig, cam=cam, indicators=gauges, seed=seed, start_deg=start, **parts)
    phases = tuple(data.get("phases", base.phases))
    if unknown := [phase for phase in phases if phase not in PHASES]:
        raise UsageError(f"there is no phase {unknown[0]!r}", where=where, do=f"Choose of: {', '.join(PHASES)}")
    text = data.get("text", f"As {base.name}, with what {path.name} changes.")
    return Scenario(data.get("name", path.stem), text, rig, phases, data.get("engine", base.engine))


def _known(table: Mapping[str, Any], names: set[str], where: str) -> None:
    """UsageError for a key that is none of these."""
    if unknown := [key for key in table if key not in names]:
        raise UsageError(f"{unknown[0]} is no key here", where=where, do=f"Choose of: {', '.join(sorted(names))}")


def _of_kind(value: Any, kind: type, key: str, where: str) -> None:
    """UsageError for a value of another kind; a whole number will do for a number."""
    fits = isinstance(value, int | float) if kind is float else isinstance(value, kind)
    if not fits or (isinstance(value, bool) and kind is not bool):
        words = {str: "text in quotes", int: "a whole number", float: "a number", bool: "true or false", list: "a list"}
        raise UsageError(f"{key} = {value!r} is not {words[kind]}", where=where, do="Correct it")


def _changed(part: Part, table: Any, title: str, where: str) -> Part:
    """A part of the rig with some of its plain fields otherwise."""
    if not isinstance(table, dict):
        raise UsageError(f"{title} is no table", where=where, do=f"Write {title} on a line of its own, and its keys below")
    was: dict[str, Any] = {field.name: getattr(part, field.name) for field in fields(part)}  # type: ignore[arg-type]
    plain = {key: value for key, value in was.items() if isinstance(value, bool | int | float | str)}
    pairs = {key for key, value in was.items() if isinstance(value, tuple) and len(value) == 2}
    _known(table, {*plain, *pairs}, f"{where}, {title}")
    new: dict[str, Any] = {}
    for key, value in table.items():
        if key in pairs:
            _of_kind(value, list, key, f"{where}, {title}")
            new[key] = tuple(float(each) for each in value)
            continue
        _of_kind(value, type(plain[key]), key, f"{where}, {title}")
        new[key] = float(value) if isinstance(plain[key], float) else value
    return replace(part, **new)  # type: ignore[type-var]


def _cam(cam: Cam, table: Mapping[str, Any], folder: Path, where: str) -> Cam:
    """The camshaft with lobes from lift tables and its angles."""
    _known(table, {"intake", "exhaust", "separation_deg", "advance_deg"}, f"{where}, [cam]")
    for key, value in table.items():
        _of_kind(value, str if key in ("intake", "exhaust") else float, key, f"{where}, [cam]")
    lobes: dict[str, Lobe] = {valve: lobe_from(folder / table[valve]) for valve in ("intake", "exhaust") if valve in table}
    return Cam(
        lobes.get("intake", cam.intake),
        lobes.get("exhaust", cam.exhaust),
        float(table.get("separation_deg", cam.separation_deg)),
        float(table.get("advance_deg", cam.advance_deg)),
    )


def lobe_from(path: Path) -> TableLobe:
    """A lobe from a lift table (CSV with the columns cam_deg or crank_deg, and lift_mm or lift_in). Its greatest lift, or the
    middle of its dwell, is the nose. Read by the simulator for itself. Raises UsageError.
    """
    where = str(path)
    try:
        lines = path.read_text(encoding="utf-8-sig").splitlines()
    except (OSError, UnicodeDecodeError) as error:
        raise UsageError(f"the lift table cannot be read ({error})", where=where, do="Check its name") from None
    rows = list(csv.DictReader(line for line in lines if line.strip() and not line.startswith("#")))
    names = {name.strip() for row in rows[:1] for name in row if isinstance(name, str)}
    angle, lift = [name for name in _ANGLE if name in names], [name for name in _LIFT if name in names]
    if len(angle) != 1 or len(lift) != 1:
        do = "Name one column cam_deg or crank_deg, and one lift_mm or lift_in"
        raise UsageError("the lift table does not say its angle and lift", where=where, do=do)
    try:
        table = [{key.strip(): value for key, value in row.items() if isinstance(key, str)} for row in rows]
        deg = np.array([float(row[angle[0]]) for row in table]) * _ANGLE[angle[0]]
        mm = np.array([float(row[lift[0]]) for row in table]) * _LIFT[lift[0]]
    except (TypeError, ValueError):
        raise UsageError("a row of the lift table lacks a number", where=where, do="Write numbers with a decimal point") from None
    top = deg[mm >= mm.max() - 1e-9]
    lobe = TableLobe(tuple((deg - (top[0] + top[-1]) / 2).tolist()), tuple(mm.tolist()))
    lobe.lift(0.0)  # a table that makes no lobe is refused here, and not in the middle of a sweep
    return lobe
