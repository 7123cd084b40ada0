"""A lobe held as a line profile (ISO 1101): every place of it against half the zone that the job allows, by the decision rule."""

from __future__ import annotations

from dataclasses import dataclass

from analysis.base.errors import DataError
from analysis.base.quantity import Quantity
from analysis.compare.nominal_fit import ProfileFit, fit_profile
from analysis.decision.verdict import Verdict, judge, overall
from analysis.job import Job
from analysis.lobe.result import Lobe, Measurement


@dataclass(frozen=True)
class ProfileLine:
    """One lobe against its nominal profile. `tolerance_mm`: width of the zone, None if none was asked for; `verdict` of the place
    that decides, where the deviation is `deviation`; `doubts` as of `Line`. `fit` is None, with the reason, where there is
    nothing to compare.
    """

    cylinder: int
    valve: str
    fit: ProfileFit | None
    tolerance_mm: float | None
    verdict: Verdict
    at: int = 0
    how: str = ""
    doubts: tuple[str, ...] = ()

    @property
    def deviation(self) -> Quantity | None:
        """Where it decides."""
        return None if self.fit is None else self.fit.deviation(self.at)

    @property
    def at_deg(self) -> float | None:
        """Where that is: crank degrees from overlap TDC."""
        return None if self.fit is None else float(self.fit.deg[self.at]) + self.fit.turned.value


def profiles(job: Job, cylinder: int, measured: Measurement, *, required: bool = True) -> tuple[ProfileLine, ...]:
    """Every lobe of a cylinder for which the job states a profile. `required`: a lobe that was not measured is said to be missing."""
    found = []
    for valve, spec in (("intake", job.specification.intake.profile), ("exhaust", job.specification.exhaust.profile)):
        if spec is None or spec.table is None:
            continue
        lobe = measured.lobe(valve)
        if lobe is None:
            if required:
                why = f"the {valve} lobe was not measured"
                found.append(ProfileLine(cylinder, valve, None, spec.tolerance_mm, "not compared", how=why))
            continue
        try:
            fit = fit_profile(lobe, spec.table)
        except DataError as error:
            found.append(ProfileLine(cylinder, valve, None, spec.tolerance_mm, "not compared", how=error.what))
            continue
        found.append(judged(lobe, fit, spec.tolerance_mm, job.specification.tolerance.guard_band_factor))
    return tuple(found)


def judged(lobe: Lobe, fit: ProfileFit, tolerance_mm: float | None, guard_band_factor: float = 1.0) -> ProfileLine:
    """A profile by the decision rule: outside if any place is, within if all are. Without a tolerance nothing is judged."""
    if tolerance_mm is None:
        return ProfileLine(lobe.cylinder, lobe.valve, fit, None, "not compared", fit.worst, "no tolerance is stated")
    half = tolerance_mm / 2
    places = [fit.deviation(k) for k in range(fit.deg.size)]
    verdicts = [judge(each.value, each.u95, -half, half, guard_band_factor) for each in places]
    verdict = overall(verdicts)
    # The place that decides is the one that lies furthest out with its uncertainty.
    mine = [k for k, each in enumerate(verdicts) if each == verdict]
    at = max(mine, key=lambda k: abs(places[k].value) + (-1.0 if verdict == "outside" else 1.0) * places[k].u95)
    return ProfileLine(lobe.cylinder, lobe.valve, fit, tolerance_mm, verdict, at)
