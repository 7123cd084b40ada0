"""The wire's face: frames, their lines and the decoder, under one name (firmware-notes/wire-format.md). Import from here.

`frames` has the shapes, `encode` writes lines, `parse` reads one, `decoder` makes a stream of them into events.
"""

from __future__ import annotations

from acquire.wire.decoder import Counters, Damage, Decoder, Event
from acquire.wire.encode import (
    HELLO,
    ZERO,
    encode_command,
    encode_fault,
    encode_frame,
    encode_heartbeat,
    encode_hello,
    encode_index,
    encode_sample,
    latch,
    parse_command,
    rate,
)
from acquire.wire.frames import (
    Command,
    Fault,
    Frame,
    Heartbeat,
    Hello,
    Index,
    Numbered,
    Sample,
    Unknown,
    crc16,
    wrap_i32,
    wrap_u32,
)

__all__ = [
    "HELLO",
    "ZERO",
    "Command",
    "Counters",
    "Damage",
    "Decoder",
    "Event",
    "Fault",
    "Frame",
    "Heartbeat",
    "Hello",
    "Index",
    "Numbered",
    "Sample",
    "Unknown",
    "crc16",
    "encode_command",
    "encode_fault",
    "encode_frame",
    "encode_heartbeat",
    "encode_hello",
    "encode_index",
    "encode_sample",
    "latch",
    "parse_command",
    "rate",
    "wrap_i32",
    "wrap_u32",
]
