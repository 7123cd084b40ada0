"""`lobetrace table`: the rows of an archive, going on where it stopped, single files, questions in SQL."""

from __future__ import annotations

import csv
import json
import re
import shutil
import signal
from contextlib import nullcontext
from pathlib import Path
from typing import Any

import polars as pl
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

import analysis
from acquire.cli import dataset, job_rows, run, table
from acquire.cli.job_files import Address, addresses
from acquire.cli.many import Alone
from acquire.cli.signals import Signals
from analysis.archive.rows import JobRows, as_columns
from analysis.archive.tables import FLAT, TABLES
from analysis.base.errors import UsageError
from tests.archived import SAMPLE, archive, tables
from tests.left_out import thorough

ROOT = Path(__file__).parents[2]
CLEAN = ROOT / "sample-captures" / "clean"


@pytest.fixture(scope="module")
def jobs(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Four jobs, of which one is broken, and one is a copy of another."""
    root = archive(tmp_path_factory.mktemp("archive") / "jobs", 3)
    (root / "000" / "engine-00001" / "job.toml").write_text("format = 2\n", encoding="utf-8")
    shutil.copytree(root / "000" / "engine-00002", root / "001" / "engine-copied")
    return root


@pytest.fixture(scope="module")
def made(jobs: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("tables") / "tables"
    assert run(["table", str(jobs), "-o", str(out)]) == 0
    return out


def test_every_number_is_a_row_with_its_uncertainty_and_identity(made: Path, jobs: Path) -> None:
    rows = {row["path"]: row for row in tables(made)["numbers"] if row["engine_number"] == "0"}
    numbers = analysis.open_job(jobs / "000" / "engine-00000").measure().quantities()
    assert {path: (row["value"], row["u95"]) for path, row in rows.items()} == {
        path: (number.value, number.u95) for path, number in numbers.items()
    }
    assert {row["job"] for row in rows.values()} == {"jobs/000/engine-00000"}
    row = rows["intake.events.1.27.opens"]
    assert (row["engine"], row["cylinder"], row["valve"], row["kind"], row["lift_mm"], row["at"], row["unit"]) == (
        "Tidewater 4",
        1,
        "intake",
        "opens",
        1.27,
        "lobe",
        "deg",
    )


def test_lines_findings_and_profiles_are_there(made: Path, jobs: Path) -> None:
    found = tables(made)
    (line,) = (row for row in found["lines"] if row["engine_number"] == "0" and row["kind"] == "centerline")
    assert (line["line"], line["specified"], line["verdict"]) == ("intake centerline", 107.0, "within")
    assert abs(line["value"] - 107.0) < line["u95"]
    assert {row["code"] for row in found["findings"] if row["key"] == line["key"]} == {"capture-incomplete", "direction-unproven"}
    curve = analysis.open_job(jobs / "000" / "engine-00000").measure().intake.curve
    profile = {row["deg"]: row["lift_mm"] for row in found["profiles"] if row["key"] == line["key"]}
    assert profile[107.0] == pytest.approx(float(curve(107.0)), abs=1e-5)
    assert set(profile) == set(range(-(-int(curve.low) // 1), int(curve.high) + 1))


def test_a_doubt_stands_beside_the_numbers_that_it_touches(tmp_path: Path) -> None:
    assert run(["table", str(ROOT / "sample-captures" / "bleed-down"), "-o", str(tmp_path / "t")]) == 0
    doubts = {row["path"]: row["doubts"] for row in tables(tmp_path / "t")["numbers"]}
    assert doubts["tdc"] is None
    assert doubts["intake.events.1.27.opens"] == "bleed-down"


def test_a_broken_job_is_a_row_in_errors_and_costs_itself_only(made: Path) -> None:
    found = tables(made)
    (error,) = found["errors"]
    assert error["job"] == "jobs/000/engine-00001"
    assert "job.toml" in error["error"]
    assert {row["job"]: row["verdict"] for row in found["jobs"]} == {
        "jobs/000/engine-00000": "within",
        "jobs/000/engine-00001": "cannot tell",
        "jobs/000/engine-00002": "within",
    }


def test_each_cylinder_has_its_rows_and_one_without_a_number_says_why(tmp_path: Path) -> None:
    folder = tmp_path / "two"
    shutil.copytree(CLEAN, folder)
    for number, name in enumerate(("2-intake.csv", "3-exhaust.csv"), 4):
        text = (folder / "captures" / name).read_text(encoding="utf-8").replace('"cylinder": 1', '"cylinder": 4')
        (folder / "captures" / f"{number}-{name[2:]}").write_text(text, encoding="utf-8")
    assert run(["table", str(folder), "-o", str(tmp_path / "t")]) == 0
    assert {row["cylinder"] for row in tables(tmp_path / "t")["numbers"]} == {1, 4}
    assert {row["cylinder"] for row in tables(tmp_path / "t")["profiles"]} == {1, 4}

    sweep = folder / "captures" / "4-intake.csv"
    sweep.write_text("\n".join(sweep.read_text(encoding="utf-8").splitlines()[:300]) + "\n", encoding="utf-8")
    (folder / "captures" / "5-exhaust.csv").unlink()
    assert run(["table", str(folder), "-o", str(tmp_path / "u")]) == 0
    found = tables(tmp_path / "u")
    assert {row["cylinder"] for row in found["numbers"]} == {1}
    assert {row["cylinder"] for row in found["errors"]} == {4}
    assert {row["cylinder"] for row in found["lines"]} == {1}


def test_what_stands_in_the_table_is_not_measured_again(
    made: Path, jobs: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    before = sorted(path.name for path in made.rglob("*.parquet"))
    monkeypatch.setattr(table, "job_rows", lambda _job: pytest.fail("measured again"))
    assert run(["table", str(jobs), "-o", str(made), "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert (told["jobs"], told["written"], told["there_already"]) == (4, 0, 4)
    assert sorted(path.name for path in made.rglob("*.parquet")) == before


def test_what_changed_is_measured_again_and_only_that(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    root = archive(tmp_path / "jobs", 2)
    assert run(["table", str(root), "-o", str(tmp_path / "t")]) == 0
    job = root / "000" / "engine-00001" / "job.toml"
    job.write_text(job.read_text(encoding="utf-8") + "# measured anew\n", encoding="utf-8")
    capsys.readouterr()
    assert run(["table", str(root), "-o", str(tmp_path / "t"), "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["written"] == 1
    assert [row["job"] for row in tables(tmp_path / "t")["jobs"]].count("jobs/000/engine-00001") == 2


def test_another_version_writes_its_own_rows(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    root = archive(tmp_path / "jobs", 1)
    out = str(tmp_path / "t")
    assert run(["table", str(root), "-o", out]) == 0
    for module in (table, job_rows):
        monkeypatch.setattr(module, "version", lambda: "9.9 (new)")
    assert run(["table", str(root), "-o", out]) == 0
    assert sorted(path.parent.name for path in (tmp_path / "t" / "jobs").rglob("*.parquet"))[1] == "version=9.9__new_"
    keys = [row["key"] for row in tables(tmp_path / "t")["jobs"]]
    assert len(keys) == 2
    assert len({*keys}) == 1


def test_a_chunk_that_was_broken_off_counts_as_never_written(tmp_path: Path) -> None:
    root = archive(tmp_path / "jobs", 1)
    out = tmp_path / "t"
    assert run(["table", str(root), "-o", str(out)]) == 0
    whole = tables(out)
    for part in (out / "jobs").rglob("*.parquet"):
        part.unlink()  # it is written last
    (next((out / "numbers").iterdir()) / ".000002-half.parquet").write_bytes(b"PAR1")
    assert dataset.parts(out, "numbers") == []
    assert run(["table", str(root), "-o", str(out)]) == 0
    assert tables(out) == whole
    assert len(list(out.rglob("*half*"))) == 0


@pytest.mark.parametrize("name", ["jobs.csv", *thorough("jobs.parquet", "jobs.arrow")])
def test_a_single_file_has_every_number_and_why_there_is_none(jobs: Path, made: Path, tmp_path: Path, name: str) -> None:
    out = tmp_path / name
    for _ in range(2):  # an older result of the same kind is replaced
        assert run(["table", str(jobs), "-o", str(out)]) == 0
        assert [path.name for path in tmp_path.iterdir()] == [name]
    read: Any = {".csv": pl.read_csv, ".parquet": pl.read_parquet, ".arrow": pl.read_ipc}
    rows = read[out.suffix](out).to_dicts()
    assert list(rows[0]) == list(FLAT)
    numbers = [row for row in rows if row["error"] is None]
    assert sorted((row["key"], row["path"], row["value"], row["u95"]) for row in numbers) == sorted(
        (row["key"], row["path"], row["value"], row["u95"]) for row in tables(made)["numbers"]
    )
    (broken,) = (row for row in rows if row["error"] is not None)
    assert broken["job"] == "jobs/000/engine-00001"


def test_a_spreadsheet_runs_nothing_of_it(tmp_path: Path) -> None:
    root = archive(tmp_path / "jobs", 1)
    job = root / "000" / "engine-00000" / "job.toml"
    text = job.read_text(encoding="utf-8").replace('engine_number = "0"', 'engine_number = "=HYPERLINK(\\"x\\")"')
    job.write_text(text, encoding="utf-8")
    assert run(["table", str(root), "-o", str(tmp_path / "t.csv")]) == 0
    with (tmp_path / "t.csv").open(encoding="utf-8", newline="") as file:
        assert {row["engine_number"] for row in csv.DictReader(file)} == {'\'=HYPERLINK("x")'}
    assert run(["table", str(root), "-o", str(tmp_path / "t")]) == 0
    query = "SELECT engine_number, -value AS v FROM numbers LIMIT 1"
    assert run(["table", str(tmp_path / "t"), "--query", query, "-o", str(tmp_path / "q.csv")]) == 0
    assert "'=HYPERLINK" in (tmp_path / "q.csv").read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ([], "add -o folder"),
        (["-o", "t.xlsx"], "is no table"),
        (["-o", "there"], "holds 'thesis.csv', which is no table of lobetrace"),
        (["-o", "none/t.csv"], "cannot be written"),
        (["-o", "there/thesis.csv"], "is not overwritten"),
    ],
)
def test_what_cannot_be_written_is_refused_before_the_work(
    jobs: Path,
    tmp_path: Path,
    arguments: list[str],
    words: str,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "there").mkdir()
    for name in ("thesis.txt", "thesis.csv"):
        (tmp_path / "there" / name).write_text("mine, and only mine", encoding="utf-8")
    monkeypatch.setattr(table, "job_rows", lambda _job: pytest.fail("worked before it was refused"))
    assert run(["table", str(jobs), *arguments]) == 2
    assert words in capsys.readouterr().err.lower()
    assert (tmp_path / "there" / "thesis.csv").read_text(encoding="utf-8") == "mine, and only mine"


def test_a_job_that_cannot_be_read_is_told_and_taken_up_next_time(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = str(tmp_path / "t")
    assert run(["table", str(tmp_path / "gone"), str(SAMPLE), "-o", out]) == 2
    told, err = capsys.readouterr()
    assert "1 could not be read" in told
    assert "! gone: it cannot be read (No such file or directory)" in err
    shutil.copytree(CLEAN, tmp_path / "gone")
    assert run(["table", str(tmp_path / "gone"), str(SAMPLE), "-o", out]) == 0
    assert len(tables(tmp_path / "t")["jobs"]) == 2


def test_a_single_file_keeps_what_it_was_made_of_while_a_job_is_missing(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    command = ["table", str(tmp_path / "gone"), str(SAMPLE), "-o", str(tmp_path / "t.csv"), "--json"]
    assert run(command) == 2
    assert (tmp_path / "t.csv").exists()
    shutil.copytree(CLEAN, tmp_path / "gone")
    capsys.readouterr()
    assert run(command) == 0
    assert json.loads(capsys.readouterr().out)["written"] == 1
    assert not (tmp_path / "t.csv.parts").exists()
    assert len({row["job"] for row in csv.DictReader((tmp_path / "t.csv").read_text(encoding="utf-8").splitlines())}) == 2


@pytest.mark.parametrize(
    ("command", "listed"), [(["check"], "acquire.cli.check.jobs_in"), (["table", "-o", "t"], "acquire.cli.table.addresses")]
)
def test_a_signal_while_jobs_are_looked_for_is_no_crash(
    tmp_path: Path, command: list[str], listed: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def told_to_end(_roots: Any) -> Any:
        signal.raise_signal(signal.SIGTERM)
        yield

    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(listed, told_to_end)
    assert run([*command, "jobs"]) == 128 + signal.SIGTERM
    assert "Interrupted" in capsys.readouterr().err


def test_a_job_is_found_from_wherever_a_worker_stands(jobs: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(jobs)
    found = list(addresses(["000", "001/engine-copied"]))
    assert [job.name for job in found] == ["000/engine-00000", "000/engine-00001", "000/engine-00002", "001/engine-copied"]
    assert all(Path(job.at).is_absolute() for job in found)


def test_an_address_is_read_as_a_folder_is(jobs: Path, made: Path, tmp_path: Path) -> None:
    remote = list(addresses([f"file://{jobs}"]))
    assert [job.name for job in remote] == [job.name for job in addresses([str(jobs)])]
    assert remote[0].at.startswith("file://")
    assert run(["table", f"file://{jobs}", "-o", str(tmp_path / "t")]) == 0
    assert tables(tmp_path / "t") == tables(made)


def test_chunks_are_written_as_time_goes_by_and_the_first_one_soon(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    now = 0.0

    def second(job: Address) -> JobRows:
        nonlocal now
        now += 1.0
        key = f"{len(job.name):032x}"
        return JobRows(job.name, table.version(), key, as_columns({"jobs": [{"key": key, "job": job.name}]}))

    monkeypatch.setattr(table, "job_rows", second)
    sizes: list[int] = []
    monkeypatch.setattr(dataset.Dataset, "write", lambda _self, chunk: sizes.append(len(chunk)))
    jobs = [Address("", "j" * (n + 1)) for n in range(60)]
    with Signals() as signals, nullcontext(Alone()) as crew:
        table.fill(dataset.Dataset(tmp_path, table.version()), iter(jobs), table.Done(60), crew, signals, lambda: now)
    assert sizes == [1, 20, 20, 19]


@pytest.mark.parametrize(
    ("done", "seconds", "words"),
    [
        (table.Done(1000, written=250), 50.0, "[#####               ] 250 of 1000 jobs, 5.0 a second, 2 min 30 s left"),
        (table.Done(10**6, written=100, broken=7), 1000.0, "2777 h 30 min left, 7 not measured"),
        (table.Done(0), 0.0, "[####################] 0 of 0 jobs, 0.0 a second"),
    ],
)
def test_progress_says_how_fast_and_how_long(done: table.Done, seconds: float, words: str) -> None:
    assert words in table.progress(done, seconds)


def asked(made: Path, query: str, capsys: pytest.CaptureFixture[str]) -> list[dict[str, Any]]:
    capsys.readouterr()
    assert run(["table", str(made), "--query", query, "--json"]) == 0
    rows: list[dict[str, Any]] = json.loads(capsys.readouterr().out)["rows"]
    return rows


def test_a_query_finds_what_the_tables_hold(made: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for name, rows in tables(made).items():
        (count,) = asked(made, f"SELECT count(*) AS n FROM {name}", capsys)
        assert count["n"] == len(rows)
    assert run(["table", str(made), "--query", "SELECT job, verdict, version FROM jobs ORDER BY job LIMIT 1"]) == 0
    assert capsys.readouterr().out.splitlines() == [
        "job                    verdict  version",
        f"jobs/000/engine-00000  within   {table.version()}",
    ]
    assert run(["table", str(made), "--query", "SELECT job FROM jobs WHERE false"]) == 0
    assert capsys.readouterr().out == "job\n"
    (nothing,) = asked(made, "SELECT 'nan'::DOUBLE AS n, DATE '2026-01-02' AS d", capsys)
    assert nothing == {"n": None, "d": "2026-01-02"}


BLOCKS = re.findall(r"^```sql\n(.*?)^```", (ROOT / "docs" / "archive.md").read_text(encoding="utf-8"), re.MULTILINE | re.DOTALL)


def test_the_worked_queries_answer_what_they_are_for(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """As they stand in docs/archive.md, on an archive in which one job is off and a new version judges one otherwise."""
    root = archive(tmp_path / "jobs", 3)
    for number, center in enumerate(("107.0", "104.0", "107.0")):
        job = root / "000" / f"engine-{number:05d}" / "job.toml"
        text = job.read_text(encoding="utf-8").replace("centerline_deg = 107.0", f"centerline_deg = {center}")
        job.write_text(text + 'camshaft = "T4-228"\ncamshaft_serial = "master"\n', encoding="utf-8")
    out = tmp_path / "t"
    assert run(["table", str(root), "-o", str(out)]) == 0
    for module in (table, job_rows):
        monkeypatch.setattr(module, "version", lambda: "0.3.0")
    real = job_rows.measured_rows

    def stricter(own: Any, *rest: Any) -> Any:
        rows = real(own, *rest)
        return (
            rows | {"jobs": [{**row, "verdict": "cannot tell"} for row in rows["jobs"]]} if own["engine_number"] == "2" else rows
        )

    monkeypatch.setattr(job_rows, "measured_rows", stricter)
    assert run(["table", str(root), "-o", str(out)]) == 0
    worst, drift, changed = (asked(out, query, capsys) for query in BLOCKS)
    assert worst[0]["job"] == "jobs/000/engine-00001"
    assert worst[0]["off"] == pytest.approx(3.0, abs=0.3)
    assert worst[0]["verdict"] == "outside"
    assert [(row["month"], row["sweeps"]) for row in drift] == [("2025-03", 3)]
    assert drift[0]["peak_mm"] == pytest.approx(7.6, abs=0.05)
    assert changed == [{"job": "jobs/000/engine-00002", "was": "within", "now": "cannot tell"}]


@pytest.mark.parametrize(
    ("query", "words"), [("SELECT nothing FROM jobs", "The tables are jobs, numbers"), ("SELEKT", "cannot be answered")]
)
def test_a_query_that_cannot_be_answered_is_a_sentence(
    made: Path, query: str, words: str, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(["table", str(made), "--query", query]) == 2
    out, err = capsys.readouterr()
    assert (out, len(err.splitlines())) == ("", 1)
    assert words in err


def test_a_query_needs_tables(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["table", str(tmp_path), "--query", "SELECT 1"]) == 2
    assert "there are no tables" in capsys.readouterr().err


@pytest.mark.parametrize(("module", "arguments"), [("pyarrow", ["-o", "t"]), ("duckdb", ["--query", "SELECT 1"])])
def test_what_an_extra_lacks_is_said_with_the_command_that_installs_it(
    made: Path, module: str, arguments: list[str], monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setitem(__import__("sys").modules, module, None)
    assert run(["table", str(made), *arguments]) == 2
    assert "pip install 'lobetrace[archive]'" in capsys.readouterr().err


def test_a_worker_of_another_version_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(table, "job_rows", lambda job: JobRows(job.name, "0.0.1", "00"))
    with Signals() as signals, pytest.raises(UsageError, match=r"a worker has lobetrace 0\.0\.1"):
        table.fill(dataset.Dataset(tmp_path, table.version()), iter([Address("", "a")]), table.Done(1), Alone(), signals)


def test_the_columns_in_the_file_are_those_of_the_schema(made: Path) -> None:
    for name, columns in TABLES.items():
        for path in dataset.parts(made, name):
            found = pq.read_schema(path)
            assert found.names == list(columns)
            assert found.equals(dataset.schema(columns))
            assert found.field("key").type == pa.string()


def test_the_docs_name_every_column() -> None:
    text = (ROOT / "docs" / "archive.md").read_text(encoding="utf-8")
    found = re.findall(r"^- `(\w+)`,[^:]*:(.*?)\.$", text, re.MULTILINE | re.DOTALL)
    said = {table: re.findall(r"identity|(?<=`)\w+(?=`)", columns) for table, columns in found}
    own = said.pop("identity")
    named = {
        table: [name for each in columns for name in (own if each == "identity" else [each])] for table, columns in said.items()
    }
    assert named == {table: list(columns) for table, columns in TABLES.items()}
