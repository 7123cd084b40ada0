"""What every table of job.toml is made of: frozen, without unknown keys, in millimetres and newtons inside."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, Any, Literal, Self

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, GetCoreSchemaHandler, GetJsonSchemaHandler, model_validator
from pydantic_core import CoreSchema, core_schema

from analysis.job.explain import INSIDE, outside

At = Literal["lobe", "valve"]


@dataclass(frozen=True)
class within:  # noqa: N801  # reads as a word where a field is declared
    """A number of a plausible size, bounds included; the bounds are in the JSON Schema too."""

    low: float
    high: float

    def __get_pydantic_core_schema__(self, source: Any, handler: GetCoreSchemaHandler) -> CoreSchema:
        return core_schema.no_info_after_validator_function(self._check, handler(source))

    def __get_pydantic_json_schema__(self, schema: CoreSchema, handler: GetJsonSchemaHandler) -> dict[str, Any]:
        return {**handler(schema), "minimum": self.low, "maximum": self.high}

    def _check(self, value: float) -> float:
        if not self.low <= value <= self.high:
            raise outside(self.low, self.high)
        return value


def distinct(values: tuple[float, ...]) -> tuple[float, ...]:
    """At least one value, and none twice. Raises ValueError."""
    if not values or len(set(values)) != len(values):
        raise ValueError("must hold at least one value, and none twice")
    return values


class Table(BaseModel):
    """A table of job.toml: turns keys in inches and pounds into those in millimetres and newtons."""

    # A table is put together when a job is read, not when it is imported: only the whole job is ever validated.
    model_config = ConfigDict(frozen=True, extra="forbid", strict=True, allow_inf_nan=False, defer_build=True)

    @classmethod
    def left_out(cls) -> Self:
        """The table of a job that has none. Nothing is validated, so that no validator is put together for it."""
        return cls.model_construct()

    @model_validator(mode="before")
    @classmethod
    def _metric_keys(cls, data: Any) -> Any:
        if not isinstance(data, dict):
            return data
        return dict(cls._metric(key, value, data) for key, value in data.items())

    @classmethod
    def _metric(cls, key: str, value: Any, data: dict[str, Any]) -> tuple[str, Any]:
        for suffix, (inner, factor) in INSIDE.items():
            metric = key.removesuffix(suffix) + inner
            if not key.endswith(suffix) or metric not in cls.model_fields:
                continue
            if metric in data:
                raise ValueError(f"{key} and {metric} are both given")
            return metric, [times(v, factor) for v in value] if isinstance(value, list) else times(value, factor)
        return key, value


def times(value: Any, factor: float) -> Any:
    """A value of the other system in millimetres or newtons."""
    if isinstance(value, bool) or not isinstance(value, int | float) or abs(value) > 1e9:
        return value  # left for the range check to refuse
    return round(value * factor, 9)  # so that 3.5 in is 88.9 mm and not its nearest neighbour


Lash = Annotated[float, within(0, 2)]
Lift = Annotated[float, within(0.01, 30)]
Lifts = Annotated[tuple[Annotated[float, within(0.01, 20)], ...], Field(strict=False), AfterValidator(distinct)]
Degrees = Annotated[float, within(-60, 220)]  # before or after the reference the key names
