"""README.md and docs: as short as they are meant to be, with links that lead somewhere and examples that are so."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from acquire.cli.commands import run
from analysis.job.model import USUAL_BOUNDS, Rig

ROOT = Path(__file__).parents[2]
PAGES = [ROOT / name for name in ("README.md", "DEVELOPERS.md", "CHANGELOG.md")] + sorted((ROOT / "docs").glob("*.md"))
each_page = pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
_LINK = re.compile(r"\]\(([^)\s]+)\)|^\[\w+\]: (\S+)$", re.MULTILINE)


def text_of(page: Path) -> str:
    return page.read_text(encoding="utf-8")


def anchors(page: Path) -> set[str]:
    """The anchors of a page's headings, as GitHub makes them (its documentation, "Section links")."""
    headings = re.findall(r"^#+ (.+)$", text_of(page), re.MULTILINE)
    return {re.sub(r"[^\w\- ]", "", heading.lower()).replace(" ", "-") for heading in headings}


def examples(page: Path) -> str:
    return "\n".join(re.findall(r"^```python\n(.*?)^```", text_of(page), re.MULTILINE | re.DOTALL))


@each_page
def test_lines_are_short(page: Path) -> None:
    lines = text_of(page).splitlines()
    assert [line for line in lines if len(line) > 100] == []
    assert page.name != "README.md" or len(lines) <= 150


@each_page
def test_every_link_leads_somewhere(page: Path) -> None:
    for link in (first or second for first, second in _LINK.findall(text_of(page))):
        path, _, anchor = link.partition("#")
        target = (page.parent / path).resolve() if path else page
        assert target.exists(), link
        assert not anchor or anchor in anchors(target), link


def test_the_sheet_in_the_readme_is_what_the_command_prints(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(ROOT)
    blocks = re.findall(r"^```\n(TOP DEAD CENTER\n.*?)^```", text_of(ROOT / "README.md"), re.MULTILINE | re.DOTALL)
    assert run(["analyze", "sample-captures/clean"]) == 0
    printed = capsys.readouterr().out
    assert len(blocks) == 1
    assert blocks[0] in printed, "put the lines that it prints now into README.md"


@pytest.mark.parametrize("name", ["README.md", "docs/python.md"])
def test_the_examples_run_and_print_what_stands_beside_them(
    name: str, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(ROOT)
    code = examples(ROOT / name)
    exec(compile(code, name, "exec"), {})
    printed = capsys.readouterr().out.splitlines()
    said = re.findall(r"# (.*\+/-.*)$", code, re.MULTILINE)
    assert said
    assert set(said) <= set(printed)


def test_the_guide_gives_the_usual_limits_of_error() -> None:
    rows = dict(re.findall(r"^\| `(\w+)` \|.*\| ([\d.]+)[^|]*\|$", text_of(ROOT / "docs" / "guide.md"), re.MULTILINE))
    rig = Rig(indicator_at="valve", rocker_ratio=1.5)
    assert {key: float(rows[key]) for key in USUAL_BOUNDS} == USUAL_BOUNDS
    assert float(rows["rocker_ratio_error"]) / 100 * rig.rocker_ratio == pytest.approx(rig.rocker_ratio_error)
    assert float(rows["lash_error_mm"]) == rig.lash_error_mm
    assert float(rows["indicator_latency_ms"]) == rig.indicator_latency_ms
