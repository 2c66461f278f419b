"""Every example notebook and starter notebook runs from the first cell to the last."""

from __future__ import annotations

from pathlib import Path

import nbformat
import pytest
from nbclient import NotebookClient

from diagnb.shipped import templates_directory

EXAMPLES = sorted((Path(__file__).resolve().parents[1] / "example_notebooks").glob("*.ipynb"))
STARTERS = sorted((templates_directory() / "notebooks").glob("*.ipynb"))


@pytest.mark.parametrize("path", [*EXAMPLES, *STARTERS], ids=lambda p: p.stem)
def test_notebook_runs(path: Path, tmp_path: Path) -> None:
    notebook = nbformat.read(path, as_version=4)
    client = NotebookClient(
        notebook, timeout=120, kernel_name="python3", resources={"metadata": {"path": str(tmp_path)}}
    )
    client.execute()
    assert any(cell.cell_type == "code" and cell.outputs for cell in notebook.cells)


def test_the_first_example_ends_with_a_proof(tmp_path: Path) -> None:
    notebook = nbformat.read(EXAMPLES[0], as_version=4)
    NotebookClient(
        notebook, timeout=120, kernel_name="python3", resources={"metadata": {"path": str(tmp_path)}}
    ).execute()
    outputs = [o for cell in notebook.cells if cell.cell_type == "code" for o in cell.outputs]
    texts = " ".join(o.get("text", "") + str(o.get("data", {}).get("text/plain", "")) for o in outputs).lower()
    assert "trustworthy" in texts
    assert "digest-mismatch" in texts
    for word in ("fail", "not judged", "pass"):
        assert word in texts


def test_examples_are_stored_without_output() -> None:
    for path in EXAMPLES:
        notebook = nbformat.read(path, as_version=4)
        assert all(not cell.get("outputs") for cell in notebook.cells), f"clear the outputs of {path.name}"
