"""lobetrace, the ground floor: pure functions over arrays, from captured counts to events and their uncertainty.

The face, for Python and notebooks; each name is imported when it is first used:

>>> import analysis
>>> found = analysis.open_job("sample-captures/clean").measure()
>>> print(found.intake.opens(1.27))
16.6... ATDC +/-0...
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from analysis.base import errors as errors
    from analysis.base.quantity import Quantity as Quantity
    from analysis.capture import load as load
    from analysis.lobe.result import Measurement as Measurement
    from analysis.opened import open_job as open_job
    from analysis.opened import open_jobs as open_jobs

# Name -> where it is, and what it is called there; "" for the module itself.
_FACE = {
    "Measurement": ("analysis.lobe.result", "Measurement"),
    "Quantity": ("analysis.base.quantity", "Quantity"),
    "errors": ("analysis.base.errors", ""),
    "load": ("analysis.capture", "load"),
    "open_job": ("analysis.opened", "open_job"),
    "open_jobs": ("analysis.opened", "open_jobs"),
}
__all__ = ["Measurement", "Quantity", "errors", "load", "open_job", "open_jobs"]


def __getattr__(name: str) -> object:
    if name not in _FACE:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    place, inside = _FACE[name]
    module = import_module(place)
    found = getattr(module, inside) if inside else module
    globals()[name] = found
    return found


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
