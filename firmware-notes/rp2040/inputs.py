"""Pins -> counts: the state machines and what their words mean. What no file but this one touches is the hardware."""

import time

from machine import UART, Pin, mem32
from rp2 import StateMachine

import programs
from indicator import PAUSE_US, Clocked, Typed
from settings import decimals_of

# Pins, as wiring.md has them. A scale's B and A, or a gauge's data and clock; the request line and the serial line beside them.
CRANK, INDEX = 2, 4
CHANNEL = (6, 10)
REQUEST = (8, 12)
SERIAL = 9
UNUSED = 20  # goes nowhere: the serial port insists on a pin to send, and would else take the index's
STROBE = 22  # goes nowhere: it is how the processor tells all counters "now"

PIO0_IRQ = 0x50200030  # RP2040 datasheet section 3.7: flags of the state machines' interrupts; writing a 1 clears one
STEP = (0, -1, 1, 0, 1, 0, 0, -1, -1, 0, 0, 1, 0, 1, -1, 0)  # by state before and state after, 0 where it is illegal
RANGE = 1 << 25
GAUGE_HZ = 1_000_000
FULL = 8  # words in a FIFO that has those of both directions


def count_of(word):
    """The count in a counter's word, the step on its way included: modulo 2^25."""
    return (word >> 7) + STEP[word >> 3 & 15]


def drain(sm):
    """Throws away what a state machine has told."""
    while sm.rx_fifo():
        sm.get()


