"""What every table of job.toml is made of: frozen, without unknown keys, in millimetres and newtons inside."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, model_validator

from analysis.job.explain import INSIDE, outside

At = Literal["lobe", "valve"]


def within(low: float, high: float) -> AfterValidator:
    """A number of a plausible size, bounds included."""

    def check(value: float) -> float:
        if not low <= value <= high:
            raise outside(low, high)
        return value

    return AfterValidator(check)


def distinct(values: tuple[float, ...]) -> tuple[float, ...]:
    """At least one value, and none twice. Raises ValueError."""
    if not values or len(set(values)) != len(values):
        raise ValueError("must hold at least one value, and none twice")
    return values


class Table(BaseModel):
    """A table of job.toml: turns keys in inches and pounds into those in millimetres and newtons."""

    # A table is put together when a job is read, not when it is imported: only the whole job is ever validated.
    model_config = ConfigDict(frozen=True, extra="forbid", strict=True, allow_inf_nan=False, defer_build=True)

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
            return metric, [_times(v, factor) for v in value] if isinstance(value, list) else _times(value, factor)
        return key, value


def _times(value: Any, factor: float) -> Any:
    if isinstance(value, bool) or not isinstance(value, int | float) or abs(value) > 1e9:
        return value  # left for the range check to refuse
    return round(value * factor, 9)  # so that 3.5 in is 88.9 mm and not its nearest neighbour


Lash = Annotated[float, within(0, 2)]
Lift = Annotated[float, within(0.01, 30)]
Lifts = Annotated[tuple[Annotated[float, within(0.01, 20)], ...], Field(strict=False), AfterValidator(distinct)]
Degrees = Annotated[float, within(-60, 220)]  # before or after the reference the key names
