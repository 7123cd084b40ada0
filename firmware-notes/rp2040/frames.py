"""Lines of the wire format (../wire-format.md), to the host."""

from array import array

VERSION = "1.1"


def _crc_of(byte):
    crc = byte << 8
    for _ in range(8):
        crc = (crc << 1 ^ 0x1021 if crc & 0x8000 else crc << 1) & 0xFFFF
    return crc


_TABLE = array("H", [_crc_of(byte) for byte in range(256)])


def crc16(data):
    """CRC-16/IBM-3740."""
    table, crc = _TABLE, 0xFFFF
    for byte in data:
        crc = (crc << 8 & 0xFF00) ^ table[crc >> 8 ^ byte]
    return crc


def line(*fields):
    """The fields, comma between, with their sum."""
    body = ",".join([str(field) for field in fields]).encode()
    return body + b"*%04X\n" % crc16(body)


def u32(number):
    return number & 0xFFFFFFFF


def i32(number):
    return (number + 0x80000000 & 0xFFFFFFFF) - 0x80000000
