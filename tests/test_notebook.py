"""The notebook does the whole job on shipped recordings: every cell runs and shows its part."""

from pathlib import Path

import nbclient
import nbformat
import pytest

ROOT = Path(__file__).parents[1]


@pytest.fixture(scope="module")
def executed():
    notebook = nbformat.read(ROOT / "docs" / "notebook.ipynb", as_version=4)
    nbformat.validate(notebook)
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("PYTHONPATH", str(ROOT))
        patch.setenv("MPLBACKEND", "module://matplotlib_inline.backend_inline")
        client = nbclient.NotebookClient(
            notebook, timeout=120, kernel_name="python3", resources={"metadata": {"path": ROOT}}
        )
        client.execute()
    return notebook


def said(cell):
    return "".join(
        output.get("text", "") or output.get("data", {}).get("text/plain", "")
        for output in cell.outputs
    )


def test_it_has_ten_cells_and_none_fails(executed):
    assert len(executed.cells) == 10
    kinds = [o.output_type for c in executed.cells if c.cell_type == "code" for o in c.outputs]
    assert "error" not in kinds


def test_the_object_in_a_cell_is_itself_the_answer(executed):
    html = executed.cells[1].outputs[0]["data"]["text/html"]
    assert "FAILSAFE meets, 10 of 10, slowest 0.98 s" in html


def test_hazards_and_actions_are_printed(executed):
    assert "! Hazard: RX1, RX2 and RX3" in said(executed.cells[2])
    assert "sticks to rest" in said(executed.cells[2])


def test_pictures_are_shown(executed):
    pictures = [
        output
        for cell in executed.cells[6:8]
        for output in cell.outputs
        if "image/png" in output.get("data", {})
    ]
    assert len(pictures) == 3


def test_one_failure_governs_two_recordings(executed):
    assert "FAILSAFE does not meet: the weapon " in said(executed.cells[8])


def test_the_report_is_written(executed):
    assert "report.html" in said(executed.cells[9])
