"""What the owner has set: kept in a file with a sum, changed by `set` lines (../wire-format.md section 3)."""

import os

from frames import crc16

SETTINGS, BOOT = "settings.txt", "boot.txt"
NAME_MOST = 24
LETTERS = "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789-."
KINDS = ("scale", "bcd", "frame24", "ascii")
USUAL = {"scale": ("0.005", "0.0002"), "bcd": ("0.001", "0.00001"), "frame24": ("0.01", "0.0001"), "ascii": ("0.001", "0.00001")}
DECIMALS_MOST = 5
FRAME24_LEAST = {"mm": 2, "in": 4}  # decimals: what a 24-bit frame tells
KEYS = ("cpr", "index", "channels", "kind1", "unit1", "step1", "kind2", "unit2", "step2", "name")
DEFAULTS = ("2400", "yes", "1", "scale", "mm", "0.005", "scale", "mm", "0.005", "bench-a")


def replace_file(path, text):
    """Written beside it and put in its place, so that a fall of the supply leaves the old one or the new one."""
    with open(path + ".new", "w") as file:
        file.write(text)
    os.rename(path + ".new", path)


def boot_number(folder=""):
    """Another number at every start, never 0."""
    try:
        with open(folder + BOOT) as file:
            number = int(file.read()) % 0xFFFFFFFF + 1
    except (OSError, ValueError):
        number = 1
    replace_file(folder + BOOT, str(number))
    return number


def decimals_of(step):
    """Decimals of a number written as "0.005"."""
    return len(step.partition(".")[2])


class Settings:
    """Words by key. `damaged`: there is a file, but it cannot be read, and the defaults are in force."""

    def __init__(self, folder=""):
        self.path = folder + SETTINGS
        self.words = dict(zip(KEYS, DEFAULTS))
        self.damaged = False
        try:
            with open(self.path, "rb") as file:
                body, _, said = file.read().rpartition(b"\n")
        except OSError:
            return
        words = body.decode().split("\n") if said == b"%04X" % crc16(body) else []
        self.damaged = len(words) != len(KEYS)
        if not self.damaged:
            self.words = dict(zip(KEYS, words))

    def store(self):
        body = "\n".join([self.words[key] for key in KEYS])
        replace_file(self.path, body + "\n%04X" % crc16(body.encode()))

    @property
    def channels(self):
        return int(self.words["channels"])

    def of(self, key, channel):
        """`kind`, `unit` or `step` of a channel, counted from 0."""
        return self.words[key + str(channel + 1)]

    def set(self, text):
        """What stands behind "set ". False if it sets nothing; then everything is as it was."""
        key, _, value = text.partition(" ")
        if key in ("kind", "unit", "step"):
            number, _, value = value.partition(" ")
            return number in ("1", "2") and self._set_channel(key, number, value)
        if not self._sound(key, value):
            return False
        self.words[key] = value
        return True

    def _sound(self, key, value):
        if key == "cpr":
            return whole(value) and 4 <= int(value) <= 1000000
        if key == "index":
            return value in ("yes", "no")
        if key == "channels":
            return value in ("1", "2")
        return key == "name" and 0 < len(value) <= NAME_MOST and all(letter in LETTERS for letter in value)

    def _set_channel(self, key, number, value):
        kind, unit = self.words["kind" + number], self.words["unit" + number]
        if key == "step":
            if not step_is_sound(value, kind, unit):
                return False
        elif key == "kind":
            if value not in KINDS or (value, number) == ("ascii", "2"):  # there is one serial input
                return False
            kind = value
        else:
            if value not in ("mm", "in"):
                return False
            unit = value
        self.words[key + number] = value
        if key != "step":
            self.words["step" + number] = USUAL[kind][unit == "in"]
        return True


def whole(text):
    """Whether a text is a whole number above 0 without leading zeros."""
    return 0 < len(text) < 8 and all("0" <= c <= "9" for c in text) and text[0] != "0"


def step_is_sound(text, kind, unit):
    """ "0.005" or "1". A gauge's step is a power of ten, and no finer or coarser than the gauge can tell."""
    front, point, decimals = text.partition(".")
    digits = (front + decimals).lstrip("0")
    if not (front == "0" or whole(front)) or (point and not decimals) or len(decimals) > DECIMALS_MOST:
        return False
    if not whole(digits) or int(digits) > 65535 or (kind != "scale" and digits != "1"):
        return False
    return kind != "frame24" or len(decimals) >= FRAME24_LEAST[unit]
