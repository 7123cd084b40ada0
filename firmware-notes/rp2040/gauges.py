"""What gauges send -> counts. Each function gives None for a reading that must be refused.

A channel counts in steps of its unit, 10^-decimals; a reading in the other unit, or finer than that step, is refused and never
converted in silence.
"""

MOST = 0x7FFFFFFF
LINE_MOST = 24


def scaled(digits, decimals, minus, want):
    """`digits` 10^-decimals in steps of 10^-want."""
    if decimals > want:
        power = 10 ** (decimals - want)
        if digits % power:
            return None
        digits //= power
    else:
        digits *= 10 ** (want - decimals)
    if digits > MOST:
        return None
    return -digits if minus else digits


def number_of(bits):
    """The first bit is the lowest."""
    return sum([bit << i for i, bit in enumerate(bits)])


def bcd(bits, inch, want):
    """13 digits of 4 bits: F F F F, sign (0 or 8), six digits, decimals (0 to 5), unit (0 mm, 1 inch)."""
    if len(bits) != 52:
        return None
    digit = [number_of(bits[i : i + 4]) for i in range(0, 52, 4)]
    if digit[:4] != [15] * 4 or digit[4] not in (0, 8) or max(digit[5:11]) > 9 or digit[11] > 5 or digit[12] != inch:
        return None
    value = 0
    for d in digit[5:11]:
        value = 10 * value + d
    return scaled(value, digit[11], digit[4] == 8, want)


def frame24(bits, inch, want):
    """24 bits: magnitude 0 to 15, bit 20 minus, bit 23 inch, the others 0. Hundredths of mm, or 2000ths of an inch."""
    if len(bits) != 24 or any(bits[16:20]) or bits[21] or bits[22] or bits[23] != inch:
        return None
    magnitude = number_of(bits[:16])
    return scaled(5 * magnitude, 4, bits[20], want) if inch else scaled(magnitude, 2, bits[20], want)


def text(line, inch, want):
    """A line as "+12.345mm".

    A sign or none, digits with one decimal point or none, blanks, and the unit: mm, in, inch or a double quote; without one the
    channel's is taken. In front blanks, and if there is a sign anything: "01A+0012.345" is a heading and a reading.
    """
    minus = False
    for at, c in enumerate(line):
        if c in "+-":
            line, minus = line[at + 1 :], c == "-"
            break
    line = line.strip(" ")
    end = 0
    while end < len(line) and line[end] in "0123456789.":
        end += 1
    front, _, decimals = line[:end].partition(".")
    unit = line[end:].strip(" ")
    if "." in decimals or not front + decimals or len(front + decimals) > 15:
        return None
    if unit and unit not in (('"', "in", "IN", "inch", "INCH") if inch else ("mm", "MM")):
        return None
    return scaled(int(front + decimals), len(decimals), minus, want)
