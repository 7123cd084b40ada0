"""`import analysis`: what a Python session has to do with, and that it costs nothing until it is used."""

from __future__ import annotations

import json
import math
import pickle
import subprocess
import sys
from functools import cache
from importlib import resources
from pathlib import Path

import jsonschema
import numpy as np
import pytest
import uncertainties
from hypothesis import given
from hypothesis import strategies as st

import analysis
from analysis.base.errors import DataError, UsageError
from analysis.base.quantity import Quantity, Source
from analysis.lobe.result import Measurement

CLEAN = Path(__file__).parents[2] / "sample-captures" / "clean"


@cache
def found() -> Measurement:
    return analysis.open_job(CLEAN).measure()


def test_the_face_imports_nothing_until_it_is_used() -> None:
    probe = "import sys, analysis; print(sorted(set(sys.modules) & {'numpy', 'scipy', 'pydantic', 'pyarrow'})); analysis.Quantity"
    done = subprocess.run([sys.executable, "-c", probe], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
    assert set(analysis.__all__) <= set(dir(analysis))
    assert analysis.errors.DataError is DataError
    with pytest.raises(AttributeError, match="no_such_name"):
        _ = analysis.no_such_name  # type: ignore[attr-defined]


def test_a_measurement_shows_itself_shortly_in_a_shell_and_as_a_table_in_a_notebook() -> None:
    text = repr(found())
    assert len(text) < 1200
    assert max(map(len, text.splitlines())) <= 80
    for part in (
        "intake opens at 1.27 mm, lobe",
        "ATDC +/-",
        "exhaust centerline",
        "BTDC +/-",
        "lobe separation angle",
        "cam deg",
    ):
        assert part in text
    assert not any(f" -{digit}" in text for digit in "0123456789"), "an angle has no minus"
    html = found()._repr_html_()
    assert html.count("<tr>") == len(text.splitlines())
    assert str(found().intake.centerline) in html


def test_an_event_at_any_lift_agrees_with_the_table_and_lies_between_its_neighbours() -> None:
    lobe = found().intake
    for event in lobe.events:
        assert lobe.opens(event.lift_mm) == event.opens
        assert lobe.closes(event.lift_mm) == event.closes
        assert lobe.duration(event.lift_mm) == event.duration
    assert lobe.opens(1.0).value < lobe.opens(1.1).value < lobe.opens(1.27).value
    assert lobe.opens(1.5, at="valve").value == pytest.approx(lobe.opens(1.0).value, abs=1e-9)  # the sample's ratio is 1.5
    with pytest.raises(DataError, match="below the checking lift"):
        lobe.opens(20.0)
    with pytest.raises(DataError, match="from a closed valve"):
        lobe.opens(0.0)


def test_the_curve_gives_lift_and_derivatives_with_their_errors_and_nothing_outside() -> None:
    """Velocity and acceleration against central differences of the lift (Taylor's theorem)."""
    curve = found().intake.curve
    deg = np.arange(curve.low + 5.0, curve.high - 5.0, 7.3)
    step = 1e-3
    assert curve(deg, derivative=1) == pytest.approx((curve(deg + step) - curve(deg - step)) / (2 * step), abs=1e-6)
    assert curve(deg, 2) == pytest.approx((curve(deg + step, 1) - curve(deg - step, 1)) / (2 * step), abs=1e-6)
    assert float(curve(found().intake.centerlines.peak.value)) == pytest.approx(
        found().intake.swept.curve.spline.value(107.0), abs=0.01
    )
    assert np.all(curve.error(deg) > 0)
    assert np.isnan(curve([curve.low - 1.0, curve.high + 1.0])).all()
    assert np.isnan(curve.error(curve.high + 1.0, derivative=1))


def test_the_dictionary_is_the_published_shape_and_the_table_holds_every_number() -> None:
    schema = json.loads((resources.files("analysis") / "result.schema.json").read_text(encoding="utf-8"))
    jsonschema.Draft202012Validator(schema).validate(found().to_dict())
    pytest.importorskip("pyarrow")
    table = found().to_arrow()
    assert table.num_rows == len(found().quantities()) > 30
    row = next(row for row in table.to_pylist() if row["path"] == "intake.events.1.27.opens")
    opens = found().intake.opens(1.27)
    assert (row["value"], row["u95"], row["unit"], row["place"]) == (opens.value, opens.u95, "deg", "intake opens")


def test_without_pyarrow_one_sentence_says_what_installs_it(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "pyarrow", None)
    with pytest.raises(UsageError, match=r"pyarrow.*pip install 'lobetrace\[archive\]'"):
        found().to_arrow()


def test_many_jobs_are_one_table_that_anything_reads() -> None:
    """pandas, polars and duckdb each read it through Arrow; the numbers are those of the jobs."""
    pd, pl = pytest.importorskip("pandas"), pytest.importorskip("polars")
    duckdb = pytest.importorskip("duckdb")
    jobs = analysis.open_jobs(CLEAN.parent / "cl*n")
    assert (len(jobs), jobs.refused, next(iter(jobs)).folder.name) == (1, {}, "clean")
    opens = found().intake.opens(1.27).value
    numbers = jobs.to_arrow()
    connection = duckdb.connect()
    connection.register("numbers", numbers)
    rows = connection.execute("select value from numbers where path = 'intake.events.1.27.opens'").fetchall()
    assert rows == [(opens,)]
    assert pl.DataFrame(jobs).filter(pl.col("path") == "intake.events.1.27.opens")["value"].to_list() == [opens]
    frame = pd.DataFrame.from_arrow(jobs)
    assert frame.loc[frame.path == "intake.events.1.27.opens", "value"].tolist() == [opens]
    with pytest.raises(UsageError, match="no job is named"):
        analysis.open_jobs(CLEAN / "none*")


def test_a_curve_as_labelled_array_and_as_plot() -> None:
    xr = pytest.importorskip("xarray")
    data = found().intake.curve.to_xarray(0.5)
    assert isinstance(data, xr.Dataset)
    assert data.velocity_mm_deg.sel(crank_deg=60.0).item() == pytest.approx(float(found().intake.curve(60.0, 1)))
    figure = pytest.importorskip("matplotlib.figure").Figure()
    axes = figure.add_subplot()
    assert found().intake.plot(axes, derivative=1) is axes
    assert axes.get_ylabel() == "velocity, mm/deg"
    assert len(axes.lines) == 1


@pytest.mark.parametrize(("library", "call"), [("xarray", "to_xarray"), ("matplotlib", "plot")])
def test_without_a_library_one_sentence_says_what_installs_it(library: str, call: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, library, None)
    lobe = found().intake
    with pytest.raises(UsageError, match=library):
        getattr(lobe.curve if call == "to_xarray" else lobe, call)()


def test_what_was_not_measured_is_asked_for_in_words() -> None:
    job = analysis.open_job(CLEAN)
    alone = analysis.opened.OpenJob(job.folder, job.job, job.captures[:2]).measure()
    with pytest.raises(DataError, match="exhaust lobe was not measured"):
        _ = alone.exhaust
    with pytest.raises(DataError, match="cylinder 3 was not swept"):
        job.measure(3)


def test_a_measurement_travels_between_processes() -> None:
    again = pickle.loads(pickle.dumps(found()))
    assert again == found()
    assert repr(again) == repr(found())


# --- arithmetic of quantities, held against the library `uncertainties` -----------------------------------------------------

NUMBERS = st.floats(-100, 100).filter(lambda x: abs(x) > 0.01)
WIDTHS = st.floats(0.001, 10)


@given(NUMBERS, NUMBERS, WIDTHS, WIDTHS, WIDTHS)
def test_all_arithmetic_agrees_with_another_library(a: float, b: float, own: float, other: float, shared: float) -> None:
    x = Quantity(a, {Source("own"): own, Source("shared"): shared})
    y = Quantity(b, {Source("other"): other, Source("shared"): -shared})
    one, two, both = (uncertainties.ufloat(0.0, u) for u in (own, other, shared))
    p, q = a + one + both, b + two - both
    for ours, theirs in (
        (x + y, p + q),
        (x - y, p - q),
        (-x, -p),
        (2 * x, 2 * p),
        (x / 2, p / 2),
        (1 - x, 1 - p),
        (1 + x, 1 + p),
        (x * y, p * q),
        (x / y, p / q),
        (3 / x, 3 / p),
        (abs(x), p if a > 0 else -p),
        (+x, p),
    ):
        assert ours.value == pytest.approx(theirs.nominal_value)
        assert ours.u == pytest.approx(theirs.std_dev, rel=1e-6, abs=1e-9)


def test_equal_quantities_are_one_in_a_set() -> None:
    x = Quantity(1.0, {Source("a"): 0.1, Source("b"): 0.2}, "deg", "intake opens")
    same = Quantity(1.0, {Source("b"): 0.2, Source("a"): 0.1}, "deg", "intake opens")
    assert {x, same, x + 0} == {x}
    assert x != x.labelled("deg")


def test_units_that_do_not_add_up_are_refused_and_a_ratio_has_none() -> None:
    mm, deg = Quantity(2.0, unit="mm"), Quantity(4.0, unit="deg")
    with pytest.raises(UsageError, match="mm and deg do not add up"):
        _ = mm + deg
    assert (mm / mm).unit == ""
    assert (2 * mm).unit == (mm + Quantity(1.0)).unit == "mm"


@pytest.mark.parametrize(
    ("quantity", "text"),
    [
        (Quantity(21.287, {Source("a"): 0.0408}, "deg", "intake opens"), "21.29 ATDC +/-0.08"),
        (Quantity(-41.3, {Source("a"): 0.05}, "deg", "intake opens"), "41.30 BTDC +/-0.10"),
        (Quantity(223.6, {Source("a"): 0.05}, "deg", "intake closes"), "43.60 ABDC +/-0.10"),
        (Quantity(7.60941, {Source("a"): 0.0031}, "mm"), "7.609 +/-0.006 mm"),
        (Quantity(-2.1, {Source("a"): 0.1}, "deg", "advance"), "2.10 retarded +/-0.20"),
        (Quantity(1000.412, {Source("a"): 0.19}, "count"), "1000.41 +/-0.37 counts"),
        (Quantity(25.174, {Source("a"): 0.168}, "ms"), "25.17 +/-0.33 ms"),
        (Quantity(1.5032, {Source("a"): 0.0009}), "1.5032 +/-0.0018"),
        (Quantity(math.nan, unit="deg"), "nan +/-0.00 deg"),
    ],
)
def test_a_person_reads_it(quantity: Quantity, text: str) -> None:
    assert str(quantity) == text
    assert repr(quantity) == f"<{text}>"
