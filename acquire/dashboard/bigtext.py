"""Large letters and digits out of blocks, readable from three meters: only what a crank angle and a lift need."""

from __future__ import annotations

from typing import Final

HEIGHT: Final = 5
_GLYPHS: Final = {
    "0": ("####", "#  #", "#  #", "#  #", "####"),
    "1": ("  # ", " ## ", "  # ", "  # ", " ###"),
    "2": ("####", "   #", "####", "#   ", "####"),
    "3": ("####", "   #", " ###", "   #", "####"),
    "4": ("#  #", "#  #", "####", "   #", "   #"),
    "5": ("####", "#   ", "####", "   #", "####"),
    "6": ("####", "#   ", "####", "#  #", "####"),
    "7": ("####", "   #", "  # ", " #  ", " #  "),
    "8": ("####", "#  #", "####", "#  #", "####"),
    "9": ("####", "#  #", "####", "   #", "####"),
    "-": ("    ", "    ", "####", "    ", "    "),
    ".": (" ", " ", " ", " ", "#"),
    " ": ("    ", "    ", "    ", "    ", "    "),
    "A": (" ## ", "#  #", "####", "#  #", "#  #"),
    "B": ("### ", "#  #", "### ", "#  #", "### "),
    "C": (" ###", "#   ", "#   ", "#   ", " ###"),
    "D": ("### ", "#  #", "#  #", "#  #", "### "),
    "T": ("####", " ## ", " ## ", " ## ", " ## "),
    "E": ("####", "#   ", "### ", "#   ", "####"),
    "G": ("####", "#   ", "# ##", "#  #", "####"),
}


def big(text: str, scale: int = 1) -> list[str]:
    """`text` as HEIGHT x `scale` lines. Letters that there are none of are left out."""
    glyphs = [_GLYPHS[letter] for letter in text if letter in _GLYPHS]
    lines = []
    for row in range(HEIGHT):
        line = " ".join(glyph[row] for glyph in glyphs)
        lines += ["".join(("█" if dot == "#" else " ") * scale for dot in line)] * scale
    return lines
