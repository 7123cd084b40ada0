"""`lobetrace overlay` from outside: words, exit codes, JSON, the table, and what it says if there is nothing to lay over."""

from __future__ import annotations

import json
import sys
from dataclasses import replace
from importlib import resources
from pathlib import Path
from xml.etree import ElementTree

import jsonschema
import numpy as np
import pandas as pd
import pytest

from acquire.cli import run
from acquire.simulator.rig import Rig
from acquire.simulator.scenarios import Scenario
from acquire.simulator.truth import truth
from analysis.capture import load
from analysis.curve.tabulated import curve_table
from analysis.diagnosis.examine import examine
from analysis.job import load_job
from tests.recorded import demo_job, job_folder
from tests.rigs import SHORT

SCHEMA = json.loads((resources.files("analysis") / "overlay.schema.json").read_text(encoding="utf-8"))
TEXT = demo_job(Scenario("short", "A short rig.", SHORT))
OTHER_RATIO: Rig = replace(SHORT, train=replace(SHORT.train, ratio=SHORT.train.ratio * 1.03), seed=3)


@pytest.fixture(scope="module")
def twice(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Intake swept twice, exhaust once."""
    folder = tmp_path_factory.mktemp("twice")
    job_folder(folder, TEXT, SHORT)
    return job_folder(folder, TEXT, replace(SHORT, seed=2), ("intake",))


def test_two_sweeps_of_one_lobe_are_alike(twice: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["overlay", str(twice)]) == 0
    out, err = capsys.readouterr()
    assert "exhaust-01.csv" in err
    assert "nothing to be compared with" in err
    head, columns, line = out.splitlines()[:1] + out.splitlines()[-2:]
    assert head.startswith("INTAKE, lift at the valve: each lobe against intake-01.csv")
    assert columns.split() == ["lobe", "later", "by,", "deg", "what", "differs"]
    assert line.endswith(" reference; the other: alike")
    assert "EXHAUST" not in out
    assert max(map(len, out.splitlines())) <= 80


def test_details_show_every_sweep(twice: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["overlay", str(twice), "--details"]) == 0
    out = capsys.readouterr().out
    assert f"INTAKE: intake-02.csv of {twice.name}, cylinder 1" in out
    assert "Alike: nowhere do they differ" in out
    assert max(map(len, out.splitlines())) <= 80


def test_a_lobe_that_differs_is_named_and_the_comparison_is_made(
    twice: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Each capture keeps its own job's TDC, wherever it is named."""
    other = job_folder(tmp_path, TEXT, OTHER_RATIO, ("stop", "intake"))
    first, second = twice / "captures" / "intake-01.csv", other / "captures" / "intake-01.csv"
    assert run(["overlay", str(twice), str(first), str(second), "--json"]) == 0
    found = json.loads(capsys.readouterr().out)
    jsonschema.validate(found, SCHEMA)
    (valve,) = found["valves"]
    mine, their = valve["lobes"]
    assert (mine["job"], their["job"]) == (twice.name, other.name)
    (size,) = [each["size"] for each in their["whole"]["named"] if each["kind"] in ("scale", "tilt")]
    assert size["value"] == pytest.approx(0.03, abs=0.003)
    (sweep,) = their["sweeps"]
    assert sweep["capture"] == "intake-01.csv"
    assert set(sweep["identity"]) == {"customer", "operator", "engine_number", "camshaft", "camshaft_serial"}
    each = sweep["difference"]
    assert len(each["deg"]) == len(each["higher_mm"]) == len(each["u95_mm"]) == len(each["limit_mm"])


def test_the_table_opens_as_it_is_and_holds_every_profile(
    twice: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "profiles.csv"
    assert run(["overlay", str(twice), "--table", str(file), "--step", "0.5"]) == 0
    assert f"{file} holds 3 profiles" in capsys.readouterr().err
    table = pd.read_csv(file)
    assert set(table.capture) == {"intake-01.csv", "intake-02.csv", "exhaust-01.csv"}
    mine = table[table.capture == "intake-01.csv"]
    assert (mine.deg.diff().dropna() == 0.5).all()
    assert mine.lift_mm.max() == pytest.approx(truth(SHORT).lobe("intake").peak_lift_mm, abs=0.02)
    assert (mine.filter(like="u_") > 0).all(axis=None)


def test_one_sweep_has_a_table_but_nothing_to_lie_on(twice: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    one = str(twice / "captures" / "exhaust-01.csv")
    assert run(["overlay", str(twice), one]) == 2
    assert "no valve has two sweeps to overlay. Sweep it again" in capsys.readouterr().err
    assert run(["overlay", str(twice), one, "--table", str(tmp_path / "one.csv")]) == 0


def test_a_sweep_that_says_nothing_is_left_out_with_its_reason(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The way back over a lobe that was not swept forward."""
    job_folder(tmp_path, TEXT, SHORT, ("stop", "exhaust", "backward"))
    job_folder(tmp_path, TEXT, replace(SHORT, seed=2), ("exhaust",))
    assert run(["overlay", str(tmp_path)]) == 0
    out, err = capsys.readouterr()
    assert "! " in err
    assert "backward-01.csv: the crank was turned backward only" in err
    assert "EXHAUST" in out


def test_the_way_back_is_said_to_tell_the_slack(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    job_folder(tmp_path, TEXT, SHORT, ("stop", "intake", "backward"))
    job_folder(tmp_path, TEXT, replace(SHORT, seed=2), ("intake",))
    assert run(["overlay", str(tmp_path)]) == 0
    err = capsys.readouterr().err
    assert "backward-01.csv was turned backward and tells only the slack of intake-01.csv" in err
    assert "!" not in err
    assert run(["analyze", str(tmp_path)]) == 0
    assert "backward-01.csv: turned backward, tells only the slack" in capsys.readouterr().out


def test_a_capture_is_never_written_over(twice: Path, capsys: pytest.CaptureFixture[str]) -> None:
    capture = twice / "captures" / "intake-01.csv"
    before = capture.read_bytes()
    assert run(["overlay", str(twice), "--table", str(capture)]) == 2
    assert "is not overwritten" in capsys.readouterr().err
    assert capture.read_bytes() == before


@pytest.mark.parametrize("ending", ["html", "svg"])
def test_a_chart_is_drawn_without_matplotlib(
    ending: str, twice: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / f"chart.{ending}"
    for _ in range(2):  # an older one of ours is replaced
        assert run(["overlay", str(twice), "--plot", str(file)]) == 0
    text = file.read_text(encoding="utf-8")
    assert "is written" in capsys.readouterr().err
    assert "<script" not in text
    root = ElementTree.fromstring(text.replace("<!doctype html>", "")) if ending == "svg" else None
    assert root is None or len(root.findall(".//{*}polyline")) >= 4
    assert "Intake lobes at the valve" in text


def lift_table(file: Path, of: Path, sweep: str) -> Path:
    """What one sweep of a job shows, as a lift table."""
    table = examine(load_job(of), [load(of / "captures" / "stop-01.csv"), load(of / "captures" / sweep)])
    (lobe,) = table.lobes
    found = curve_table(lobe.swept.curve, 1.0)
    lift = np.maximum((found.value[0] + SHORT.train.lash_mm) / SHORT.train.ratio, 0.0)
    rows = (f"{deg:.3f},{mm:.4f}" for deg, mm in zip(found.deg, lift, strict=True))
    file.write_text("crank_deg,lift_mm\n" + "\n".join(rows) + "\n", encoding="utf-8")
    return file


def test_each_valve_against_a_nominal_table_of_its_own(twice: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """The rig's exhaust lobe is lower than its intake: against the other valve's table a lobe is of another size."""
    intake = lift_table(tmp_path / "intake.csv", twice, "intake-01.csv")
    other = tmp_path / "higher.csv"
    head, *rows = intake.read_text(encoding="utf-8").split()
    cells = [row.split(",") for row in rows]
    other.write_text("\n".join([head, *(f"{deg},{1.1 * float(mm):.4f}" for deg, mm in cells)]) + "\n", encoding="utf-8")

    def kinds(*given: str) -> dict[str, set[str]]:
        assert run(["overlay", str(twice), "--against", "nominal", *given, "--json"]) == 0
        found = json.loads(capsys.readouterr().out)
        jsonschema.validate(found, SCHEMA)
        return {
            valve["valve"]: {each["kind"] for lobe in valve["lobes"] for each in lobe["whole"]["named"]}
            for valve in found["valves"]
        }

    assert set(kinds("--nominal", f"intake={intake}")) == {"intake"}
    both = kinds("--nominal", str(intake))
    one = kinds("--nominal", f"intake={intake}", "--nominal", f"exhaust={other}")
    rest = kinds("--nominal", str(other), "--nominal", f"intake={intake}")
    assert set(both) == {"intake", "exhaust"}
    assert both["intake"] == one["intake"] == rest["intake"]
    assert one["exhaust"] == rest["exhaust"] != both["exhaust"]
    assert not both["intake"] & {"scale", "height"}
    assert run(["overlay", str(twice), "--against", "nominal", "--nominal", str(other), "--nominal", str(intake)]) == 2
    assert "two lift tables of both valves" in capsys.readouterr().err
    twins = [word for file in (other, intake) for word in ("--nominal", f"exhaust={file}")]
    assert run(["overlay", str(twice), "--against", "nominal", *twins]) == 2
    assert "two lift tables of the exhaust lobes" in capsys.readouterr().err
    assert run(["overlay", str(twice), "--nominal", str(other)]) == 2
    assert "Add --against nominal" in capsys.readouterr().err


def test_a_chart_of_another_kind_is_refused(twice: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["overlay", str(twice), "--plot", str(tmp_path / "chart.gif")]) == 2
    assert ".html, .svg or .png" in capsys.readouterr().err


def test_png_without_matplotlib_says_what_to_install(
    twice: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setitem(sys.modules, "matplotlib.backends.backend_agg", None)
    monkeypatch.setitem(sys.modules, "matplotlib.figure", None)
    assert run(["overlay", str(twice), "--plot", str(tmp_path / "chart.png")]) == 2
    assert "pip install 'lobetrace[plot]'" in capsys.readouterr().err


def test_png_by_matplotlib(twice: Path, tmp_path: Path) -> None:
    pytest.importorskip("matplotlib")
    file = tmp_path / "chart.png"
    assert run(["overlay", str(twice), "--plot", str(file)]) == 0
    assert file.read_bytes().startswith(b"\x89PNG\r\n")
