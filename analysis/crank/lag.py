"""By how long a reading of the indicator lags the plunger."""

from __future__ import annotations

import math
from dataclasses import dataclass

from analysis.base.quantity import Source
from analysis.job import Rig


@dataclass(frozen=True)
class Latency:
    """Seconds by which a reading lags the plunger, with standard uncertainty; `dof` independent pieces of evidence less one."""

    seconds: float
    u: float
    dof: float

    def source(self, name: str) -> Source:
        """It as a source in a budget. What is stated and not found lies anywhere within its bound."""
        return Source(name, self.dof, "normal" if math.isfinite(self.dof) else "rectangular", self.u, "s")


def stated_latency(rig: Rig) -> Latency:
    """What the job's bound says before the data: evenly anywhere from none to the bound."""
    bound = rig.indicator_latency_ms * 1e-3
    return Latency(bound / 2, bound / math.sqrt(12), math.inf)
