"""What nobody foresaw: one sentence, and the trace in a file for whoever can do something about it. And the end by a signal."""

from __future__ import annotations

import os
import sys
import tempfile
import traceback

DEBUG = "--debug"
_ASKED = "LOBETRACE_DEBUG"  # so that the processes that check many jobs know it too


class Signalled(int):
    """The exit code of a command that a signal ended after it had written what was finished: 128 and the signal's number."""


def asked_for(arguments: list[str]) -> list[str]:
    """The arguments without --debug, wherever it stood; it is remembered."""
    end = arguments.index("--") if "--" in arguments else len(arguments)
    rest = [each for each in arguments[:end] if each != DEBUG] + arguments[end:]
    if len(rest) < len(arguments):
        os.environ[_ASKED] = "1"
    return rest


def told(error: BaseException, doing: str) -> str:
    """The sentence for an error that is not of our family. Its trace is written to a file, and printed if --debug asks for it."""
    trace = "".join(traceback.format_exception(error))
    if os.environ.get(_ASKED) and sys.stderr is not None:
        print(trace, file=sys.stderr)
    what = f"lobetrace itself failed {doing} ({type(error).__name__}), which says nothing about the engine"
    try:
        handle, path = tempfile.mkstemp(prefix="lobetrace-", suffix=".trace.txt")
        with os.fdopen(handle, "w", encoding="utf-8", errors="backslashreplace") as out:
            out.write(trace)
    except OSError:
        return f"{what}. Its trace could not be written; {DEBUG} prints it."
    return f"{what}. Report it with the trace in {path}; {DEBUG} prints it."
