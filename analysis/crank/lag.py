"""By how long a reading of the indicator lags the plunger."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

from analysis.base.quantity import Source
from analysis.job import Rig


@dataclass(frozen=True)
class Lag:
    """Seconds by which a reading lags the plunger, with standard uncertainty; `dof` independent pieces of evidence less one."""

    seconds: float
    u: float
    dof: float

    def source(self, name: str) -> Source:
        """It as a source in a budget. What is stated and not found lies anywhere within its bound."""
        return Source(name, self.dof, "normal" if math.isfinite(self.dof) else "rectangular", self.u, "s")

    def later(self, seconds: float) -> Lag:
        """The same, counted from so many seconds earlier: what of it is left once -`seconds` have been taken out."""
        return replace(self, seconds=self.seconds + seconds)

    def combined(self, found: Lag | None) -> Lag:
        """Weighted mean (weights: inverse variances) with what was found independently, if anything was."""
        if found is None:
            return self
        a, b = 1 / max(self.u, 1e-9) ** 2, 1 / max(found.u, 1e-9) ** 2
        return Lag((a * self.seconds + b * found.seconds) / (a + b), (a + b) ** -0.5, found.dof if b > a else self.dof)


def stated_lag(rig: Rig) -> Lag:
    """What the job's bound says before the data: evenly anywhere from none to the bound."""
    bound = rig.indicator_latency_ms * 1e-3
    return Lag(bound / 2, bound / math.sqrt(12), math.inf)
