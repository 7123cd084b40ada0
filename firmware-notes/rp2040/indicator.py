"""A channel that is a gauge: fetches what it sends, asks for the next, keeps the newest reading and how old it is."""

import gauges

PAUSE_US = 10_000  # between two frames of a gauge that clocks them out
AGE_MOST = 1_000_000_000
ASK_LIMIT, ASK_PAUSE = 250_000, PAUSE_US + 2_000
REACH_MM, REACH_US = 25, 50_000  # no plunger goes further from one reading to the next, nor faster than that in so long
BYTE_US = 10_000_000 // 9600


class Gauge:
    """`lift` in counts, `raw` what came last: bits, or the characters of a line. Times in microseconds of the board's clock."""

    def __init__(self, kind, unit, decimals, now):
        self.kind, self.inch, self.decimals = kind, unit == "in", decimals
        self.reach = (1 if self.inch else REACH_MM) * 10**decimals
        self.started = self.at = now
        self.lift = self.refused = self.jumped = 0
        self.any = False
        self.raw = []

    def took(self, lift, at):
        if lift is None:
            self.refused += 1
            return
        spent = at - self.at + 1000
        if self.any and abs(lift - self.lift) > self.reach * min(spent, REACH_US) // REACH_US:
            self.jumped += 1
        self.lift, self.at, self.any = lift, at, True

    def age(self, now):
        self.at = max(self.at, now - AGE_MOST)
        return now - self.at

    def silent(self, now):
        return not self.any or self.age(now) > 1_000_000


class Clocked(Gauge):
    """`wire` is an inputs.ClockedGauge, `request` a pin that asks for a reading as it goes high, or None."""

    def __init__(self, kind, unit, decimals, now, wire, request):
        super().__init__(kind, unit, decimals, now)
        self.wire, self.request = wire, request
        self.asking, self.asked = False, now

    def work(self, now):
        frame = self.wire.frame()
        if frame:
            self._ended(now - frame[0], frame[1])
        if self.request:
            self._ask(now)

    def _ended(self, first, bits):
        if self.kind == "frame24":  # a transistor on each line: low is 1
            bits = [1 - bit for bit in bits]
        self.raw = bits
        lift = (gauges.bcd if self.kind == "bcd" else gauges.frame24)(bits, self.inch, self.decimals)
        if lift is None and not self.any and first - self.started < PAUSE_US:  # was being sent as the board started
            return
        self.took(lift, first)

    def _ask(self, now):
        """Held until the gauge begins to send; then a pause, so that the next frame can be told from this one."""
        if self.asking:
            change = now - self.wire.age() >= self.asked or now - self.asked > ASK_LIMIT
        else:
            change = now - self.asked > ASK_PAUSE and self.wire.begun == self.wire.ended
        if change:
            self.asking = not self.asking
            self.asked = now
            self.request.value(self.asking)


class Typed(Gauge):
    """`uart` is a machine.UART at 9600 baud."""

    def __init__(self, unit, decimals, now, uart):
        super().__init__("ascii", unit, decimals, now)
        self.uart, self.line, self.first = uart, "", now

    def work(self, now):
        waiting = self.uart.any()
        for i, byte in enumerate(self.uart.read(waiting) if waiting else b""):
            if byte not in b"\r\n":
                if not self.line:
                    self.first = now - (waiting - i) * BYTE_US
                self.line += chr(byte) if 32 <= byte < 127 else "?"
                self.line = self.line[: gauges.LINE_MOST]
            elif self.line:
                line, self.line = self.line, ""
                self.raw = line
                whole = len(line) < gauges.LINE_MOST
                self.took(gauges.text(line, self.inch, self.decimals) if whole else None, self.first)
