"""Stands for MicroPython's `machine`: pins, registers and a serial port of the rig."""

from rig import REQUESTS, RIG


class Pin:
    IN, OUT, PULL_UP = 0, 1, 1

    def __init__(self, number, _mode=0, _pull=None, value=None):
        self.number = number
        if value is not None:
            self.value(value)

    def value(self, level=None):
        if level is None:
            return RIG.pin(self.number)
        RIG.request(REQUESTS[self.number], bool(level))
        return None


class Registers:
    """The flags of the state machines' interrupts, and no other register."""

    IRQ = 0x50200030

    def __getitem__(self, address):
        assert address == self.IRQ
        RIG.settle()
        return RIG.flags

    def __setitem__(self, address, clear):
        assert address == self.IRQ
        RIG.flags &= ~clear


mem32 = Registers()


class UART:
    def __init__(self, number, baudrate, tx, rx, rxbuf):
        assert (number, baudrate, tx.number, rx.number) == (1, 9600, 20, 9)
        assert rxbuf >= 256
        RIG.typed = b""

    def any(self):
        RIG.settle()
        return len(RIG.typed)

    def read(self, count):
        read, RIG.typed = RIG.typed[:count], RIG.typed[count:]
        return read
