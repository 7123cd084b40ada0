"""Where words go: results to stdout, what only people need to stderr. Nothing that came from outside drives a terminal there.

What machines read says first what it is (`head`): results of the analysis by their own schemas, and every other document by the part
of commands.schema.json, beside this, that is called as it is here.

Words for people are a kindness: where stderr is closed or full, a recording goes on without them.
"""

from __future__ import annotations

import json
import sys
from contextlib import suppress
from pathlib import Path
from typing import Any

from analysis.base.foreign import escaped, harmless
from analysis.base.version import head

SCHEMA_ID = "urn:lobetrace:commands:1"


def at_a_terminal() -> bool:
    """Whether a person sits at all three ends: what is typed, what is drawn, and what is printed at the end."""
    return all(stream is not None and stream.isatty() for stream in (sys.stdin, sys.stdout, sys.stderr))


def result(text: str) -> None:
    """A result for people, on stdout."""
    print(harmless(text), flush=True)


def result_json(tree: dict[str, Any], name: str = "") -> None:
    """A result for machines: one JSON document on stdout. `name`: its part of our schema; "" for one that names its own."""
    print(_json(_document(tree, name)), flush=True)


def result_json_line(tree: dict[str, Any], name: str) -> None:
    """The same on one line, for whoever reads along while we go on."""
    print(escaped(json.dumps(_document(tree, name), ensure_ascii=False, allow_nan=False)), flush=True)


def json_file(tree: dict[str, Any], name: str) -> bytes:
    """The same for a file."""
    return f"{_json(_document(tree, name))}\n".encode("utf-8", "replace")


def _document(tree: dict[str, Any], name: str) -> dict[str, Any]:
    return {**head(f"{SCHEMA_ID}#/$defs/{name}"), **tree} if name else tree


def _json(value: Any) -> str:
    return escaped(json.dumps(value, indent=1, ensure_ascii=False, allow_nan=False))


class Growing:
    """Results that are printed one by one: for people, or as one JSON document with a list that grows. `name`: its part of our
    schema; `of`: the list.
    """

    def __init__(self, name: str, of: str, as_json: bool) -> None:
        self._json = as_json
        self._head = f'{_json(_document({}, name)).removesuffix("}").rstrip()},\n "{of}": [' if as_json else ""
        self._any = False

    def add(self, value: Any, text: str) -> None:
        """One more of the list."""
        if self._json:
            print(f"{',' if self._any else self._head}\n{_json(value)}", end="", flush=True)
            self._any = True
        else:
            result(text)

    def end(self, rest: dict[str, Any], text: str) -> None:
        """What stands beside the list: the document is complete with it. For people `text`, if there is any."""
        if self._json:
            head = "" if self._any else self._head
            beside = f",\n {_json(rest).strip('{}').strip()}" if rest else ""
            print(f"{head}\n ]{beside}\n}}", flush=True)
        elif text:
            result(text)


def person(text: str = "") -> None:
    """Words for people only, on stderr."""
    if sys.stderr is not None:  # without one, print would turn to stdout
        with suppress(OSError, ValueError):
            print(harmless(text), file=sys.stderr, flush=True)


def quoted(path: Path) -> str:
    """The path as a shell takes it for one word: double quotes serve all of them, also that of Windows."""
    return f'"{path}"' if any(c in " &()'" for c in str(path)) else str(path)
