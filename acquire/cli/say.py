"""Where words go: results to stdout, what only people need to stderr. Nothing that came from outside drives a terminal there.

Words for people are a kindness: where stderr is closed or full, a recording goes on without them.
"""

from __future__ import annotations

import json
import sys
from contextlib import suppress
from pathlib import Path
from typing import Any

from analysis.base.foreign import escaped, harmless


def at_a_terminal() -> bool:
    """Whether a person sits at all three ends: what is typed, what is drawn, and what is printed at the end."""
    return all(stream is not None and stream.isatty() for stream in (sys.stdin, sys.stdout, sys.stderr))


def result(text: str) -> None:
    """A result for people, on stdout."""
    print(harmless(text), flush=True)


def result_json(value: Any) -> None:
    """A result for machines: one JSON document on stdout."""
    print(escaped(json.dumps(value, indent=1, ensure_ascii=False, allow_nan=False)), flush=True)


def person(text: str = "") -> None:
    """Words for people only, on stderr."""
    if sys.stderr is not None:  # without one, print would turn to stdout
        with suppress(OSError, ValueError):
            print(harmless(text), file=sys.stderr, flush=True)


def result_json_line(value: Any) -> None:
    """The same on one line, for whoever reads along while we go on."""
    print(escaped(json.dumps(value, ensure_ascii=False, allow_nan=False)), flush=True)


def quoted(path: Path) -> str:
    """The path as a shell takes it for one word: double quotes serve all of them, also that of Windows."""
    return f'"{path}"' if any(c in " &()'" for c in str(path)) else str(path)
