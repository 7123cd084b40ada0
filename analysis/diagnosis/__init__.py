"""What a person must be told about a sweep or a curve: what was seen, the likely cause, what to do."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

from analysis.base.finding import Caution


def named(valve: str, cautions: Iterable[Caution]) -> list[Caution]:
    """The same with the valve before the sentence where it does not name it: on a sheet those of both valves stand together."""
    return [c if valve in c.text else replace(c, text=f"{valve.capitalize()}: {c.text}") for c in cautions]
