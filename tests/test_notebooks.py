"""The four notebooks run from the first cell to the last, and hold to what they promise.

Their claims are asserted in their own cells, against the truth that their sound was made from. They are kept
without outputs, so that a change of a notebook is a change of what somebody wrote.
"""

import ast
from pathlib import Path

import pytest

import resonance
from resonance import plots

FOLDER = Path(__file__).parents[1] / "notebooks"
NOTEBOOKS = sorted(FOLDER.glob("*.ipynb"))
PICTURES = "image/svg+xml"
MOST_LETTERS = 2000  # of plain text printed by a whole notebook: short outputs
STANDARD = {"json", "dataclasses", "datetime", "pathlib"}

nbformat = pytest.importorskip("nbformat", reason="nbformat is not installed (pip install -e '.[dev]')")
nbclient = pytest.importorskip("nbclient", reason="nbclient is not installed (pip install -e '.[dev]')")
pytest.importorskip("ipykernel", reason="ipykernel is not installed (pip install -e '.[dev]')")


def read(path):
    return nbformat.reads(path.read_text("utf-8"), as_version=4)


def cells(notebook):
    """Code cells as Python, their magic lines blanked."""
    for cell in notebook.cells:
        if cell.cell_type == "code":
            lines = cell.source.splitlines()
            yield "\n".join("" if line.startswith("%") else line for line in lines)


def run(notebook):
    """Execute a notebook where it lies, each cell in turn; a cell that fails raises."""
    client = nbclient.NotebookClient(
        notebook, timeout=600, kernel_name="python3", resources={"metadata": {"path": str(FOLDER)}}
    )
    return client.execute()


def test_there_are_four():
    assert [path.name[:2] for path in NOTEBOOKS] == ["01", "02", "03", "04"]


@pytest.mark.slow
@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_runs_and_keeps_its_claims(path):
    outputs = [out for cell in run(read(path)).cells for out in cell.get("outputs", [])]
    assert [out for out in outputs if out.get("name") == "stderr"] == []
    assert sum(PICTURES in out.get("data", {}) for out in outputs) >= 2
    assert sum(len(out.get("text", "")) for out in outputs) <= MOST_LETTERS


@pytest.mark.slow
def test_a_false_claim_would_fail():
    notebook = nbformat.v4.new_notebook(cells=[nbformat.v4.new_code_cell("assert 1 + 1 == 3")])
    with pytest.raises(nbclient.exceptions.CellExecutionError, match="AssertionError"):
        run(notebook)


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_is_kept_without_outputs_in_one_form(path):
    notebook = read(path)
    nbformat.validate(notebook)
    code = [cell for cell in notebook.cells if cell.cell_type == "code"]
    assert all(not cell.outputs and cell.execution_count is None for cell in code)
    assert path.read_text("utf-8") == nbformat.writes(notebook, indent=1) + "\n"


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_asserts_something_and_is_short(path):
    code = list(cells(read(path)))
    asserted = sum(isinstance(node, ast.Assert) for cell in code for node in ast.walk(ast.parse(cell)))
    assert asserted >= 4
    assert len(code) <= 10


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda path: path.stem)
def test_uses_public_names_only(path):
    for cell in cells(read(path)):
        for node in ast.walk(ast.parse(cell)):
            if isinstance(node, ast.Import):
                allowed = {"numpy", "matplotlib", "resonance"} | STANDARD
                assert {alias.name for alias in node.names} <= allowed, ast.unparse(node)
            if isinstance(node, ast.ImportFrom):
                names = {alias.name for alias in node.names}
                ours = node.module == "resonance" and names == {"plots"}
                assert ours or node.module in STANDARD, ast.unparse(node)
            if isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name):
                home = {"resonance": resonance, "plots": plots}.get(node.value.id)
                assert home is None or node.attr in home.__all__, ast.unparse(node)
                assert home is None or getattr(home, node.attr) is not None
