"""The frames for the board's owner, read and written: settings and self-test (firmware-notes/wire-format.md 2.7 and 2.8)."""

from __future__ import annotations

import re
from typing import Final

from acquire.wire.fields import need, to_cpr, to_i32, to_keys, to_name, to_step, to_u32, to_word, to_yes
from acquire.wire.frames import SelfTest, Settings

_LEVELS: Final = ("a", "b", "z", "clock", "data", "line")
_CRANK: Final = ("a", "b", "z")
_OF_KIND: Final = {"scale": ("a", "b"), "ascii": ("line",)}  # every other kind has clock and data
_RAW: Final = re.compile(r"[!-)+\--~]*")  # no blank, no comma, no asterisk


def levels_of(kind: str) -> tuple[str, ...]:
    """The lines whose levels a self-test of this kind tells; an empty kind is the crank's."""
    return _OF_KIND.get(kind, ("clock", "data")) if kind else _CRANK


def parse_settings(fields: list[bytes]) -> Settings:
    """The fields behind a `C`. RefusedError if they are not what the format says; keys that it does not know are ignored."""
    need(len(fields) >= 2, "number and time must follow")
    keys = to_keys(fields[2:])
    missing = {"cpr", "index", "channels", "kind1", "step1", "board"} - keys.keys()
    need(not missing, f"settings must have {', '.join(sorted(missing))}")
    need(keys["channels"] in ("1", "2"), "channels is 1 or 2")
    channels = int(keys["channels"])
    told = [c for c in "12" if f"kind{c}" in keys and f"step{c}" in keys]
    need(len(told) >= channels, "each channel in use has its kind and its step")
    steps, units = zip(*(to_step(keys[f"step{c}"]) for c in told), strict=True)
    return Settings(
        to_u32(fields[0]),
        to_u32(fields[1]),
        to_cpr(keys["cpr"]),
        to_yes(keys["index"], "index"),
        channels,
        tuple(to_word(keys[f"kind{c}"].encode("ascii")) for c in told),
        steps,
        units,
        to_name(keys["board"]),
    )


def parse_test(fields: list[bytes]) -> SelfTest:
    """The fields behind a `T`, likewise."""
    need(len(fields) >= 2, "number and time must follow")
    keys = to_keys(fields[2:])
    missing = {"of", "count", "bad"} - keys.keys()
    need(not missing, f"a self-test must have {', '.join(sorted(missing))}")
    levels = tuple((name, keys[name]) for name in _LEVELS if name in keys)
    need(all(value in ("0", "1") for _, value in levels), "a level is 0 or 1")
    raw = keys.get("raw", "")
    need(bool(_RAW.fullmatch(raw)), "raw holds no blank")
    return SelfTest(
        to_u32(fields[0]),
        to_u32(fields[1]),
        to_word(keys["of"].encode("ascii")),
        to_word(keys["kind"].encode("ascii")) if "kind" in keys else "",
        tuple((name, int(value)) for name, value in levels),
        to_i32(keys["count"].encode("ascii")),
        to_u32(keys["bad"].encode("ascii")),
        to_u32(keys["age"].encode("ascii")) if "age" in keys else None,
        to_u32(keys["got"].encode("ascii")) if "got" in keys else None,
        raw,
    )
