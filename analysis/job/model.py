"""job.toml: the engine, the rig, what to measure and what the camshaft is specified to do, validated and with units.

Every length has its unit in its key. Inside it is millimetres; a key that ends _mm may be written with _in instead, never both.
"""

from __future__ import annotations

import logging
import tomllib
from pathlib import Path
from typing import Annotated, Any, Literal, Self

from pydantic import Field, PrivateAttr, ValidationError, model_validator

from analysis.base.errors import UsageError
from analysis.base.regular import open_regular
from analysis.base.samples import Identity
from analysis.job.clearance_keys import Clearance, Spring, TimingSet
from analysis.job.explain import usage_error
from analysis.job.lift_table import LiftTable, read_lift_table
from analysis.job.toml_table import At, Degrees, Lash, Lift, Lifts, Table, within

FILE_NAME = "job.toml"
_log = logging.getLogger(__name__)


class Engine(Table):
    """[engine]: crank geometry. `pin_offset_mm` is positive toward the side the crank pin moves to after TDC."""

    name: str = ""
    cylinders: Annotated[int, within(1, 24)]
    firing_order: Annotated[tuple[int, ...], Field(strict=False)]
    bore_mm: Annotated[float, within(20, 500)]
    stroke_mm: Annotated[float, within(20, 400)]
    rod_mm: Annotated[float, within(40, 1000)]
    pin_offset_mm: Annotated[float, within(-10, 10)] = 0.0
    compression_ratio: Annotated[float, within(2, 40)] | None = None

    @model_validator(mode="after")
    def _possible(self) -> Self:
        if sorted(self.firing_order) != list(range(1, self.cylinders + 1)):
            raise ValueError(f"firing_order must name each of the cylinders 1 to {self.cylinders} once")
        if self.rod_mm <= 0.6 * self.stroke_mm:
            raise ValueError(
                f"rod_mm = {self.rod_mm:g} is too short for stroke_mm = {self.stroke_mm:g} (a rod is measured center to center)"
            )
        return self


# What a bound is where the job is silent: the usual one of the trade, not zero (common practice). A ratio of 1 is no rocker's, and
# where the indicator stands at the lobe neither ratio nor lash comes between.
USUAL_RATIO_SHARE, USUAL_LASH_MM = 0.02, 0.03
USUAL_BOUNDS = {"encoder_offcenter_deg": 0.1, "indicator_tilt_deg": 2.0, "indicator_error_mm": 0.01, "cam_runout_mm": 0.01}
BOUNDS = (*USUAL_BOUNDS, "rocker_ratio_error", "lash_error_mm")


def _usual_ratio_error(rig: dict[str, Any]) -> float:
    ratio = float(rig.get("rocker_ratio", 1.0))
    return round(USUAL_RATIO_SHARE * ratio, 4) if rig.get("indicator_at") == "valve" and ratio != 1.0 else 0.0


def _usual_lash_error(rig: dict[str, Any]) -> float:
    return USUAL_LASH_MM if rig.get("indicator_at") == "valve" else 0.0


class Rig(Table):
    """[rig]: encoder and indicator as they are fitted, and the bounds of their errors. See the template for each key.

    A bound that is left out is the usual one; 0 says exact, and must be written. `stated` names those that were.
    """

    port: str = ""
    baud: Annotated[int, within(300, 4_000_000)] = 115200
    dtr: bool = False
    rts: bool = False
    direction: Literal["auto", "up", "down"] = "auto"
    indicator_at: At = "valve"
    indicator_sign: Literal[1, -1] = 1
    rocker_ratio: Annotated[float, within(0.8, 3)] = 1.0
    rocker_ratio_error: Annotated[float, within(0, 0.5)] = Field(default_factory=_usual_ratio_error)
    lash_mm: Lash = 0.0
    lash_error_mm: Annotated[float, within(0, 0.5)] = Field(default_factory=_usual_lash_error)
    slack_allowance_deg: Annotated[float, within(0, 45)] = 5.0
    encoder_offcenter_deg: Annotated[float, within(0, 5)] = USUAL_BOUNDS["encoder_offcenter_deg"]
    indicator_tilt_deg: Annotated[float, within(0, 30)] = USUAL_BOUNDS["indicator_tilt_deg"]
    indicator_error_mm: Annotated[float, within(0, 1)] = USUAL_BOUNDS["indicator_error_mm"]
    cam_runout_mm: Annotated[float, within(0, 1)] = USUAL_BOUNDS["cam_runout_mm"]
    indicator_latency_ms: Annotated[float, within(0, 1000)] = 150.0
    stop_depth_mm: Annotated[float, within(0.1, 100)] | None = None
    tdc_count: Annotated[float, within(-(2**53), 2**53)] | None = None

    @property
    def stated(self) -> frozenset[str]:
        """The bounds of errors that the job gives."""
        return frozenset(self.model_fields_set) & frozenset(BOUNDS)


