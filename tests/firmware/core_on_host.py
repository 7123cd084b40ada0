"""The firmware's core, compiled for this machine and called through cffi."""

from __future__ import annotations

import subprocess
from pathlib import Path
from typing import Any

REFERENCE = Path(__file__).parents[2] / "firmware-notes" / "reference"
PORT = Path(__file__).with_name("host_port.c")
SCALE, BCD, FRAME24, ASCII = range(4)  # enum indicator_kind
MS = 2000  # ticks

# What the tests call, as the headers declare it; the compiler checks the headers against their sources.
DECLARATIONS = """
    extern const int8_t QUAD_STEP[16];
    uint16_t crc16_add(uint16_t crc, uint8_t byte);

    struct line { uint16_t crc; uint8_t length; char text[156]; };
    struct channel { uint16_t digits; uint8_t decimals; uint8_t kind; bool inch; };
    struct settings { uint32_t cpr; struct channel channel[2]; uint8_t channels; bool index; char name[25]; };
    bool settings_recall(struct settings *s);
    void settings_store(const struct settings *s);
    bool settings_set(struct settings *s, const char *text);
    struct sample { uint32_t seq, time; int32_t crank; uint8_t flags; int32_t age[2], lift[2]; };
    void frame_hello(struct line *l, const struct settings *s, uint32_t seq, uint32_t time, bool by_edge, uint16_t rate,
                     uint32_t boot);
    void frame_sample(struct line *l, char kind, const struct sample *s, uint8_t channels);
    void frame_index(struct line *l, uint32_t seq, uint32_t time, int32_t crank);
    void frame_fault(struct line *l, uint32_t seq, uint32_t time, const char *word, int32_t number);
    void frame_settings(struct line *l, uint32_t seq, uint32_t time, const struct settings *s);
    struct test { uint8_t levels; int32_t count; uint32_t bad, age; const uint8_t *raw; uint8_t raw_count; };
    void frame_test_crank(struct line *l, uint32_t seq, uint32_t time, const struct test *t);
    void frame_test_channel(struct line *l, uint32_t seq, uint32_t time, const struct test *t, uint8_t number, int kind);

    struct command_line { uint32_t lines; uint16_t rate; uint8_t length; char text[35]; };
    int command_byte(struct command_line *c, uint8_t byte);

    struct unit { bool inch; uint8_t decimals; };
    bool gauge_scale(uint32_t digits, uint8_t decimals, bool minus, const struct unit *unit, int32_t *count);
    bool gauge_bcd(const uint8_t bits[7], const struct unit *unit, int32_t *count);
    bool gauge_24bit(const uint8_t bits[3], const struct unit *unit, int32_t *count);
    struct gauge_line { uint32_t first; uint8_t length; char text[24]; };
    int gauge_ascii(struct gauge_line *g, uint8_t byte, uint32_t now, const struct unit *unit, int32_t *count);

    struct clock { uint32_t ticks; uint32_t turns; };
    uint32_t clock_us(struct clock *c, uint32_t ticks);

    void t_memory(const uint8_t *bytes, int length);
    const uint8_t *t_remembered(void);
    void t_start(uint32_t ticks, int why);
    void t_levels(int all);
    void t_crank(int pins);
    void t_scale(int channel, int pins);
    void t_grid(void);
    void t_index(int high, int pins);
    void t_bit(int channel, int bit);
    void t_gauge(const char *bytes, int length);
    void t_receive(const char *bytes, int length);
    void t_pass(uint32_t ticks);
    void t_room(int bytes);
    int t_requested(int channel);
    int t_rate(void);
    int t_work(const char **text, uint32_t *length);
"""


def compiled(folder: Path, *more: str) -> Path:
    """The core as a shared library in `folder`, with `more` for the compiler.

    Undefined behaviour traps, so that it ends the test run instead of passing it."""
    library = folder / "core.so"
    sources = sorted(str(path) for path in (REFERENCE / "core").glob("*.c"))
    flags = ["-std=c99", "-pedantic", "-O1", "-Wall", "-Wextra", "-Wconversion", "-Werror", "-fPIC", "-shared"]
    traps = ["-fsanitize=undefined,bounds", "-fsanitize-undefined-trap-on-error"]
    headers = [f"-I{REFERENCE / 'core'}", f"-I{PORT.parent}"]
    subprocess.run(["cc", *flags, *traps, *headers, *more, "-o", str(library), *sources, str(PORT)], check=True)
    return library


class Core:
    """`lib` calls the core's functions; the methods drive a whole board, whose clock stands until `after` moves it."""

    def __init__(self, library: Path) -> None:
        from cffi import FFI  # not on every machine: whoever asks for this class has made sure

        self.ffi = FFI()
        self.ffi.cdef(DECLARATIONS)
        self.lib: Any = self.ffi.dlopen(str(library))

    def line(self, make: str, *arguments: object) -> bytes:
        """The line that a frame_ function makes."""
        line = self.ffi.new("struct line *")
        getattr(self.lib, make)(line, *arguments)
        return self.ffi.buffer(line.text, line.length)[:]

    def crc(self, data: bytes) -> int:
        total = 0xFFFF
        for byte in data:
            total = self.lib.crc16_add(total, byte)
        return total

    def settings(self, *kinds: int, inch: bool = False, decimals: int = 2, digits: int = 1, **others: object) -> Any:
        """Settings as an owner might have made them."""
        channel = [{"digits": digits, "decimals": decimals, "kind": kind, "inch": inch} for kind in (kinds * 2)[:2]]
        usual = {"cpr": 2400, "channel": channel, "channels": len(kinds), "index": True, "name": b"bench-a"}
        return self.ffi.new("struct settings *", usual | others)

    def start(self, *kinds: int, ticks: int = 10_000, why: int = 0, **settings: Any) -> bytes:
        """A new board with such indicators (else a scale); gives its first hello."""
        self.lib.settings_store(self.settings(*(kinds or (SCALE,)), **settings))
        self.lib.t_start(ticks, why)
        return self.work()

    def after(self, ticks: int) -> bytes:
        """What the board sends `ticks` later."""
        self.lib.t_pass(ticks)
        return self.work()

    def work(self) -> bytes:
        text, length = self.ffi.new("const char **"), self.ffi.new("uint32_t *")
        assert self.lib.t_work(text, length), "the core left interrupts off"
        return self.ffi.buffer(text[0], length[0])[:]

    def tell(self, words: bytes) -> bytes:
        """The board's answer to bytes from the host."""
        self.lib.t_receive(words, len(words))
        return self.work()
