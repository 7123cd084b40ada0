"""--verbose: what was opened, read and found, by the standard logging module, one line each on stderr.

Rooms log to a logger of their own name and know nothing of this. While a screen is drawn, its library holds stderr back.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress

VERBOSE = "--verbose"
_WORDS = {VERBOSE: 1, "-v": 1, "-vv": 2}
_ROOTS = ("acquire", "analysis")


def asked_for(arguments: Sequence[str]) -> tuple[list[str], int]:
    """The arguments without --verbose, -v and -vv, wherever they stood, and how often it was asked for: 1 info, 2 debug."""
    end = arguments.index("--") if "--" in arguments else len(arguments)
    often = sum(_WORDS.get(each, 0) for each in arguments[:end])
    return [each for each in arguments[:end] if each not in _WORDS] + list(arguments[end:]), often


@contextmanager
def said(often: int) -> Iterator[None]:
    """Log while the body runs; where nothing is asked for, the logging module is not even imported."""
    if not often:
        yield
        return
    import logging

    from analysis.base.foreign import harmless

    class ToStderr(logging.Handler):
        """Writes to what stderr is now, not to what it was: a screen takes it away for a while."""

        def emit(self, record: logging.LogRecord) -> None:
            """One line."""
            with suppress(OSError, ValueError):
                if sys.stderr is not None:
                    print(harmless(self.format(record)).replace("\n", " "), file=sys.stderr, flush=True)

    handler = ToStderr()
    handler.setFormatter(logging.Formatter("{relativeCreated:7.0f} ms {levelname:7} {name}: {message}", style="{"))
    roots = [logging.getLogger(name) for name in _ROOTS]
    before = [root.level for root in roots]
    for root in roots:
        root.addHandler(handler)
        root.setLevel(logging.INFO if often == 1 else logging.DEBUG)
    try:
        yield
    finally:
        for root, level in zip(roots, before, strict=True):
            root.removeHandler(handler)
            root.setLevel(level)