class Record(Table):
    """[record]: who measured what, for the sheet and the headers of captures. Every key may be left out."""

    customer: str = ""
    operator: str = ""
    engine_number: str = ""
    camshaft: str = ""
    camshaft_serial: str = ""


class Measure(Table):
    """[measure]: which cylinder, at which checking lifts, and the units of the sheet."""

    cylinder: Annotated[int, within(1, 24)] = 1
    checking_lifts_mm: Lifts = (0.15, 0.5, 1.0, 1.27)
    checking_at: At = "lobe"
    units: Literal["mm", "in"] = "mm"


class DurationSpec(Table):
    """What the maker says of one checking lift. `opens` and `closes` are signed crank degrees after gas-exchange TDC, or None."""

    lift_mm: Annotated[float, within(0.01, 20)]
    at: At = "lobe"
    deg: Annotated[float, within(60, 480)]

    @property
    def opens(self) -> float | None:
        """Signed opening angle, if the maker gives it."""
        return None

    @property
    def closes(self) -> float | None:
        """Signed closing angle, if the maker gives it."""
        return None

    @model_validator(mode="before")
    @classmethod
    def _sum_of_readings(cls, data: Any) -> Any:
        """A card that gives both readings has given the duration: half a turn lies between their dead centers."""
        if not isinstance(data, dict) or "deg" in data:
            return data
        readings = [value for key, value in data.items() if key.endswith("dc_deg")]
        whole = len(readings) == 2 and all(isinstance(r, int | float) and not isinstance(r, bool) for r in readings)
        return {**data, "deg": 180.0 + sum(readings)} if whole else data

    @model_validator(mode="after")
    def _agrees(self) -> Self:
        if self.opens is not None and self.closes is not None and abs(self.closes - self.opens - self.deg) > 1.0:
            raise ValueError(
                f"deg = {self.deg:g} does not fit the opening and closing given: they make {self.closes - self.opens:g}"
            )
        return self


class IntakeDuration(DurationSpec):
    """[[specification.intake.duration]]; negative says the other side of the dead center."""

    opens_btdc_deg: Degrees | None = None
    closes_abdc_deg: Degrees | None = None

    @property
    def opens(self) -> float | None:
        """Signed opening angle, if the maker gives it."""
        return None if self.opens_btdc_deg is None else -self.opens_btdc_deg

    @property
    def closes(self) -> float | None:
        """Signed closing angle, if the maker gives it."""
        return None if self.closes_abdc_deg is None else 180.0 + self.closes_abdc_deg


class ExhaustDuration(DurationSpec):
    """[[specification.exhaust.duration]]; negative says the other side of the dead center."""

    opens_bbdc_deg: Degrees | None = None
    closes_atdc_deg: Degrees | None = None

    @property
    def opens(self) -> float | None:
        """Signed opening angle, if the maker gives it."""
        return None if self.opens_bbdc_deg is None else -180.0 - self.opens_bbdc_deg

    @property
    def closes(self) -> float | None:
        """Signed closing angle, if the maker gives it."""
        return self.closes_atdc_deg


class ProfileSpec(Table):
    """[specification.intake.profile]: a lift table beside job.toml, and how wide the zone about it is that the lobe must keep within
    (line profile, ISO 1101). `table` is what the file held when the job was read.
    """

    file: Annotated[str, Field(min_length=1)]
    tolerance_mm: Annotated[float, within(0.001, 5)]
    _table: LiftTable | None = PrivateAttr(default=None)

    @property
    def table(self) -> LiftTable | None:
        """The lift table; None where the job was not read from a folder."""
        return self._table

    def read(self, folder: Path) -> None:
        """Read the table, whose name counts from the job's folder. Raises UsageError."""
        self._table = read_lift_table(folder / self.file)


class LobeSpec(Table):
    """What the maker says of a lobe. `centerline_deg` is ATDC for an intake and BTDC for an exhaust lobe."""

    lobe_lift_mm: Lift | None = None
    valve_lift_mm: Lift | None = None
    centerline_deg: Annotated[float, within(60, 160)] | None = None
    lash_mm: Lash | None = None
    profile: ProfileSpec | None = None


class IntakeSpec(LobeSpec):
    """[specification.intake]."""

    duration: Annotated[tuple[IntakeDuration, ...], Field(strict=False)] = ()


class ExhaustSpec(LobeSpec):
    """[specification.exhaust]."""

    duration: Annotated[tuple[ExhaustDuration, ...], Field(strict=False)] = ()


class CamSpec(Table):
    """[specification.cam]: separation in cam degrees, advance in crank degrees (positive: intake earlier)."""

    separation_deg: Annotated[float, within(80, 140)] | None = None
    advance_deg: Annotated[float, within(-40, 40)] | None = None


