"""The notebook in docs: every cell runs, in order, from the top of the repository."""

from __future__ import annotations

import ast
import json
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
NOTEBOOK = ROOT / "docs" / "lobes.ipynb"


def cells() -> list[str]:
    loaded = json.loads(NOTEBOOK.read_text(encoding="utf-8"))
    return ["".join(cell["source"]) for cell in loaded["cells"] if cell["cell_type"] == "code"]


def test_every_cell_runs(monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]) -> None:
    pytest.importorskip("matplotlib")
    pytest.importorskip("pyarrow")
    monkeypatch.chdir(ROOT)
    shared: dict[str, object] = {}
    shown = []
    for number, source in enumerate(cells(), 1):
        tree = ast.parse(source, f"cell {number}")
        *body, last = tree.body
        if isinstance(last, ast.Expr):  # what a notebook shows below the cell
            exec(compile(ast.Module(body, []), f"cell {number}", "exec"), shared)
            shown.append(eval(compile(ast.Expression(last.value), f"cell {number}", "eval"), shared))
        else:
            exec(compile(tree, f"cell {number}", "exec"), shared)
    assert "known up to" in capsys.readouterr().out
    assert shared["found"] is shown[0]


def test_no_output_is_stored() -> None:
    """Outputs would grow old and hold paths of somebody's machine."""
    loaded = json.loads(NOTEBOOK.read_text(encoding="utf-8"))
    assert all(not cell["outputs"] and cell["execution_count"] is None for cell in loaded["cells"] if cell["cell_type"] == "code")
