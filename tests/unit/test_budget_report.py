"""The budget table of a whole measurement: what it prints, what its JSON holds, and drawing as the judge of its intervals."""

from __future__ import annotations

import json
import math
import re
from functools import cache
from importlib import resources
from pathlib import Path

import jsonschema
import numpy as np
import pytest

from acquire.cli import run
from acquire.simulator.rig import Rig
from acquire.simulator.train import Train
from analysis.base.quantity import Quantity, Source, correlation
from analysis.base.words import Units
from analysis.diagnosis.examine import examine
from analysis.lobe.result import Measurement, Tdc
from analysis.report.budget import budget_json, budget_text, budgets, main_names
from tests.recorded import captures, job_folder
from tests.rigs import SHORT, job_for

JOB = """
format = 1
[engine]
cylinders = 4
firing_order = [1, 3, 4, 2]
bore_mm = 84.0
stroke_mm = 86.0
rod_mm = 143.0
[rig]
indicator_at = "valve"
rocker_ratio = 1.5
lash_mm = 0.2
encoder_offcenter_deg = 0.1
indicator_tilt_deg = 2.0
cam_runout_mm = 0.005
indicator_error_mm = 0.01
[measure]
checking_lifts_mm = [0.5, 1.27]
checking_at = "lobe"
"""

BENCH = {"indicator_at": "valve", "rocker_ratio": 1.5, "lash_mm": 0.2}


@cache
def found(phases: tuple[str, ...] = ("stop", "intake", "exhaust")) -> Measurement:
    """A measurement with every bound stated."""
    rig = Rig(train=Train(lash_mm=0.2, runout_mm=0.005), encoder=SHORT.encoder, work=SHORT.work)
    bounds = {"indicator_error_mm": 0.01, "encoder_offcenter_deg": 0.1, "indicator_tilt_deg": 2.0, "cam_runout_mm": 0.005}
    return examine(job_for(rig, rig=bounds | BENCH), captures(rig, phases))


def only_tdc(count: Quantity) -> Measurement:
    return Measurement(Tdc(count.labelled("count"), "given"), (), None)


def draw(source: Source, rng: np.random.Generator, n: int) -> np.ndarray:
    """Draws of a source of unit standard uncertainty, or of unit scale for a t distribution (JCGM 101:2008, table 1)."""
    if source.distribution == "rectangular":
        return rng.uniform(-1.0, 1.0, n) * math.sqrt(3)
    if source.distribution == "triangular":
        return rng.triangular(-1.0, 0.0, 1.0, n) * math.sqrt(6)
    if source.distribution == "arcsine":
        return np.sin(rng.uniform(-np.pi / 2, np.pi / 2, n)) * math.sqrt(2)
    return rng.standard_t(source.dof, n) if math.isfinite(source.dof) else rng.normal(size=n)


@pytest.mark.parametrize("phases", [("stop", "intake", "exhaust"), ("travel", "intake")])
@pytest.mark.parametrize("seed", [101])
def test_drawing_judges_every_interval(phases: tuple[str, ...], seed: int) -> None:
    """JCGM 101:2008: all causes of a real measurement drawn at once, 200,000 times; equal names are drawn once."""
    rng, n, drawn = np.random.default_rng(seed), 200_000, {}
    quantities = budgets(found(phases))
    assert len(quantities) > 10
    for name, quantity in quantities.items():
        error = np.zeros(n)
        for source, part in quantity.parts.items():
            if source not in drawn:
                drawn[source] = draw(source, rng, n)
            error += part * drawn[source]
        assert quantity.u95 == pytest.approx(float(np.quantile(np.abs(error), 0.95)), rel=0.015), name


def test_drawing_judges_what_numbers_share() -> None:
    """The correlation coefficients, by drawing every cause once as normal."""
    quantities, rng, n = budgets(found()), np.random.default_rng(7), 100_000
    names = main_names(found())
    sources = {source for name in names for source in quantities[name].parts}
    drawn = {source: rng.normal(size=n) for source in sorted(sources, key=lambda s: s.name)}
    errors = np.array([sum(part * drawn[s] for s, part in quantities[name].parts.items()) for name in names])
    ours = np.array([[correlation(quantities[a], quantities[b]) for b in names] for a in names])
    assert np.abs(np.corrcoef(errors) - ours).max() < 0.02


def test_one_tdc_moves_every_event_and_leaves_durations_alone() -> None:
    quantities = budgets(found())
    touched = [source for source in quantities["tdc"].parts if source.name.startswith("TDC")]
    assert touched
    per_count = 360.0 / 1200
    for name in quantities:
        for source in touched:
            part, whole = quantities[name].parts.get(source, 0.0), quantities["tdc"].parts[source]
            if any(word in name for word in ("opens", "closes", "centerline")):
                assert part == pytest.approx(-per_count * whole), name
            elif "duration" in name or "peak lift" in name or name in ("separation", "overlap 1.27"):
                assert part == pytest.approx(0.0, abs=1e-12), name
    assert correlation(quantities["tdc"], quantities["intake opens 1.27"]) < -0.3


