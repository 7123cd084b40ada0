"""Runs on the board from its start on. Ctrl-C, which mpremote sends, ends it."""

import sys
import time
from select import POLLIN, POLLOUT, poll

from board import ERROR, USUAL, Board
from inputs import Inputs
from settings import Settings, boot_number


class Usb:
    """The board's own USB serial line."""

    def __init__(self):
        self.hears, self.says = poll(), poll()
        self.hears.register(sys.stdin, POLLIN)
        self.says.register(sys.stdout, POLLOUT)

    def ready(self):
        """Whether there is room for a line. With nobody at the other end there always is, and it is lost."""
        return bool(self.says.poll(0))

    def write(self, data):
        sys.stdout.buffer.write(data)

    def read(self):
        """The next byte, or None."""
        return sys.stdin.buffer.read(1)[0] if self.hears.poll(0) else None


def boards(link, folder=""):
    """Works for ever: yields after each step. An error of this program is written to crash.txt, and the board begins anew."""
    why = USUAL
    while True:
        try:
            settings = Settings(folder)
            board = Board(settings, Inputs(settings), link, boot_number(folder), why)
            why = USUAL
            while not board.anew:
                board.work()
                yield
        except Exception as error:
            why = ERROR
            with open(folder + "crash.txt", "w") as file:
                sys.print_exception(error, file)
            time.sleep_ms(1000)  # each start writes to the flash, which an error in each start would wear out
        yield


if __name__ == "__main__":
    for _ in boards(Usb()):
        pass
