"""Text that came from outside (names, notes, file names, what somebody typed), made fit to be shown on a terminal.

A control character, a C1 code or a change of the writing direction would drive the terminal or turn the line around (Unicode Standard
Annex 9; Unicode Technical Report 36, section 3.4).
"""

from __future__ import annotations

import re
import unicodedata
from typing import Final

MOST: Final = 200  # characters of one piece of foreign text
_TURNING: Final = frozenset(
    "\u061c\u200e\u200f\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069"
)  # bidirectional formatting
_NEVER: Final = frozenset({"Cc", "Cs", "Zl", "Zp"})  # control and C1, lone surrogates, line and paragraph separators
_QUOTED: Final = re.compile(rf"""(['"])([^'"\n]{{{MOST}}})[^'"\n]+\1""")


def harmless(text: str) -> str:
    """The text, of whatever length, without what drives a terminal. Line ends stay; a tab becomes a space."""
    if text.isprintable():
        return text
    return "".join(c for c in text.replace("\t", " ") if c == "\n" or not _drives(c))


def shown(text: object, most: int = MOST) -> str:
    """One piece of foreign text as one line, harmless, and cut to `most` characters."""
    line = harmless(str(text)).replace("\n", " ")
    return line if len(line) <= most else f"{line[: most - 1]}…"


def sentence(text: str) -> str:
    """A sentence of ours that may echo foreign text in quotes: harmless, and each quotation cut."""
    return _QUOTED.sub(r"\1\2…\1", harmless(text))


def escaped(json: str) -> str:
    """JSON that means the same and drives no terminal: what `harmless` takes away is written as its escape."""
    if json.isprintable():
        return json
    return "".join(c if c == "\n" or not _drives(c) else f"\\u{ord(c):04x}" for c in json)


def no_formula(text: str) -> str:
    """A spreadsheet runs a cell that begins like a formula: an apostrophe before it makes it text (common practice)."""
    return f"'{text}" if text.startswith(("=", "+", "-", "@", "\t", "\r")) else text


def _drives(c: str) -> bool:
    return unicodedata.category(c) in _NEVER or c in _TURNING
