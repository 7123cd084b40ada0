"""Lines of text whose pieces have roles: what panels are made of, whatever draws them. Nothing of a terminal is in here."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from typing import Final, TypeAlias

Line: TypeAlias = Sequence[tuple[str, str]]

# What a piece of text is. Each role is told apart by weight, underline or reverse as well, so that color is never needed.
ROLES: Final = ("plain", "dim", "strong", "good", "warn", "bad", "alarm", "accent", "trace", "mark", "cursor", "title")


def plain(text: str) -> Line:
    """A line in one role."""
    return ((text, "plain"),)


def wrapped(text: str, width: int, role: str = "plain") -> list[Line]:
    """A text in one role as lines that fit the width, set in by a column."""
    return [((f" {line}", role),) for line in textwrap.wrap(text.replace("+/-", "±"), max(20, width - 2))]
