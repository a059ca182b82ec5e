"""Write docs/notebook.ipynb: the whole job on shipped recordings, in ten cells.

Run it after a change: `python docs/make_notebook.py`. It holds no outputs; the tests execute it.
"""

from __future__ import annotations

import json
from pathlib import Path

NOTEBOOK = Path(__file__).parent / "notebook.ipynb"
CELLS = (
    (
        "markdown",
        """# From a recording to an answer

One robot, *Quince* of the invented Millrace Robotics Club, recorded on the bench. The recordings
and the bench sheet are in `captures/`.

Before you power anything of your own: weapon removed or locked, wheels off the ground, robot
restrained, eye protection on, battery looked after, 5 V servo pins only. The event's rulebook and
its safety officer decide.""",
    ),
    (
        "code",
        """import os
from pathlib import Path

import pwmscope

if not Path("captures").is_dir():  # opened where it lies, in docs/
    os.chdir("..")

analysis = pwmscope.analyse("captures/drill.csv.gz", sheet="captures/bench.toml")
analysis""",
    ),
    (
        "code",
        """# The answer in one line, what can hurt, and what to do next.
print(analysis.headline)
print(*analysis.hazards, sep="\\n")
for action in analysis.actions:
    print("-", action.sentence)""",
    ),
    (
        "code",
        """# One line: a finding is a value with its interval, held against a limit.
neutral = analysis["RX1"]["neutral"]
print(neutral.value, neutral.unit, neutral.verdict, "-", neutral.sentence)""",
    ),
    (
        "code",
        """# Every finding of every line as a table, and every loss as another.
table = analysis.to_pandas()
table.loc[table["verdict"] == "not shown", ["line", "finding", "sentence"]]""",
    ),
    (
        "code",
        """losses = analysis.losses_to_pandas()
losses.groupby("line")["stop_most_s"].describe()""",
    ),
    (
        "code",
        """# What the weapon did at the loss that governs, with the limit and its stop range.
axes = pwmscope.plot.losses(analysis, "RX3")""",
    ),
    (
        "code",
        """# The whole recording of one line, and one frame of all lines.
pwmscope.plot.width_over_time(analysis["RX1"])
axes = pwmscope.plot.frames(analysis)""",
    ),
    (
        "code",
        """# Several recordings of one bench are one test: here one of them fails it.
both = pwmscope.analyse(
    "captures/drill.csv.gz", "captures/holds-last.csv.gz", sheet="captures/bench.toml"
)
both""",
    ),
    (
        "code",
        """# Keep it: page, PDF, Markdown and JSON in a folder.
import tempfile

with tempfile.TemporaryDirectory() as folder:
    (written,) = analysis.report(folder)
    print(sorted(path.name for path in written.page.parent.iterdir()))""",
    ),
)


def notebook() -> str:
    """Return the notebook as text; its cells carry no outputs."""
    cells = []
    for nth, (kind, text) in enumerate(CELLS, start=1):
        cell = {
            "cell_type": kind,
            "id": f"cell-{nth}",
            "metadata": {},
            "source": text.splitlines(keepends=True),
        }
        if kind == "code":
            cell |= {"execution_count": None, "outputs": []}
        cells.append(cell)
    whole = {
        "cells": cells,
        "metadata": {
            "kernelspec": {"display_name": "Python 3", "language": "python", "name": "python3"},
            "language_info": {"name": "python"},
        },
        "nbformat": 4,
        "nbformat_minor": 5,
    }
    return json.dumps(whole, indent=1, ensure_ascii=False) + "\n"


if __name__ == "__main__":
    NOTEBOOK.write_text(notebook(), encoding="utf-8")
