"""Some of the rows of whatever is held as arrays side by side."""

from __future__ import annotations

from dataclasses import fields
from typing import TYPE_CHECKING, TypeVar

from analysis.base.samples import Bools

if TYPE_CHECKING:
    from _typeshed import DataclassInstance

Rows = TypeVar("Rows", bound="DataclassInstance")


def only(rows: Rows, mine: Bools | slice) -> Rows:
    """The same with some of its rows: a dataclass of nothing but arrays, shape (..., n) each. `mine`: shape (n,)."""
    return type(rows)(**{field.name: getattr(rows, field.name)[..., mine] for field in fields(rows)})
