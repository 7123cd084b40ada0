"""An address as a QR code (ISO/IEC 18004) in text: two modules a letter, one above the other."""

from __future__ import annotations

from itertools import zip_longest
from typing import Final

import segno

_QUIET: Final = 4  # light modules around it, as the standard asks for
# What is light is inked, so it is to be drawn white on black. Upper and lower module, True where dark.
_SIGNS: Final = {(False, False): "█", (False, True): "▀", (True, False): "▄", (True, True): " "}


def qr_lines(address: str) -> list[str]:
    """The code, to be drawn white on black."""
    rows = [[bool(dark) for dark in row] for row in segno.make(address, error="l", micro=False).matrix_iter(border=_QUIET)]
    pairs = zip_longest(rows[::2], rows[1::2], fillvalue=[True] * len(rows[0]))
    return ["".join(_SIGNS[pair] for pair in zip(upper, lower, strict=True)) for upper, lower in pairs]
