"""Rules about the ends of the lift: the foot, where the valve leaves its seat, and the top, where the plunger may meet its end."""

from __future__ import annotations

from typing import TypeAlias

import numpy as np

from analysis.base.finding import DOUBT
from analysis.base.samples import Floats
from analysis.curve.corners import Corner, corner
from analysis.curve.lift_curve import Curve
from analysis.curve.sweep import Swept
from analysis.diagnosis.rule import Seen, rule
from analysis.job import Rig
from analysis.lobe.at_rest import stands_that_sank
from analysis.lobe.result import Lobe, Measurement

# Whether the lift begins or ends there, and how.
Feet: TypeAlias = list[tuple[str, Corner]]

# A lift that begins at this velocity at once (mm/deg, and as a share of the flank's) was begun before it showed; a course that begins
# at rest fits worse by so many times. Quick ramps reach 0.017 mm/deg and 0.1 of the flank, but they begin at rest.
AT_ONCE, SHARE, WORSE = 0.011, 0.07, 1.2
# Where readings are too far apart for that: to be so fast so near its level a lift would have to be accelerated so many times as much
# as it is up to its greatest velocity. No law of motion asks for more than twice (harmonic), a quick ramp of 0.025 mm/deg for 2.3.
# A lift that asks for less was raised from rest, whatever fits better (drawn sound lobes: 0.1 to 0.4; with lash: 0.75 and more).
RUSH, GENTLE = 3.0, 0.6


@rule("foot-corner", DOUBT, "{valve}.events", "{valve}.centerline.event_midpoint", "{valve}.centerline.centroid", "{valve}.peak_lift",
      "{valve}.peak_lobe_lift", "cam.overlap")  # fmt: skip
def foot_corner(lobe: Lobe, rig: Rig, swept: Swept, valve: str, found: Measurement) -> Seen | None:
    """A lift that begins at once where the job says that there is no lash."""
    said = rig.lash_mm > 0.0 and rig.indicator_at == "valve"
    if said or stands_that_sank(swept):  # a lifter that sinks sets its valve down early
        return None
    feet = _feet(lobe)
    sharp = _sharp(feet, lobe, WORSE) or _as_the_others(feet, lobe, found)
    if not sharp:
        return None
    word, each = max(sharp, key=lambda pair: pair[1].velocity)
    whose = f"The lift of the {valve} valve"
    if not feet:
        whose = f"There are too few readings about the feet of the {valve} lobe to tell, and the lift of the other valve"
    return Seen(
        f"{whose} {word} at {each.velocity:.3f} mm a degree all at once, while a cam lifts it from rest.",
        "There is lash in the valve train that job.toml does not give, the plunger loses contact with the valve near its "
        "seat, or it has too little preload.",
        "Set the plunger with preload on the closed valve, take the lash out or write lash_mm in job.toml, and sweep again.",
    )


def _as_the_others(feet: Feet, lobe: Lobe, found: Measurement) -> Feet:
    """What one lobe shows beyond doubt the others are likely to have: for them it is enough that a course from rest fits no better,
    or that there are too few readings to tell.
    """
    faint = _sharp(feet, lobe, 1.0)
    if feet and not faint:
        return []
    others = [foot for other in found.lobes if other is not lobe for foot in _sharp(_feet(other), other, WORSE)]
    return (faint or others) if others else []


def _sharp(feet: Feet, lobe: Lobe, worse: float) -> Feet:
    """Those of a lobe's feet where the lift begins or ends at once, and a course from rest fits so many times worse or would have to
    be accelerated as no cam does.
    """
    curve = lobe.swept.curve
    steepest = int(np.abs(curve.slope).argmax())
    fastest = abs(float(curve.slope[steepest]))
    usual, least = fastest**2 / (2.0 * float(curve.points.lift_mm[steepest])), max(AT_ONCE, SHARE * fastest)

    def sharp(foot: Corner) -> bool:
        gentle = 0.0 < foot.rush < GENTLE * usual
        return foot.velocity > least and not gentle and (foot.worse > worse or foot.rush > RUSH * usual)

    return [(word, each) for word, each in feet if sharp(each)]


def _feet(lobe: Lobe) -> Feet:
    """How the lift begins and, backward, how it ends."""
    deg, lift = _readings(lobe.swept.curve)
    top, step = _middle_of_top(deg, lift, lobe.causes.step_mm), lobe.causes.step_mm
    up, down = deg < top, deg >= top
    both = (
        ("begins", corner(deg[up], lift[up], step, 0.0)),
        ("ends", corner(-deg[down][::-1], lift[down][::-1], step, 0.0)),
    )
    return [(word, each) for word, each in both if each is not None]


def _readings(curve: Curve) -> tuple[Floats, Floats]:
    """All readings laid over each other, with those that are left out at the foot. Shape (n,) each, angles growing."""
    deg, lift = (
        np.concatenate(pair) for pair in ((curve.pooled.deg, curve.foot.deg), (curve.pooled.lift_mm, curve.foot.lift_mm))
    )
    order = np.argsort(deg)
    return deg[order], lift[order]


def _middle_of_top(deg: Floats, lift: Floats, step_mm: float) -> float:
    high = deg[lift > lift.max() - 2 * step_mm]
    return float((high[0] + high[-1]) / 2)
