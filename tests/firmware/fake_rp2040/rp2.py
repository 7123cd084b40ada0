"""Stands for MicroPython's `rp2`: the assembler of PIO programs. What state machines do is in rig.py, or in the PIO emulator.

Runs under MicroPython as well as under CPython. Encodings are those of the RP2040 datasheet, section 3.4.
"""

from rig import PINS, RIG, STROBE_PIN

SOURCES = {"pins": 0, "x": 1, "y": 2, "null": 3, "status": 5, "isr": 6, "osr": 7}
MOV_TO = {"pins": 0, "x": 1, "y": 2, "exec": 4, "pc": 5, "isr": 6, "osr": 7}
OUT_TO = {"pins": 0, "x": 1, "y": 2, "null": 3, "pindirs": 4, "pc": 5, "isr": 6, "exec": 7}
SET_TO = {"pins": 0, "x": 1, "y": 2, "pindirs": 4}
CONDITIONS = {"not_x": 1, "x_dec": 2, "not_y": 3, "y_dec": 4, "x_not_y": 5, "pin": 6, "not_osre": 7}
WAIT_FOR = {"gpio": 0, "pin": 1, "irq": 2}
INVERT, REVERSE, REL = "~", "::", "rel"


class PIO:
    IN_LOW, IN_HIGH, OUT_LOW, OUT_HIGH = 0, 1, 2, 3
    SHIFT_LEFT, SHIFT_RIGHT = 0, 1
    JOIN_NONE, JOIN_TX, JOIN_RX = 0, 1, 2


class Program:
    """Words, wrap and options of an assembled program."""

    def __init__(self, name, options):
        self.name = name
        self.options = options
        self.words = []
        self.wrap_target = 0
        self.wrap = None
        self.labels = {}


class Emit:
    """The instructions as functions. The first pass finds the labels."""

    def __init__(self, program, final):
        self.p = program
        self.final = final
        program.words = []

    def names(self):
        known = {name: name for table in (SOURCES, MOV_TO, OUT_TO, SET_TO, CONDITIONS, WAIT_FOR) for name in table}
        known["block"], known["noblock"], known["iffull"], known["ifempty"] = "block", "noblock", "iffull", "ifempty"
        known["invert"] = lambda what: (INVERT, what)
        known["reverse"] = lambda what: (REVERSE, what)
        known["rel"] = lambda index: (REL, index)
        for name in ("jmp", "wait", "in_", "out", "push", "pull", "mov", "irq", "set", "nop", "label", "wrap_target", "wrap"):
            known[name] = getattr(self, name)
        return known

    def word(self, value):
        self.p.words.append(value)
        return self

    def __getitem__(self, delay):
        assert 0 <= delay < 32
        self.p.words[-1] |= delay << 8
        return self

    def label(self, name):
        assert self.final or name not in self.p.labels, name
        self.p.labels[name] = len(self.p.words)

    def wrap_target(self):
        self.p.wrap_target = len(self.p.words)

    def wrap(self):
        self.p.wrap = len(self.p.words) - 1

    def jmp(self, *where):
        condition = CONDITIONS[where[0]] if len(where) == 2 else 0
        return self.word(condition << 5 | (self.p.labels[where[-1]] if self.final else 0))

    def wait(self, polarity, source, index):
        return self.word(0x2000 | polarity << 7 | WAIT_FOR[source] << 5 | index)

    def in_(self, source, bits):
        assert 0 < bits <= 32
        return self.word(0x4000 | SOURCES[source] << 5 | bits & 31)

    def out(self, to, bits):
        assert 0 < bits <= 32
        return self.word(0x6000 | OUT_TO[to] << 5 | bits & 31)

    def push(self, *how):
        return self.word(0x8000 | ("iffull" in how) << 6 | ("noblock" not in how) << 5)

    def pull(self, *how):
        return self.word(0x8080 | ("ifempty" in how) << 6 | ("noblock" not in how) << 5)

    def mov(self, to, source):
        how = 0
        if isinstance(source, tuple):
            how = {INVERT: 1, REVERSE: 2}[source[0]]
            source = source[1]
        return self.word(0xA000 | MOV_TO[to] << 5 | how << 3 | SOURCES[source])

    def irq(self, index):
        return self.word(0xC000 | (0x10 | index[1] if isinstance(index, tuple) else index))

    def set(self, to, value):
        assert 0 <= value < 32
        return self.word(0xE000 | SET_TO[to] << 5 | value)

    def nop(self):
        return self.word(0xA042)  # mov y, y


def asm_pio(**options):
    """The decorator: the function's body is run twice with the instructions as its globals."""

    def assemble(body):
        program = Program(body.__name__, options)
        scope = body.__globals__
        before = dict(scope)
        for final in (False, True):
            scope.update(Emit(program, final).names())
            try:
                body()
            finally:
                scope.clear()
                scope.update(before)
        if program.wrap is None:
            program.wrap = len(program.words) - 1
        assert len(program.words) <= 32
        return program

    return assemble


def asm_pio_encode(text, _sideset_count=0):
    """One instruction."""
    program = Program("exec", {})
    exec(text, Emit(program, True).names())
    return program.words[0]


class StateMachine:
    """What one of the three programs makes of the rig's signals; by its words, not by its instructions."""

    def __init__(self, number, program, freq=-1, in_base=None, out_base=None, jmp_pin=None):
        assert number // 4 == (0 if program.name == "quadrature" else 1)  # that program leaves no room for another
        assert (freq == 1_000_000) == (program.name == "gauge")
        self.number, self.kind = number, program.name
        self.signal = PINS[in_base.number]
        self.asked_by = jmp_pin.number if program.name == "quadrature" else None
        self.words = []
        self.base = RIG.signals[self.signal].at(RIG.now)  # it counts from its start on
        self.begun = None
        self.handler = None
        RIG.machines = [machine for machine in RIG.machines if machine.number != number] + [self]
        if out_base:
            assert out_base.number == STROBE_PIN
            RIG.strobe, RIG.level = None, 0

    def active(self, _on):
        RIG.settle()

    def exec(self, text):
        asm_pio_encode(text)

    def restart(self):
        RIG.settle()
        RIG.strobe = None

    def put(self, word):
        if self.kind != "strobe":
            return
        RIG.settle()
        when = RIG.signals["crank"].next(RIG.now) if word & 1 else RIG.now
        RIG.strobe = (when, word >> 1) if when is not None and word >> 1 != RIG.level else None

    def push(self, word):
        if len(self.words) < 8:
            self.words.append(word)

    def rx_fifo(self):
        RIG.settle()
        return len(self.words)

    def get(self):
        RIG.settle()
        return self.words.pop(0)

    def irq(self, handler, hard=False):
        assert hard
        self.handler = handler

    def begin(self, first):
        """A gauge's first bit."""
        if self.begun != first:
            self.begun = first
            now, RIG.now = RIG.now, first  # the interrupt comes then, not as late as the board looks
            pace, RIG.pace = RIG.pace, 0
            self.handler(self)
            RIG.now, RIG.pace = now, pace

    def frame(self, bits):
        """A whole frame."""
        for at in range(0, len(bits) + 1, 24):
            word = 0
            for bit in bits[at : at + 24]:
                word = word << 1 | bit
            self.push(word)
        self.push(0xFFFFFFFF - len(bits))
