"""What a person asked to have written: nothing else is lost for it, and whoever counts JUnit cases is not deceived."""

from __future__ import annotations

from pathlib import Path

import junitparser
import pytest

from acquire.cli import run
from acquire.cli.output_file import write
from analysis.base.errors import UsageError
from tests.recorded import job_folder
from tests.rigs import SHORT


@pytest.fixture(scope="module")
def without_card(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A job that is measured well and specifies nothing."""
    folder = tmp_path_factory.mktemp("jobs") / "no card"
    assert run(["new", str(folder)]) == 0
    text = (folder / "job.toml").read_text(encoding="utf-8")
    return job_folder(folder.with_name("no-card"), text, SHORT)


@pytest.mark.parametrize(
    ("there", "data"), [(b"<?xml a lobetrace", b"<?xml b"), (b"%PDF-1.7 lobetrace", b"%PDF-1.4"), (b"", b"<!doctype")]
)
def test_an_older_result_of_the_same_kind_is_replaced(tmp_path: Path, there: bytes, data: bytes) -> None:
    file = tmp_path / "out"
    file.write_bytes(there)
    write(file, data)
    assert file.read_bytes() == data
    assert [each.name for each in tmp_path.iterdir()] == ["out"]


@pytest.mark.parametrize("there", [b"# The job", b"# lobetrace capture 1\n", b"%PDF-1.7", b"{"])
def test_anything_else_is_kept(tmp_path: Path, there: bytes) -> None:
    file = tmp_path / "out"
    file.write_bytes(there)
    with pytest.raises(UsageError, match="not overwritten"):
        write(file, b"<?xml version")
    assert file.read_bytes() == there
    assert [each.name for each in tmp_path.iterdir()] == ["out"]


def test_verdicts_are_not_written_over_a_job(without_card: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """`check --junit jobs/*/job.toml`: the first of them is taken for the file."""
    before = (without_card / "job.toml").read_bytes()
    assert run(["check", "--junit", str(without_card / "job.toml"), str(without_card)]) == 2
    out, err = capsys.readouterr()
    assert out == ""  # it is refused before anything is worked out
    assert "not overwritten" in err
    assert (without_card / "job.toml").read_bytes() == before


def test_a_job_with_nothing_to_hold_it_against_does_not_pass_by_having_no_case(without_card: Path, tmp_path: Path) -> None:
    assert run(["check", "--junit", str(tmp_path / "verdicts.xml"), str(without_card)]) == 2
    (suite,) = junitparser.JUnitXml.fromfile(str(tmp_path / "verdicts.xml"))
    assert (suite.tests, suite.failures, suite.errors) == (1, 0, 1)
    (case,) = suite
    assert "write the cam card" in case.result[0].message
