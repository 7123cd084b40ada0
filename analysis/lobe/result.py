"""What a measurement comes to: one frozen tree of quantities that budgets, sheet, JSON and screens are written from."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from pathlib import PurePath
from typing import Any, Final, Protocol, Self

import numpy as np
import numpy.typing as npt

from analysis.base.errors import DataError, UsageError
from analysis.base.finding import SAME_LIFT_MM, Finding
from analysis.base.quantity import Quantity
from analysis.base.samples import Capture, Floats, Header
from analysis.base.words import length, overlap, said_in, with_unit
from analysis.curve.smoothing import Spline
from analysis.curve.sweep import Sweep, Swept
from analysis.job import Job
from analysis.lobe.causes import Causes
from analysis.lobe.events import CLOSING, OPENING, crossing
from analysis.lobe.rocker import HIDDEN_STEPS, checking_lift
from analysis.lobe.slack import Reversal, SlackByAngle
from analysis.lobe.timing import duration
from analysis.tdc.stop import TdcFound

# The checking lift that stands for a lobe where there is room for one, or the nearest to it (0.050 in; common practice).
HEADLINE_MM: Final = 1.27


@dataclass(frozen=True)
class Event:
    """Opening, closing and duration at one checking lift. `at` is "lobe" or "valve": where `lift_mm` holds."""

    lift_mm: float
    at: str
    opens: Quantity
    closes: Quantity
    duration: Quantity


def headline(events: Iterable[Event]) -> Event | None:
    """The event that stands for its lobe: the one whose checking lift is nearest to `HEADLINE_MM`; None without any."""
    return min(events, key=lambda event: abs(event.lift_mm - HEADLINE_MM), default=None)


class AtLift(Protocol):
    """What holds at a checking lift: an event, or a line of a card."""

    @property
    def lift_mm(self) -> float: ...  # noqa: D102

    @property
    def at(self) -> str: ...  # noqa: D102


def same_lift(a: AtLift, b: AtLift) -> bool:
    """Whether two hold at one checking lift, in millimetres or in inches: 1.27 mm and 0.05 in are one."""
    return a.at == b.at and abs(a.lift_mm - b.lift_mm) < SAME_LIFT_MM


@dataclass(frozen=True)
class Centerlines:
    """The four centerlines of a lobe, which are different quantities: the middle between two equal lifts below the peak (the
    headline), the middle between the events, the centroid of the area, and the angle of peak lift.
    """

    equal_lift: Quantity
    event_midpoint: Quantity
    centroid: Quantity
    peak: Quantity

    def items(self) -> Iterator[tuple[str, Quantity]]:
        """Each with its name, the headline first."""
        yield from ((name, getattr(self, name)) for name in self.__dataclass_fields__)


@dataclass(frozen=True)
class AtRest:
    """What the indicator showed where the valve rests. `zero` is its reading on the base circle; `runout_mm` the level's peak to
    peak along it, `drift_mm` what the zero of the last pass differs by from that of the first; `sank_mm` the most that the lift fell
    while the crank stood (a lifter that bleeds down), 0 if it did not. `covered_deg`: crank degrees of base circle seen.
    """

    zero: Quantity
    runout_mm: float
    drift_mm: float
    sank_mm: float
    covered_deg: float


_DERIVATIVES: Final = (
    ("lift_mm", "mm"),
    ("velocity_mm_deg", "mm/deg"),
    ("acceleration_mm_deg2", "mm/deg^2"),
    ("jerk_mm_deg3", "mm/deg^3"),
)


@dataclass(frozen=True)
class LiftCurve:
    """Lift over crank angle at the indicator: call it for the lift or one of its derivatives, ask `error` how well it is known.

    It reaches from `low` to `high`, crank degrees from overlap TDC.

    >>> import analysis
    >>> curve = analysis.open_job("sample-captures/clean").measure().intake.curve
    >>> curve([90.0, 107.0]).round(1)
    array([11.3, 11.4])
    >>> bool(curve.error(150.0, derivative=1) < 0.01 * abs(curve(150.0, derivative=1)))
    True
    """

    spline: Spline

    @property
    def low(self) -> float:
        """Where it begins."""
        return self.spline.low

    @property
    def high(self) -> float:
        """Where it ends."""
        return self.spline.high

    def __call__(self, deg: npt.ArrayLike, derivative: int = 0) -> Floats:
        """Lift (mm) or its first to third derivative (mm/deg^k) at crank degrees from overlap TDC. Shape of `deg`; NaN outside."""
        return self._inside(deg, self.spline.value(np.asarray(deg, dtype=np.float64), derivative))

    def error(self, deg: npt.ArrayLike, derivative: int = 0) -> Floats:
        """Standard error of the same from scatter (JCGM 100 Type A). Shape of `deg`; NaN outside."""
        return self._inside(deg, self.spline.error(np.asarray(deg, dtype=np.float64), derivative))

    def to_xarray(self, step_deg: float = 1.0) -> Any:
        """The curve with three derivatives and their standard errors as an xarray Dataset over `crank_deg`. Raises UsageError without
        xarray.

        >>> import analysis
        >>> curve = analysis.open_job("sample-captures/clean").measure().intake.curve
        >>> print(curve.to_xarray().lift_mm.sel(crank_deg=107.0).item().__round__(1))
        11.4
        """
        try:
            import xarray as xr
        except ImportError as error:
            raise UsageError("labelled arrays need xarray", do="Install it with: pip install xarray") from error
        deg = step_deg * np.arange(np.ceil(self.low / step_deg), np.floor(self.high / step_deg) + 1)
        data = {}
        for order, (name, unit) in enumerate(_DERIVATIVES):
            data[name] = ("crank_deg", self(deg, order), {"units": unit})
            data[f"u_{name}"] = ("crank_deg", self.error(deg, order), {"units": unit})
        return xr.Dataset(data, coords={"crank_deg": ("crank_deg", deg, {"units": "degrees from overlap TDC"})})

    def _inside(self, deg: npt.ArrayLike, values: Floats) -> Floats:
        at = np.asarray(deg, dtype=np.float64)
        return np.where((at >= self.low) & (at <= self.high), values, np.nan)


@dataclass(frozen=True)
class Lobe:
    """One valve's lobe: `valve` is what the curve shows ("intake" or "exhaust"), `passes` counts whole forward passes used.

    `hidden_mm`: checking lifts that the lash hides. `peak_lift` is at the valve, `peak_lobe_lift` at the lobe. `slack` of the timing
    drive and `lag` of the indicator are None where the data cannot tell. What it was made of: `job`, `swept`, `causes`, and the
    slack by angle and the reversal values at the events where there was backward motion.
    """

    cylinder: int
    valve: str
    passes: int
    events: tuple[Event, ...]
    centerlines: Centerlines
    peak_lift: Quantity
    peak_lobe_lift: Quantity
    slack: Quantity | None
    lag: Quantity | None
    at_rest: AtRest | None = None
    hidden_mm: tuple[float, ...] = ()
    job: Job = field(kw_only=True, repr=False, compare=False)
    swept: Swept = field(kw_only=True, repr=False, compare=False)
    causes: Causes = field(kw_only=True, repr=False, compare=False)
    slack_at: SlackByAngle | None = field(default=None, kw_only=True, repr=False, compare=False)
    reversal: tuple[Reversal, ...] = field(default=(), kw_only=True, repr=False, compare=False)

    @property
    def centerline(self) -> Quantity:
        """The headline centerline: middle between equal lifts near the nose."""
        return self.centerlines.equal_lift

    @property
    def curve(self) -> LiftCurve:
        """The lift curve at the indicator."""
        return LiftCurve(self.swept.curve.spline)

    def opens(self, lift_mm: float, at: str | None = None) -> Quantity:
        """Where the valve opens by a checking lift (mm) `at` the "lobe" or the "valve"; the job's own place if not said.

        Raises DataError if the lash or the indicator's step hides that lift, the lobe is lower, or the sweep does not reach it.

        >>> import analysis
        >>> found = analysis.open_job("sample-captures/clean").measure()
        >>> print(found.intake.opens(1.27), "|", found.intake.opens(1.905, at="valve"))
        16.6... ATDC +/-0... | 16.6... ATDC +/-0...
        >>> print(found.intake.closes(1.27) - found.exhaust.opens(1.27))  # what they share drops out
        397.3... +/-0... deg
        """
        return self._event(lift_mm, at, OPENING)

    def closes(self, lift_mm: float, at: str | None = None) -> Quantity:
        """Where the valve closes to a checking lift (mm), as `opens`."""
        return self._event(lift_mm, at, CLOSING)

    def duration(self, lift_mm: float, at: str | None = None) -> Quantity:
        """Crank degrees from opening to closing at a checking lift (mm), as `opens`."""
        return duration(self.opens(lift_mm, at), self.closes(lift_mm, at))

    def plot(self, axes: Any = None, derivative: int = 0) -> Any:
        """Draw the curve, or a derivative of it, with its 95 % scatter as a band, into matplotlib axes (new ones if none are
        given), and return them. Raises UsageError without matplotlib.
        """
        try:
            from matplotlib import pyplot
        except ImportError as error:
            raise UsageError("plots need matplotlib", do="Install it with: pip install 'lobetrace[plot]'") from error
        axes = pyplot.figure().add_subplot() if axes is None else axes
        curve, (name, unit) = self.curve, _DERIVATIVES[derivative]
        deg = np.linspace(curve.low, curve.high, 1000)
        value, band = curve(deg, derivative), 1.96 * curve.error(deg, derivative)
        (line,) = axes.plot(deg, value, label=f"{self.valve} of cylinder {self.cylinder}")
        axes.fill_between(deg, value - band, value + band, color=line.get_color(), alpha=0.3, linewidth=0)
        axes.set_xlabel("crank degrees from overlap TDC")
        axes.set_ylabel(f"{name.partition('_')[0]}, {unit}")
        return axes

    def crossing(self, seen: Quantity, flank: int) -> Quantity:
        """Where a lift (mm) at the indicator is crossed before (`OPENING`) or after (`CLOSING`) the peak. Raises DataError."""
        with said_in(self.job.measure.units):
            deg = crossing(self.swept.curve, seen, flank, self.centerlines.peak.value, self.causes).deg
        return deg.labelled("deg", place_of(self.valve, flank))

    def _event(self, lift_mm: float, at: str | None, flank: int) -> Quantity:
        place, units = at or self.job.measure.checking_at, self.job.measure.units
        seen = checking_lift(self.job.rig, lift_mm, place)
        if is_hidden(seen, self.causes):
            raise DataError(
                f"the indicator cannot tell the checking lift of {length(lift_mm, units)} {units} at the {place} from a closed valve",
                do="Choose a higher checking lift, or measure at the lobe",
            )
        return self.crossing(seen, flank)


def is_hidden(seen: Quantity, causes: Causes) -> bool:
    """Whether a lift at the indicator (mm) is not told from none."""
    return seen.value <= HIDDEN_STEPS * causes.step_mm


def place_of(valve: str, flank: int) -> str:
    """From where a person reads an event."""
    return f"{valve} {'opens' if flank == OPENING else 'closes'}"


@dataclass(frozen=True)
class Tdc:
    """True top dead center as a crank count (fractional), and how it was found: "stop", "travel" or "given"."""

    count: Quantity
    method: str
    contacts: int = 0  # with the piston stop, both sides together


@dataclass(frozen=True)
class Cam:
    """Intake against exhaust of one cylinder: lobe separation in cam degrees, advance and overlap in crank degrees, overlap at
    `overlap_lift_mm`.
    """

    cylinder: int
    separation: Quantity
    advance: Quantity
    overlap: Quantity | None
    overlap_lift_mm: float | None


@dataclass(frozen=True)
class Used:
    """A capture that a measurement was made of, so that the result can be traced to its data; `header` says who recorded it.
    `backward`: a sweep against the direction of rotation, which tells the slack and nothing else.
    """

    name: str
    sha256: str
    header: Header | None = None
    backward: bool = False

    @property
    def purpose(self) -> str:
        """In words, where it is not the usual one."""
        return "turned backward, tells only the slack" if self.backward else ""

    @classmethod
    def of(cls, capture: Capture, *, backward: bool = False) -> Self:
        """As it was read."""
        return cls(PurePath(capture.path).name or "unnamed", capture.sha256, capture.header, backward)


@dataclass(frozen=True)
class Refused:
    """A lobe that could not be measured: in which capture, what the indicator stood on, and why."""

    capture: str
    valve: str
    error: DataError


@dataclass(frozen=True)
class Evidence:
    """What was seen on the way to the numbers and only there: TDC as each method found it (`one_count`: with one zero of the count),
    by how many degrees the count moved against the index pulse from TDC to each sweep, all the sweeps there were, what was `seen` in
    each that could be read, and by how many degrees TDC came later when it was `checked_again` after them.
    """

    forward: int = 1
    stop: TdcFound | None = None
    travel: TdcFound | None = None
    one_count: bool = False
    moved_deg: tuple[float, ...] = ()
    sweeps: tuple[Sweep, ...] = ()
    seen: tuple[Swept, ...] = ()
    checked_again: Quantity | None = None


@dataclass(frozen=True)
class Entry:
    """One number of the tree: its path in it, what kind it is, of which valve ("": of all) and at which checking lift."""

    path: str
    kind: str
    quantity: Quantity
    valve: str = ""
    lift_mm: float | None = None

    @property
    def name(self) -> str:
        """As a table calls it: "intake opens 1.27"."""
        return f"{self.valve} {self.kind}{'' if self.lift_mm is None else f' {self.lift_mm:g}'}".strip()


@dataclass(frozen=True, repr=False)
class Measurement:
    """Everything that the captures of one cylinder say: TDC, a lobe for each valve (intake first), the two against each other.

    `findings`: what is doubtful about it (analysis.diagnosis). `captures`: what it was made of. `refused`: lobes without a number.
    In a shell and in a notebook it shows itself as a short sheet.

    >>> import analysis
    >>> found = analysis.open_job("sample-captures/clean").measure()
    >>> print(found.cam.separation)
    108.5... +/-0... cam deg
    >>> found.tdc.method
    'stop'
    """

    tdc: Tdc
    lobes: tuple[Lobe, ...]
    cam: Cam | None
    findings: tuple[Finding, ...] = ()
    captures: tuple[Used, ...] = ()
    refused: tuple[Refused, ...] = ()
    evidence: Evidence = field(default=Evidence(), repr=False, compare=False)

    def lobe(self, valve: str) -> Lobe | None:
        """The lobe of a valve, or None if it was not measured."""
        return next((lobe for lobe in self.lobes if lobe.valve == valve), None)

    @property
    def intake(self) -> Lobe:
        """The intake lobe. Raises DataError if it was not measured."""
        return self._measured("intake")

    @property
    def exhaust(self) -> Lobe:
        """The exhaust lobe. Raises DataError if it was not measured."""
        return self._measured("exhaust")

    def _measured(self, valve: str) -> Lobe:
        found = self.lobe(valve)
        if found is None:
            raise DataError(
                f"the {valve} lobe was not measured", do=f"Record it with: lobetrace capture JOB --step sweep --valve {valve}"
            )
        return found

    def __repr__(self) -> str:
        width = max(len(name) for name, _ in self._sheet())
        return "\n".join(f"{name:<{width}}  {text}" for name, text in self._sheet())

    def _repr_html_(self) -> str:
        from html import escape  # only a notebook pays for its tables

        rows = (
            f"<tr><th style='text-align: left'>{escape(name)}</th><td>{escape(text)}</td></tr>" for name, text in self._sheet()
        )
        return f"<table>{''.join(rows)}</table>"

    def _sheet(self) -> Iterator[tuple[str, str]]:
        """The main numbers in words."""
        yield "TDC", with_unit(self.tdc.count)
        for lobe in self.lobes:
            if (event := headline(lobe.events)) is not None:
                at = f"at {event.lift_mm:g} mm, {event.at}"
                yield f"{lobe.valve} opens {at}", with_unit(event.opens)
                yield f"{lobe.valve} closes {at}", with_unit(event.closes)
                yield f"{lobe.valve} duration {at}", with_unit(event.duration)
            yield f"{lobe.valve} centerline", with_unit(lobe.centerline)
            yield f"{lobe.valve} peak lift at the valve", with_unit(lobe.peak_lift)
        for refused in self.refused:
            yield f"{refused.valve} lobe", f"not measured: {refused.error}"
        if self.cam is not None:
            yield "lobe separation angle", with_unit(self.cam.separation)
            yield "camshaft", with_unit(self.cam.advance)
            if self.cam.overlap is not None:
                yield f"overlap at {self.cam.overlap_lift_mm:g} mm", overlap(self.cam.overlap)
        if self.findings:
            yield "findings", ", ".join(dict.fromkeys(finding.code for finding in self.findings))

    def to_dict(self) -> dict[str, Any]:
        """The result as `lobetrace analyze --json` prints it: the shape of analysis/result.schema.json.

        Raises DataError if a number is not finite.

        >>> import analysis
        >>> analysis.open_job("sample-captures/clean").measure().to_dict()["tdc"]["method"]
        'stop'
        """
        from analysis.lobe.result_json import result_json  # which knows the shapes of this module

        return result_json(self)

    def to_arrow(self) -> Any:
        """Every number as a row of an Arrow table: path, value, u95, u, dof, unit, place. Raises UsageError without pyarrow.

        >>> import analysis
        >>> table = analysis.open_job("sample-captures/clean").measure().to_arrow()
        >>> table.column_names
        ['path', 'value', 'u95', 'u', 'dof', 'unit', 'place']
        """
        try:
            import pyarrow as pa
        except ImportError as error:
            raise UsageError("Arrow tables need pyarrow", do="Install it with: pip install 'lobetrace[archive]'") from error
        rows = [
            {"path": path, "value": q.value, "u95": q.u95, "u": q.u, "dof": q.dof, "unit": q.unit, "place": q.place}
            for path, q in self.quantities().items()
        ]
        return pa.Table.from_pylist(rows)

    def entries(self) -> Iterator[Entry]:
        """Every number of the tree: TDC, lobe by lobe, the camshaft."""
        yield Entry("tdc", "tdc", self.tdc.count)
        for lobe in self.lobes:
            yield from _of_lobe(lobe)
        if self.cam is not None:
            yield Entry("cam.separation", "separation", self.cam.separation)
            yield Entry("cam.advance", "advance", self.cam.advance)
            if self.cam.overlap is not None:
                yield Entry("cam.overlap", "overlap", self.cam.overlap, lift_mm=self.cam.overlap_lift_mm)

    def quantities(self) -> dict[str, Quantity]:
        """Every number of the tree by its path: "tdc", "intake.events.1.27.opens", "exhaust.centerline", "cam.overlap".

        >>> import analysis
        >>> found = analysis.open_job("sample-captures/clean").measure()
        >>> print(found.quantities()["exhaust.centerline"])
        110.0... BTDC +/-0...
        """
        return {entry.path: entry.quantity for entry in self.entries()}


def _of_lobe(lobe: Lobe) -> Iterator[Entry]:
    valve = lobe.valve
    for event in lobe.events:
        for kind, quantity in (("opens", event.opens), ("closes", event.closes), ("duration", event.duration)):
            yield Entry(f"{valve}.events.{event.lift_mm:g}.{kind}", kind, quantity, valve, event.lift_mm)
    yield Entry(f"{valve}.centerline", "centerline", lobe.centerline, valve)
    for name, centerline in lobe.centerlines.items():
        if name != "equal_lift":
            yield Entry(f"{valve}.centerline.{name}", f"centerline by {name}", centerline, valve)
    yield Entry(f"{valve}.peak_lift", "peak lift", lobe.peak_lift, valve)
    yield Entry(f"{valve}.peak_lobe_lift", "peak lobe lift", lobe.peak_lobe_lift, valve)
    for kind, maybe in (("slack", lobe.slack), ("lag", lobe.lag)):
        if maybe is not None:
            yield Entry(f"{valve}.{kind}", kind, maybe, valve)
