"""A likely cause of what does not fit."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Finding:
    """A likely cause. `code` is stable, `probability` among all suspects; `text` says the cause, `evidence` what speaks for it.

    `estimate` is the cause's own number (degrees, millimetres, a ratio) where it has one.
    """

    code: str
    probability: float
    text: str
    evidence: str
    about: tuple[str, ...] = ()
    estimate: float | None = None


@dataclass(frozen=True)
class Caution:
    """Something a person must know: a stable `code` and a sentence with its likely cause and what to do."""

    code: str
    text: str
