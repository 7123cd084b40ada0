"""The lobetrace command: one module a command, named after it; declared in `commands`."""

from acquire.cli.commands import main, run

__all__ = ["main", "run"]