class Counter:
    """One state machine that counts the edges of two lines. `count` goes on without end; it is read when the counter tells."""

    def __init__(self, number, base, jmp_pin):
        Pin(base, Pin.IN, Pin.PULL_UP)
        Pin(base + 1, Pin.IN, Pin.PULL_UP)
        self.count = 0
        self.flag = 1 << number
        self.sm = StateMachine(number, programs.quadrature, in_base=Pin(base), jmp_pin=Pin(jmp_pin))
        self.sm.exec("mov(osr, pins)")  # the state is what the pins say, else the first edge may be an illegal step
        self.sm.exec("set(x, 0)")
        self.sm.exec("set(y, 1)")
        self.sm.exec("mov(y, reverse(y))")
        self.sm.active(1)

    def take(self, here):
        """Goes on to `here`, a count modulo 2^25; gives the count."""
        self.count += ((here - self.count + RANGE // 2) % RANGE) - RANGE // 2
        return self.count

    def read(self):
        """The next count that was told. Waits for it."""
        return self.take(count_of(self.sm.get()))

    def illegal(self):
        """Whether there were illegal steps since this was last asked: one or many."""
        if not mem32[PIO0_IRQ] & self.flag:
            return False
        mem32[PIO0_IRQ] = self.flag
        return True


class Index:
    """The index pulse: a counter of the crank that tells its count at every edge of the pulse.

    Going up the pulse is at its rising edge, going down at its falling edge: one place, whether the pulse is high or low (`rest` is
    the level without it; the level at the start, until a turn shows otherwise). Which way the crank went is known from both edges
    of a pulse, so it is told as the crank leaves it. A pulse that is left where it was entered names no place, unless it is a high
    one and none was ever wider than one count.
    """

    def __init__(self, number, cpr):
        self.rest = bool(Pin(INDEX, Pin.IN, Pin.PULL_UP).value())
        self.counter = Counter(number, CRANK, INDEX)
        self.turn = cpr
        self.last = None  # the edge before: time, count, whether it is high from there on
        self.wide = False
        self.missed = 0  # how often edges were lost, since the start
        time.sleep_us(10)
        drain(self.counter.sm)  # the level at the start is no edge

    def pulse(self, now):
        """(time, count) of the next whole pulse, or None."""
        if self.counter.sm.rx_fifo() == FULL:  # edges faster than they are fetched: noise
            self.missed += 1
            self.last = None
            drain(self.counter.sm)
        while self.counter.sm.rx_fifo():
            word = self.counter.sm.get()
            high, here = bool(word >> 2 & 1), word >> 7
            if high:  # an edge of the crank that comes together with this one may be counted only after it
                here = count_of(word) + STEP[(word >> 3 & 3) << 2 | word & 3]
            before, self.last = self.last, (now, self.counter.take(here), high)
            if before and before[2] == high:
                self.missed += 1
            elif before and high == self.rest:
                place = self._place(before, self.last)
                if place:
                    return place[:2]
        return None

    def _place(self, entered, left):
        way = left[1] - entered[1]
        if abs(way) > self.turn // 2:  # that was the turn and not the pulse
            self.rest = not self.rest
            return None
        if not way:
            return None if self.wide or self.rest else entered
        self.wide = True
        return entered if (way > 0) != self.rest else left


class Latch:
    """Crank and scales at one instant: now, or at the crank's next edge."""

    def __init__(self, number):
        self.counters = []
        self.level = 0
        self.armed = False
        self.sm = StateMachine(number, programs.strobe, in_base=Pin(CRANK), out_base=Pin(STROBE))
        self.sm.active(1)

    def arm(self):
        """At the next edge."""
        self.level ^= 1
        self.sm.put(self.level << 1 | 1)
        self.armed = True

    def caught(self):
        """Whether that edge has come."""
        return self.armed and self.counters[0].sm.rx_fifo() > 0

    def now(self):
        """At once; or, if the edge that was waited for has just come, then."""
        if self.armed:
            self.sm.restart()
            if not self.caught():
                self.sm.put(self.level << 1)
        else:
            self.level ^= 1
            self.sm.put(self.level << 1)

    def read(self):
        """The counts, crank first."""
        self.armed = False
        return [counter.read() for counter in self.counters]


class ClockedGauge:
    """A gauge that clocks out frames of bits."""

    def __init__(self, number, base):
        Pin(base, Pin.IN, Pin.PULL_UP)
        Pin(base + 1, Pin.IN, Pin.PULL_UP)
        self.first = self.before = time.ticks_us()  # first bits of the newest frame and of the one before
        self.begun = self.ended = 0
        self.words = []
        self.sm = StateMachine(
            number, programs.gauge, freq=GAUGE_HZ, in_base=Pin(base), jmp_pin=Pin(base + 1)
        )
        self.sm.irq(self._begins, hard=True)
        self.sm.put(PAUSE_US * (GAUGE_HZ // 1_000_000) // 2)
        self.sm.active(1)

    def _begins(self, _):  # in an interrupt: nothing may be allocated
        self.before = self.first
        self.first = time.ticks_us()
        self.begun += 1

    def age(self):
        """Microseconds since the newest frame's first bit."""
        return time.ticks_diff(time.ticks_us(), self.first)

    def frame(self):
        """(microseconds since the first bit, bits in order of coming) of the next whole frame, or None."""
        if self.sm.rx_fifo() == FULL:  # what did not fit makes the rest worthless
            drain(self.sm)
            self.words = []
            self.ended = self.begun
            return self.age(), []
        while self.sm.rx_fifo():
            word = self.sm.get()
            if not word >> 24:
                self.words.append(word)
                continue
            words, self.words = self.words, []
            self.ended += 1
            first = self.first if self.ended == self.begun else self.before
            return time.ticks_diff(time.ticks_us(), first), bits_of(words, ~word & 0xFFFF)
        return None


def bits_of(words, count):
    """The bits of a frame from its words, 24 in each but the last."""
    if len(words) != count // 24 + 1:
        return []
    bits = []
    for at, word in enumerate(words):
        here = min(24, count - 24 * at)
        bits += [word >> i & 1 for i in range(here - 1, -1, -1)]
    return bits


class Inputs:
    """Everything that is connected, as the settings have it."""

    def __init__(self, settings):
        self._ticks, self._us = time.ticks_us(), 0
        kinds = [settings.of("kind", i) for i in range(settings.channels)]
        self._latch = Latch(4)  # first: it brings the strobe to the level from which the counters begin
        self._counters = [Counter(0, CRANK, STROBE), None, None]
        for i, kind in enumerate(kinds):
            if kind == "scale":
                self._counters[1 + i] = Counter(1 + i, CHANNEL[i], STROBE)
        self._latch.counters = [counter for counter in self._counters if counter]
        self._index = Index(3, int(settings.words["cpr"])) if settings.words["index"] == "yes" else None
        self._missed = 0

    def us(self):
        """The board's clock: microseconds since the start, without end. To be asked once in nine minutes."""
        ticks = time.ticks_us()
        self._us += time.ticks_diff(ticks, self._ticks)
        self._ticks = ticks
        return self._us

    def armed(self):
        return self._latch.armed

    def arm(self):
        self._latch.arm()

    def caught(self):
        return self._latch.caught()

    def counts(self):
        """Crank, channel 1, channel 2, at the edge that was waited for or, without one, now; 0 where there is no scale."""
        if not self._latch.caught():
            self._latch.now()
        told = self._latch.read()
        return [told.pop(0) if counter else 0 for counter in self._counters]

    def illegal(self):
        """Whether there were illegal steps of crank, channel 1, channel 2 since this was last asked."""
        return [counter is not None and counter.illegal() for counter in self._counters]

    def pulse(self, now):
        """The next index pulse, or None; and how many were lost since this was last asked."""
        if not self._index:
            return None, 0
        pulse = self._index.pulse(now)
        before, self._missed = self._missed, self._index.missed
        return pulse, self._missed - before

    def gauge(self, channel, settings):
        """The indicator of a channel, or None for a scale."""
        kind, unit = settings.of("kind", channel), settings.of("unit", channel)
        decimals, now = decimals_of(settings.of("step", channel)), self.us()
        if kind == "scale":
            return None
        if kind == "ascii":
            return Typed(unit, decimals, now, UART(1, 9600, tx=Pin(UNUSED), rx=Pin(SERIAL), rxbuf=256))
        request = Pin(REQUEST[channel], Pin.OUT, value=0) if kind == "bcd" else None
        return Clocked(kind, unit, decimals, now, ClockedGauge(5 + channel, CHANNEL[channel]), request)

    def levels(self, what, channel=0):
        """The pins as they are now: of the crank B and A, of the index one, of a channel by kind."""
        base = CHANNEL[channel]
        pins = {"crank": (CRANK, CRANK + 1), "index": (INDEX,), "ascii": (SERIAL,)}.get(what, (base, base + 1))
        return [Pin(pin).value() for pin in pins]
