"""Any valid job, for hypothesis: every field of every table, with what only some combinations allow drawn so that it fits."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Literal, get_args, get_origin

from hypothesis import strategies as st
from pydantic import BaseModel
from pydantic.fields import FieldInfo

from analysis.job import Job
from analysis.job.toml_table import within

NAMES = st.text(st.characters(exclude_categories=["Cs"]), max_size=12)


def number(low: float, high: float, *, whole: bool) -> st.SearchStrategy[Any]:
    """Numbers as people write them, and any others."""
    if whole:
        return st.integers(int(low), int(high))
    decimals = st.floats(low, high).map(lambda x: round(x, 3)).filter(lambda x: low <= x <= high)
    return st.one_of(decimals, st.floats(low, high))


def values(annotation: Any, bounds: within | None = None) -> st.SearchStrategy[Any]:
    """Anything that one field may hold."""
    origin, args = get_origin(annotation), get_args(annotation)
    if hasattr(annotation, "__metadata__"):
        return values(args[0], next((m for m in annotation.__metadata__ if isinstance(m, within)), bounds))
    if origin is Literal:
        return st.sampled_from(args)
    if origin is tuple:
        inner = values(args[0], bounds)
        return st.lists(inner, min_size=1, max_size=3, unique_by=None if models(args[0]) else lambda x: x)
    if args:  # X | None
        return values(next(a for a in args if a is not type(None)), bounds)
    if models(annotation):
        return tables(annotation)
    if annotation is bool:
        return st.booleans()
    if annotation is str:
        return NAMES
    low, high = (bounds.low, bounds.high) if bounds else (-1e6, 1e6)
    return number(low, high, whole=annotation is int)


def models(annotation: Any) -> bool:
    return isinstance(annotation, type) and issubclass(annotation, BaseModel)


def _field(field: FieldInfo) -> st.SearchStrategy[Any]:
    if any(getattr(m, "min_length", 0) for m in field.metadata):
        return NAMES.filter(bool)
    return values(field.annotation, next((m for m in field.metadata if isinstance(m, within)), None))


def tables(model: type[BaseModel]) -> st.SearchStrategy[dict[str, Any]]:
    """A table with whatever is needed and some of the rest."""
    needed = {n: _field(f) for n, f in model.model_fields.items() if f.is_required() or n == "record"}
    other = {n: _field(f) for n, f in model.model_fields.items() if n not in needed}
    return st.fixed_dictionaries(needed, optional=other)


@st.composite
def jobs(draw: Callable[..., Any]) -> Job:
    """Valid jobs of every kind; what only some combinations allow is drawn so that it fits."""
    data = draw(tables(Job))
    engine = data["engine"]
    engine["cylinders"] = draw(st.integers(1, 12))
    engine["firing_order"] = draw(st.permutations(range(1, engine["cylinders"] + 1)))
    engine["rod_mm"] = max(engine["rod_mm"], 2 * engine["stroke_mm"])
    data.setdefault("measure", {})["cylinder"] = draw(st.integers(1, engine["cylinders"]))
    for valve, ends in (("intake", ("opens_btdc_deg", "closes_abdc_deg")), ("exhaust", ("opens_bbdc_deg", "closes_atdc_deg"))):
        for check in data.get("specification", {}).get(valve, {}).get("duration", ()):
            if all(end in check for end in ends):
                check.pop(ends[1])
        spring = data.get("spring", {}).get(valve, {})
        for high, low in (
            ("installed_height_mm", "coil_bind_mm"),
            ("closed_height_mm", "open_height_mm"),
            ("open_load_n", "closed_load_n"),
        ):
            if low in spring and high in spring and not spring[low] < spring[high]:
                spring.pop(low)
    return Job.model_validate({"format": 1} | data | {"format": 1})