class Tolerance(Table):
    """[specification.tolerance]: how far measured may lie from specified, each way. The defaults are common practice.

    `guard_band_factor`: how many expanded uncertainties are kept from each limit (JCGM 106:2012, 8.3.2): 1 as in ISO 14253-1, 0
    for none.
    """

    event_deg: Annotated[float, within(0.1, 20)] = 1.0
    duration_deg: Annotated[float, within(0.1, 20)] = 2.0
    centerline_deg: Annotated[float, within(0.1, 20)] = 1.0
    separation_deg: Annotated[float, within(0.1, 20)] = 1.0
    lift_mm: Annotated[float, within(0.001, 2)] = 0.1
    guard_band_factor: Annotated[float, within(0, 3)] = 1.0

    @model_validator(mode="before")
    @classmethod
    def _former_name(cls, keys: Any) -> Any:
        """Jobs of before 0.2 call the factor guard_band."""
        if isinstance(keys, dict) and "guard_band" in keys and "guard_band_factor" not in keys:
            keys = {("guard_band_factor" if key == "guard_band" else key): value for key, value in keys.items()}
        return keys


class Specification(Table):
    """[specification]: what the camshaft is to do, as far as the maker says."""

    intake: IntakeSpec = IntakeSpec.left_out()
    exhaust: ExhaustSpec = ExhaustSpec.left_out()
    cam: CamSpec = CamSpec.left_out()
    tolerance: Tolerance = Tolerance.left_out()

    def of(self, valve: str) -> IntakeSpec | ExhaustSpec:
        """What the maker says of the lobe of "intake" or "exhaust"."""
        return self.exhaust if valve == "exhaust" else self.intake


class Job(Table):
    """A whole job.toml."""

    format: Literal[1]
    record: Record = Record.left_out()
    engine: Engine
    rig: Rig = Rig.left_out()
    measure: Measure = Measure.left_out()
    specification: Specification = Specification.left_out()
    timing_set: TimingSet = TimingSet.left_out()
    clearance: Clearance = Clearance.left_out()
    spring: Spring = Spring.left_out()

    @property
    def identity(self) -> Identity:
        """[record] as a capture's header holds it."""
        return Identity(**self.record.model_dump())

    @model_validator(mode="after")
    def _cylinder_exists(self) -> Self:
        if self.measure.cylinder > self.engine.cylinders:
            raise ValueError(f"measure.cylinder = {self.measure.cylinder}, but the engine has {self.engine.cylinders}")
        return self


def load_job(path: Path) -> Job:
    """Read and check a job.toml, or the one in the folder `path`.

    Raises UsageError with the file, the line and key where they can be found, and what to write instead.
    """
    file = path / FILE_NAME if path.is_dir() else path
    try:
        with open_regular(file) as source:
            data = source.read()
    except FileNotFoundError:
        raise UsageError("there is no job file", where=str(file), do="Make one with: lobetrace new FOLDER") from None
    except OSError as error:
        raise UsageError(
            f"the job file cannot be read ({error.strerror})", where=str(file), do="Check that it is a file you may read"
        ) from None
    job = parse_job(data, where=str(file))
    _log.info("read %s: %s, %d cylinders", file, job.engine.name or "an engine without a name", job.engine.cylinders)
    for spec in (job.specification.intake, job.specification.exhaust):
        if spec.profile is not None:
            spec.profile.read(file.parent)
    return job


def parse_job(source: str | bytes, *, where: str = FILE_NAME) -> Job:
    """The same from text or the bytes of a file; `where` names it in errors. Raises UsageError."""
    text = source if isinstance(source, str) else _decoded(source, where)
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        said = str(error).replace("Cannot overwrite a value", "a key is given twice")
        raise UsageError(
            f"not valid TOML: {said}", where=where, do="Correct that line; text needs quotes, numbers a point"
        ) from None
    except (ValueError, RecursionError):
        raise _beyond(where) from None
    try:
        try:
            return Job.model_validate(data)
        except ValidationError as error:
            raise usage_error(error, Job, data, text, where) from None
    except (ValueError, RecursionError, OverflowError):
        raise _beyond(where) from None


def _decoded(data: bytes, where: str) -> str:
    try:
        return data.decode("utf-8-sig")  # editors of Windows put a mark before the first line
    except UnicodeDecodeError as error:
        line = data[: error.start].count(b"\n") + 1
        do = "Save the file as UTF-8 in your editor"
        raise UsageError("this is not UTF-8 text", where=f"{where}, line {line}", do=do) from None


def _beyond(where: str) -> UsageError:
    return UsageError("a number is too long or brackets are nested too deep", where=where, do="Write what the template shows")