@pytest.mark.parametrize(
    ("units", "heads"),
    [
        ("mm", ("intake opens 1.27: ", "exhaust duration 0.50: ", "overlap 2.54: ")),
        ("in", ("intake opens 0.050: ", "exhaust duration 0.0197: ", "overlap 0.100: ")),
    ],
)
def test_the_table_holds_the_main_numbers_and_adds_up(units: Units, heads: tuple[str, ...]) -> None:
    text = budget_text(found(), units)
    assert not re.search({"mm": r"[0-9] in\b", "in": r"[0-9] mm\b"}[units], text)
    for head in ("TDC: ", "intake centerline: ", "separation: ", *heads):
        assert f"\n{head}" in text, head
    assert "intake peak lift" in text
    assert "TDC: contacts with the stop" in text
    for block in text.split("\n\n")[1:-1]:
        rows = block.splitlines()[2:-1]
        parts = [float(row[69:83]) for row in rows]
        total = float(block.splitlines()[-1][52:69].split()[0])
        assert math.sqrt(sum(part**2 for part in parts)) == pytest.approx(total, rel=6e-3, abs=2e-5), block
        assert [abs(part) for part in parts] == sorted((abs(part) for part in parts), reverse=True)


def test_contribution_is_sensitivity_times_standard_uncertainty() -> None:
    """JCGM 100:2008, 5.1.3. A lift's error moves an event by one over the slope of its flank there."""
    measured_ = found()
    lobe = measured_.intake
    slope = float(lobe.swept.curve.spline.value(lobe.opens(1.27).value, 1))
    (event,) = (n for n in budget_json(measured_)["numbers"] if n["name"] == "intake opens 1.27")
    assert math.fsum(c["contribution"] ** 2 for c in event["components"]) == pytest.approx(event["u"] ** 2)
    for component in event["components"]:
        assert component["contribution"] == pytest.approx(component["sensitivity"] * component["u"])
    by_name = {c["source"]: c for c in event["components"]}
    assert by_name["indicator's own error, intake lobe"]["sensitivity"] == pytest.approx(1 / slope, rel=0.02)
    assert by_name["indicator's own error, intake lobe"]["u"] == pytest.approx(0.01 / math.sqrt(3))
    assert by_name["indicator's own error, intake lobe"]["unit"] == "mm"
    scatter = next(c for name, c in by_name.items() if name.startswith("scatter within"))
    assert scatter["sensitivity"] == pytest.approx(1 / slope, rel=0.02)


def test_a_number_without_uncertainty_has_no_components() -> None:
    (tdc,) = budget_json(only_tdc(Quantity(3.0)))["numbers"]
    assert (tdc["components"], tdc["u"], tdc["u95"], tdc["dof"]) == ([], 0.0, 0.0, None)
    assert "TDC: 3.0000 counts" in budget_text(only_tdc(Quantity(3.0)), "mm")


def test_the_command_prints_and_writes_it(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = job_folder(tmp_path, JOB, SHORT, ("stop", "intake"))
    schema = json.loads((resources.files("analysis") / "result.schema.json").read_text(encoding="utf-8"))
    assert run(["analyze", str(folder)]) == 0
    assert "BUDGET" not in capsys.readouterr().out
    assert run(["analyze", str(folder), "--budget"]) == 0
    out = capsys.readouterr().out
    assert out.index("CAMSHAFT SHEET") < out.index("UNCERTAINTY BUDGET") < out.index("CORRELATION")
    assert run(["analyze", str(folder), "--budget", "--json"]) == 0
    document = json.loads(capsys.readouterr().out)
    jsonschema.Draft202012Validator(schema).validate(document)
    names = [number["name"] for number in document["budget"]["numbers"]]
    assert names[0] == "tdc"
    assert "intake opens 0.5" in names
    (number,) = (n for n in document["budget"]["numbers"] if n["name"] == "intake opens 1.27")
    event = document["lobes"][0]["events"][1]["opens_deg"]
    assert (number["value"], number["u95"]) == pytest.approx((event["value"], event["u95"]))
    matrix = np.array(document["budget"]["correlation"]["matrix"])
    assert np.diag(matrix) == pytest.approx(1.0)
    assert matrix == pytest.approx(matrix.T)
    assert run(["analyze", str(folder), "--json"]) == 0
    assert "budget" not in json.loads(capsys.readouterr().out)


def test_degrees_of_freedom_fit_their_column() -> None:
    """Beyond some thousands they are as good as infinite: Student's t has come to 1.960 (JCGM 100:2008, G.3)."""
    few, many = Source("few readings", u=0.1, dof=9.0), Source("a bound", u=1.0, distribution="rectangular")
    text = budget_text(only_tdc(Quantity(1000.0).with_part(many, 1.0).with_part(few, 0.001)), "mm")
    (last,) = [line for line in text.splitlines() if "together" in line]
    assert last.split("counts")[1].split()[0] == "inf"
    text = budget_text(only_tdc(Quantity(1000.0).with_part(many, 1.0).with_part(few, 0.5)), "mm")
    (last,) = [line for line in text.splitlines() if "together" in line]
    assert last.split("counts")[1].split()[0] == "225.0"  # 9 (1 + 0.25)^2 / 0.5^4
