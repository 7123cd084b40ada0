"""The tables of job.toml behind the decision: the timing set's positions, piston-to-valve clearance and valve springs."""

from __future__ import annotations

import math
from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from analysis.job.toml_table import Table, within

Positions = Annotated[tuple[Annotated[float, within(-40, 40)], ...], Field(strict=False)]


class TimingSet(Table):
    """[timing_set]: how the camshaft can be turned against the crank. Positive positions advance (valves open earlier)."""

    camshafts: Literal[1, 2] = 1
    teeth: Annotated[int, within(10, 120)] | None = None
    positions_deg: Positions = ()
    positions_in: Literal["crank", "cam"] = "crank"
    position_deg: Annotated[float, within(-40, 40)] = 0.0

    @property
    def changes(self) -> tuple[float, ...]:
        """Crank degrees of advance that each position makes against the one fitted; empty if any amount can be set."""
        factor = 2.0 if self.positions_in == "cam" else 1.0
        return tuple(sorted(factor * (position - self.position_deg) for position in self.positions_deg))


class Drop(Table):
    """[[clearance.intake.drop]]: how far the valve could be pushed along its axis until it met the piston, at one crank angle.

    `at_deg` is in crank degrees after overlap TDC. From the "seat" (valve closed) or from its "lift" there on the cam.
    """

    at_deg: Annotated[float, within(-90, 90)]
    drop_mm: Annotated[float, within(0, 80)]
    measured_from: Literal["seat", "lift"] = "lift"


class ValveClearance(Table):
    """[clearance.intake] and [clearance.exhaust]: where the valve stands to the piston, and how it was found out."""

    valve_angle_deg: Annotated[float, within(0, 60)] = 0.0
    piston_face: Literal["pocket", "flat"] = "pocket"
    clay_mm: Annotated[float, within(0, 30)] | None = None
    error_mm: Annotated[float, within(0, 2)] = 0.1
    retainer_gap_mm: Annotated[float, within(0, 60)] | None = None
    drop: Annotated[tuple[Drop, ...], Field(strict=False)] = ()

    @property
    def axial(self) -> float:
        """By how much the gap along the valve's axis grows for each millimetre that the piston goes down.

        Into a pocket parallel to the valve's head the piston falls away by the cosine of the valve's angle, from under a flat
        crown by one over it.
        """
        cosine = math.cos(math.radians(self.valve_angle_deg))
        return cosine if self.piston_face == "pocket" else 1.0 / cosine


class Clearance(Table):
    """[clearance]: the least clearances asked for. The defaults are common practice; the engine maker's data come first."""

    intake_limit_mm: Annotated[float, within(0, 10)] = 2.0
    exhaust_limit_mm: Annotated[float, within(0, 10)] = 2.5
    rods_add_mm: Annotated[float, within(0, 3)] = 0.0
    coil_bind_limit_mm: Annotated[float, within(0, 10)] = 1.5
    retainer_limit_mm: Annotated[float, within(0, 10)] = 1.27
    closing_lift_mm: Annotated[float, within(0.01, 5)] = 0.15
    intake: ValveClearance = ValveClearance.left_out()
    exhaust: ValveClearance = ValveClearance.left_out()

    def limit_mm(self, valve: str) -> float:
        """Least piston-to-valve clearance of a valve, the rods' allowance in."""
        return (self.intake_limit_mm if valve == "intake" else self.exhaust_limit_mm) + self.rods_add_mm

    def of(self, valve: str) -> ValveClearance:
        """The table of a valve."""
        return self.intake if valve == "intake" else self.exhaust


class ValveSpring(Table):
    """[spring.intake] and [spring.exhaust]: the spring as fitted, and two loads from its card; for `dynamics` the mass that it has to
    hold on the cam, taken at the valve, and its lowest natural frequency.
    """

    installed_height_mm: Annotated[float, within(5, 200)] | None = None
    coil_bind_mm: Annotated[float, within(5, 200)] | None = None
    closed_height_mm: Annotated[float, within(5, 200)] | None = None
    closed_load_n: Annotated[float, within(1, 10000)] | None = None
    open_height_mm: Annotated[float, within(5, 200)] | None = None
    open_load_n: Annotated[float, within(1, 10000)] | None = None
    moving_mass_g: Annotated[float, within(1, 5000)] | None = None
    natural_hz: Annotated[float, within(20, 5000)] | None = None

    @property
    def rate_n_per_mm(self) -> float | None:
        """Newtons for each millimetre that the spring is made shorter, from the two loads of its card."""
        card = self.closed_height_mm, self.closed_load_n, self.open_height_mm, self.open_load_n
        if any(value is None for value in card):
            return None
        high, light, low, heavy = (float(value) for value in card if value is not None)
        return (heavy - light) / (high - low)

    @model_validator(mode="after")
    def _possible(self) -> Self:
        installed, bind = self.installed_height_mm, self.coil_bind_mm
        if installed is not None and bind is not None and bind >= installed:
            raise ValueError(f"coil_bind_mm = {bind:g} is not below installed_height_mm = {installed:g}")
        high, low = self.closed_height_mm, self.open_height_mm
        if high is not None and low is not None and low >= high:
            raise ValueError(f"open_height_mm = {low:g} is not below closed_height_mm = {high:g}")
        light, heavy = self.closed_load_n, self.open_load_n
        if light is not None and heavy is not None and heavy <= light:
            raise ValueError(f"open_load_n = {heavy:g} is not above closed_load_n = {light:g}")
        return self


class Spring(Table):
    """[spring]: the valve springs."""

    intake: ValveSpring = ValveSpring.left_out()
    exhaust: ValveSpring = ValveSpring.left_out()

    def of(self, valve: str) -> ValveSpring:
        """The spring of a valve."""
        return self.intake if valve == "intake" else self.exhaust
