"""What stands at the board's pins: an encoder, scales and gauges that follow a script, and the state machines' words about them.

Runs under MicroPython as well as under CPython. Time is the rig's own: it passes with every look at the clock, and stands at a hold
until the host has said something. So a run is repeatable, and as fast as the machine.
"""

UP = (0, 2, 3, 1)  # 2 A + B as a count grows
PINS = {2: "crank", 6: "ch1", 10: "ch2"}
INDEX_PIN, STROBE_PIN, SERIAL_PIN = 4, 22, 9
REQUESTS = {8: "ch1", 12: "ch2"}
BIT_US, BYTE_US, PAUSE_US = 200, 1042, 10_000


class Signal:
    """A count and when it changes."""

    def __init__(self, us=(0,), counts=(0,)):
        self.us, self.counts = us, counts
        self.near = 0

    def place(self, us):
        """Index of the last change up to `us`."""
        if self.us[self.near] > us:
            self.near = 0
        step = 1
        while self.near + step < len(self.us) and self.us[self.near + step] <= us:
            self.near += step
            step *= 2
        while step > 1:
            step //= 2
            if self.near + step < len(self.us) and self.us[self.near + step] <= us:
                self.near += step
        return self.near

    def at(self, us):
        return self.counts[self.place(us)]

    def next(self, us):
        """When it changes next, or None."""
        place = self.place(us) + 1
        return self.us[place] if place < len(self.us) else None


class Gauge:
    """A gauge that sends its readings: `kind` bcd, on request, its first bit `us` later; or frame24, ascii, every `us`."""

    def __init__(self, kind, us, decimals=3):
        self.kind, self.us, self.decimals = kind, us, decimals
        self.at = None if kind == "bcd" else us  # when the next one begins
        self.spoiled = False  # the next one only
        self.hushed = False

    def bits(self, lift):
        if self.kind == "frame24":
            sent = [abs(lift) >> i & 1 for i in range(16)] + [0] * 4 + [int(lift < 0), 0, 0, 0]
            return [1 - bit for bit in (sent[:-3] if self.spoiled else sent)]
        digits = [15] * 4 + [8 if lift < 0 else 0] + [abs(lift) // 10**i % 10 for i in range(5, -1, -1)] + [self.decimals, 0]
        if self.spoiled:
            digits[5] = 15
        return [digit >> i & 1 for digit in digits for i in range(4)]

    def text(self, lift):
        whole, part = divmod(abs(lift), 10**self.decimals)
        number = "{}{}.{:0{}d}".format("-" if lift < 0 else "+", whole, part, self.decimals)
        return number + ("??" if self.spoiled else "") + "\r\n"


class Rig:
    """`machines` register themselves; `settle` brings everything up to `now`."""

    def __init__(self):
        self.reset()

    def reset(self):
        self.now = 0
        self.pace = 0  # microseconds that pass at each look at the clock
        self.signals = {"crank": Signal(), "ch1": Signal(), "ch2": Signal()}
        self.pulses = []  # (us, level) of the index, in order
        self.rest = 0
        self.illegal = []  # (us, flag)
        self.gauges = {}
        self.holds = []
        self.machines = []
        self.strobe = None  # when it comes, and its level
        self.level = 0
        self.flags = 0
        self.typed = b""
        self.coming = []  # (us of the first bit, us of the end, channel, words) of frames and (us, None, channel, text)

    def script(self, script):
        """From JSON."""
        for name, (us, counts) in script["signals"].items():
            self.signals[name] = Signal(us, counts)
        self.pulses = [tuple(pulse) for pulse in script.get("pulses", [])]
        self.rest = script.get("rest", 0)
        self.illegal = list(script.get("illegal", []))
        self.holds = list(script.get("holds", []))
        for name, gauge in script.get("gauges", {}).items():
            self.gauges[name] = Gauge(*gauge)

    def ticks_us(self):
        self.pass_to(self.now + self.pace)
        return self.now & 0x3FFFFFFF

    def pass_to(self, us):
        if self.holds and us > self.holds[0]:
            us = max(self.now, self.holds[0])
        self.now = us

    def heard(self):
        """The host has said something."""
        if self.holds and self.now >= self.holds[0]:
            self.holds.pop(0)

    # State machines

    def settle(self):
        if self.strobe and self.strobe[0] <= self.now:
            us, self.level = self.strobe
            self.strobe = None
            for machine in self.machines:
                if machine.asked_by == STROBE_PIN:
                    machine.push(self.word(machine, us, self.level))
        while self.pulses and self.pulses[0][0] <= self.now:
            us, self.rest = self.pulses.pop(0)
            for machine in self.machines:
                if machine.asked_by == INDEX_PIN:
                    machine.push(self.word(machine, us - (1 - self.rest), self.rest))  # a fall is told before a step with it
        while self.illegal and self.illegal[0][0] <= self.now:
            self.flags |= self.illegal.pop(0)[1]
        for name, gauge in self.gauges.items():
            self.send(name, gauge)
        self.arrive()

    def word(self, machine, us, level):
        count = self.signals[machine.signal].at(us)
        state = UP[count % 4]
        return (count - machine.base & 0x1FFFFFF) << 7 | state << 5 | state << 3 | level << 2 | state

    def send(self, name, gauge):
        """What a gauge begins to send by now."""
        while gauge.at is not None and gauge.at <= self.now:
            lift = self.signals[name].at(gauge.at)
            if gauge.kind == "ascii":
                text = "" if gauge.hushed else gauge.text(lift)
                self.coming += [(gauge.at + i * BYTE_US, None, name, ord(c)) for i, c in enumerate(text)]
            else:
                begin = gauge.at + (gauge.us if gauge.kind == "bcd" else 0)
                bits = gauge.bits(lift)
                if not gauge.hushed:
                    self.coming.append((begin + BIT_US // 2, begin + len(bits) * BIT_US + PAUSE_US, name, bits))
            gauge.spoiled = False
            gauge.at = None if gauge.kind == "bcd" else gauge.at + gauge.us

    def arrive(self):
        left = []
        for first, end, name, what in self.coming:
            machine = self.gauge_machine(name) if end else None
            if end is None and first + BYTE_US <= self.now:
                self.typed += bytes([what])
            elif end and first <= self.now and machine:
                machine.begin(first)
                if end <= self.now:
                    machine.frame(what)
                else:
                    left.append((first, end, name, what))
            else:
                left.append((first, end, name, what))
        self.coming = left

    def gauge_machine(self, name):
        for machine in self.machines:
            if machine.kind == "gauge" and machine.signal == name:
                return machine
        return None

    def request(self, name, on):
        gauge = self.gauges.get(name)
        if on and gauge and gauge.kind == "bcd" and gauge.at is None:
            gauge.at = self.now

    def pin(self, number):
        for base, name in PINS.items():
            if number in (base, base + 1):
                return UP[self.signals[name].at(self.now) % 4] >> (number - base) & 1
        return self.rest if number == INDEX_PIN else 1


RIG = Rig()
