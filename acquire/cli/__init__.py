"""The lobetrace command: one module a command, named after it; declared in `commands`."""

import gc

# What is imported is no garbage: looking for it was a ninth of a command's time.
gc.set_threshold(50_000, 20, 100)

from acquire.cli.commands import main, run  # noqa: E402  # the imports are what is meant

__all__ = ["main", "run"]
