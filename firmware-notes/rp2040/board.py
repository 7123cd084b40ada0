"""The board: what it does with its inputs, and what it says and hears (../wire-format.md). One `work` at a time, for ever."""

from frames import VERSION, i32, line, u32
from settings import decimals_of, whole

USUAL, ERROR = 0, 1  # why the board has started: the number of the fault `restart`
HEARTBEAT, SILENCE, SECOND = 200_000, 900_000, 1_000_000
RATE, RATE_MOST = 200, 500
PULSES_MOST = 8  # that wait to be sent
LINE_MOST = 35  # of a line from the host
DROPPED, CRANK_STEP, BY_TIME = 1, 2, 64
FAULTS = (
    "crank-step", "lift1-step", "lift2-step", "lift1-silent", "lift2-silent", "lift1-bad", "lift2-bad",
    "lift1-jump", "lift2-jump", "busy", "command", "restart", "settings",
)  # fmt: skip


class Board:
    """`anew`: something was set, and a new board must take this one's place."""

    def __init__(self, settings, inputs, link, boot, why=USUAL):
        self.settings, self.inputs, self.link, self.boot = settings, inputs, link, boot
        self.anew = False
        self.by_edge, self.rate = True, RATE
        self.seq = 0
        self.sticky = 0
        self.dropped = False
        self.gauges = [inputs.gauge(channel, settings) for channel in range(settings.channels)]
        self.counts = [0] * 3  # as last latched: crank and scales
        self.zeroed = [0] * 3
        self.illegal = [0] * 3
        self.due = self.sampled = self.latched = inputs.us()
        self.pulses = []
        self.heard, self.lines = b"", 0
        self.waiting = [self.hello]  # what is to be said before anything else
        self.faults = {word: 0 for word in FAULTS}
        self.faults["restart"], self.faults["settings"] = why, int(settings.damaged)
        self.told = {word: (0, None) for word in FAULTS}  # the number last told, and when
        link.write(b"\n")  # ends a line that the fall of the supply cut short

    def work(self):
        """One step. False: there was nothing to do."""
        now = self.inputs.us()
        self.look(now)
        if not self.link.ready():
            self.drop(self.wanted(now))
            return False
        if self.waiting:
            self.waiting.pop(0)(now)
            return True
        byte = self.link.read()
        if byte is not None:
            self.hear(byte)
            return True
        if self.pulses:
            at, count = self.pulses.pop(0)
            self.send("I", max(at, now - SILENCE), i32(count - self.zeroed[0]))  # the crank may have stood within the pulse
            return True
        return self.fault(now) or self.sample(now)

    def look(self, now):
        """What has come in since the last look."""
        for i, found in enumerate(self.inputs.illegal()):
            if found:
                self.illegal[i] += 1
                self.sticky |= 8 << i if i else CRANK_STEP
        for i, gauge in enumerate(self.gauges):
            if gauge:
                doubtful = gauge.refused + gauge.jumped
                gauge.work(now)
                if gauge.refused + gauge.jumped != doubtful:
                    self.sticky |= 16 << i
        if len(self.pulses) < PULSES_MOST:
            pulse, missed = self.inputs.pulse(now)
            if pulse:
                self.pulses.append(pulse)
            self.drop(missed)

    def drop(self, frames):
        """Frames that could not be sent take their numbers with them."""
        if frames:
            self.seq += int(frames)
            self.faults["busy"] += int(frames)
            self.dropped = True

    def send(self, kind, at, *fields):
        self.link.write(line(kind, u32(self.seq), u32(at), *fields))
        self.seq += 1

    # Samples

    def latch(self):
        """Crank and scales at the edge that was waited for or, without one, now; gives the time."""
        self.counts = self.inputs.counts()
        now = self.latched = self.inputs.us()
        if now >= self.due:
            self.due = max(self.due + SECOND // self.rate, now)
        return now

    def wanted(self, now):
        """Whether a sample has just been latched that is to be sent."""
        if self.by_edge and not self.inputs.caught():
            if now >= self.due and not self.inputs.armed():
                self.inputs.arm()
            return False
        if not self.by_edge and now < self.due:
            return False
        self.latch()
        return True

    def sample(self, now):
        """A sample or a heartbeat, if one is due."""
        if self.wanted(now):
            self.say_sample("S", self.latched, 0)
            return True
        return self.by_edge and (now - self.latched >= HEARTBEAT or now - self.sampled >= SILENCE) and self.stands()

    def stands(self):
        """No edge for a while: a heartbeat. Edges, but at a rate so low that none was wanted: a sample all the same."""
        before, now = self.counts[0], self.latch()
        if self.counts[0] == before:
            self.say_sample("B", now, 0)
        elif now - self.sampled >= SILENCE:
            self.say_sample("S", now, BY_TIME)
        else:
            return False
        return True

    def say_sample(self, kind, now, flags):
        flags |= self.sticky | (DROPPED if self.dropped else 0)
        self.dropped = False
        fields = []
        for i, gauge in enumerate(self.gauges):
            if not gauge:
                fields += [0, i32(self.counts[1 + i] - self.zeroed[1 + i])]
                continue
            flags |= (4 << i) if gauge.silent(now) else 0
            fields += [gauge.age(now), gauge.lift]
        self.send(kind, now, i32(self.counts[0] - self.zeroed[0]), flags, *fields)
        self.sampled = now

    # Faults

    def fault(self, now):
        """The next fault whose number has changed, unless it was told less than a second ago."""
        numbers = self.faults
        numbers["crank-step"] = self.illegal[0]
        for i, gauge in enumerate(self.gauges):
            name = "lift" + str(i + 1)
            if not gauge:
                numbers[name + "-step"] = self.illegal[1 + i]
                continue
            numbers[name + "-bad"], numbers[name + "-jump"] = gauge.refused, gauge.jumped
            if gauge.age(now) > SECOND:
                numbers[name + "-silent"] = gauge.age(now) // 1000
        for word in FAULTS:
            number, at = self.told[word]
            if numbers[word] != number and (at is None or now - at >= SECOND):
                self.told[word] = numbers[word], now
                self.send("F", now, word, i32(numbers[word]))
                return True
        return False

    # Lines from the host

    def hear(self, byte):
        """A byte from the host."""
        if byte != 10:
            if len(self.heard) <= LINE_MOST:
                self.heard += bytes([byte])
            return
        self.lines += 1
        heard, self.heard = self.heard, b""
        if heard[-1:] == b"\r":
            heard = heard[:-1]
        printable = len(heard) < LINE_MOST and all(32 <= b < 127 for b in heard)
        if heard and not (printable and self.command(heard.decode())):
            self.faults["command"] = self.lines

    def command(self, text):
        """Does what a line says; False if it says nothing."""
        if text == "settings":
            self.waiting.append(self.say_settings)
            return True
        if text == "test":
            self.waiting += [self.test_crank] + [self.test_channel(i) for i in range(self.settings.channels)]
            return True
        if text.startswith("set "):
            if not self.settings.set(text[4:]):
                return False
            self.settings.store()
            self.anew = True
            return True
        if text == "zero":
            self.zero()
        elif text in ("latch edge", "latch time"):
            self.by_edge = text == "latch edge"
            if self.inputs.armed():
                self.latch()
        elif text.startswith("rate ") and whole(text[5:]) and int(text[5:]) <= 5000:
            self.rate = min(int(text[5:]), RATE_MOST)
            self.due = self.inputs.us()
        elif text != "hello":
            return False
        self.waiting.append(self.hello)
        return True

    def zero(self):
        self.latch()
        self.zeroed = list(self.counts)
        self.sticky = 0

    def hello(self, now):
        """Behind numbers that were dropped it would look like a new start, so something carries them first."""
        if self.dropped:
            self.say_sample("S", self.latch(), BY_TIME if self.by_edge else 0)
        words = self.settings.words
        fields = ["H", VERSION, u32(self.seq), u32(now), "cpr=" + words["cpr"], "index=" + words["index"]]
        fields.append("latch=edge" if self.by_edge else "latch=time")
        for i in range(self.settings.channels):
            fields.append("ch{}={}{}".format(i + 1, self.settings.of("step", i), self.settings.of("unit", i)))
        fields += ["rate=" + str(self.rate), "boot=" + str(self.boot), "board=" + words["name"]]
        self.link.write(line(*fields))

    def say_settings(self, now):
        words = self.settings.words
        fields = [key + "=" + words[key] for key in ("cpr", "index", "channels")]
        for i in range(2):
            step = self.settings.of("step", i) + self.settings.of("unit", i)
            fields += ["kind{}={}".format(i + 1, self.settings.of("kind", i)), "step{}={}".format(i + 1, step)]
        fields.append("board=" + words["name"])
        self.send("C", now, *fields)

    # The self-test

    def test_crank(self, now):
        self.latch()
        b, a = self.inputs.levels("crank")
        z = self.inputs.levels("index")[0]
        count = i32(self.counts[0] - self.zeroed[0])
        levels = "a={},b={},z={}".format(a, b, z)
        self.send("T", now, "of=crank", levels, "count=" + str(count), "bad=" + str(self.illegal[0]))

    def test_channel(self, i):
        """What says how channel `i` is."""

        def say(now):
            kind, gauge = self.settings.of("kind", i), self.gauges[i]
            names = {"scale": ("b=", "a="), "ascii": ("line=",)}.get(kind, ("data=", "clock="))
            pairs = list(zip(names, self.inputs.levels(kind, i)))
            levels = [name + str(level) for name, level in reversed(pairs)]
            if not gauge:
                self.latch()
            count = gauge.lift if gauge else i32(self.counts[1 + i] - self.zeroed[1 + i])
            bad = gauge.refused if gauge else self.illegal[1 + i]
            fields = ["of=ch" + str(i + 1), "kind=" + kind] + levels + ["count=" + str(count), "bad=" + str(bad)]
            if gauge:
                fields += ["age=" + str(gauge.age(now)), "got=" + str(min(len(gauge.raw), 255)), "raw=" + raw_of(gauge.raw)]
            self.send("T", now, *fields)

        return say


def raw_of(raw):
    """Characters as they are, but for those that a field cannot hold; bits four a digit, the first to come in its lowest place."""
    if isinstance(raw, str):
        return "".join(["_" if c in ",* " else c for c in raw])
    digits = [sum([bit << at for at, bit in enumerate(raw[i : i + 4])]) for i in range(0, min(len(raw), 56), 4)]
    return "".join(["{:X}".format(digit) for digit in digits])
