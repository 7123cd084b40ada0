"""The lobetrace command: one module a command, named after it; declared in `commands`."""

import gc
import os

# What is solved is small, and many jobs have a process for each processor: more threads of linear algebra would only wait for each
# other, which took a sixth of a command's processor time.
for _name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")
# What is imported is no garbage: looking for it was a ninth of a command's time.
gc.set_threshold(50_000, 20, 100)

from acquire.cli.commands import main, run  # noqa: E402  # the imports are what is meant

__all__ = ["main", "run"]
