"""As many lines as there is room for, of more than that."""

from __future__ import annotations

from collections.abc import Sequence

from acquire.dashboard.text_lines import Line


def furthest(lines: Sequence[Line], height: int) -> int:
    """The last line that a window of `height` lines can begin with; 0 if all of them fit. Its own last line says where it stands."""
    return max(0, len(lines) - height + 1) if len(lines) > height > 1 else 0


def window(lines: Sequence[Line], height: int, top: int) -> list[Line]:
    """`height` lines from line `top` on, and where that is if they are not all; filled up with empty lines if they are."""
    most = furthest(lines, height)
    if not most:
        return [*lines[: max(0, height)], *[()] * (height - len(lines))]
    top = min(max(top, 0), most)
    shown = lines[top : top + height - 1]
    keys = " and ".join(key for key, there in (("↑", top > 0), ("↓", top < most)) if there)
    return [*shown, ((f" lines {top + 1} to {top + len(shown)} of {len(lines)}; {keys} for more", "accent"),)]
