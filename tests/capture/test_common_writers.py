"""Checked from outside: what general-purpose writers make by default opens unaided, exactly.

The writers are pandas, polars, numpy and openpyxl; delimiters are told beside csv.Sniffer and
clevercsv on the zoo.
"""

import contextlib
import csv
import importlib.util
import io
from pathlib import Path

import clevercsv
import numpy as np
import pandas as pd
import polars as pl
import pytest

from pwmscope import load
from pwmscope.capture.text.dialect import find_dialect

ZOO = Path(__file__).parents[2] / "captures" / "zoo"
spec = importlib.util.spec_from_file_location("zoo_make", ZOO / "make.py")
make = importlib.util.module_from_spec(spec)
spec.loader.exec_module(make)
EXPECTED = [[edge * 10**6 for edge in edges] for edges in make.edges_us().values()]
CELLS = np.array(list(make.rows()))
FEW = np.array(list(make.changes()))


def frame(cells, kind=int):
    return {
        "time_s": cells[:, 0] / 1e6,
        "RX1": cells[:, 1].astype(kind),
        "RX2": cells[:, 2].astype(kind),
    }


def check(file):
    capture = load(file)
    assert [line.edges_ps.tolist() for line in capture.lines.values()] == EXPECTED
    return capture


@pytest.mark.parametrize("cells", [CELLS, FEW], ids=["samples", "changes"])
@pytest.mark.parametrize("kind", [int, bool, float])
@pytest.mark.parametrize("index", [True, False])
def test_pandas_to_csv(tmp_path, cells, kind, index):
    pd.DataFrame(frame(cells, kind)).to_csv(tmp_path / "a.csv", index=index)
    assert list(check(tmp_path / "a.csv").lines) == ["RX1", "RX2"]


def test_pandas_to_csv_with_stamps_as_its_index(tmp_path):
    table = pd.DataFrame(frame(CELLS))
    table.index = pd.to_datetime(CELLS[:, 0] * 1000 + 1_930_000_000 * 10**9)
    table.drop(columns="time_s").to_csv(tmp_path / "a.csv")
    assert list(check(tmp_path / "a.csv").lines) == ["RX1", "RX2"]


@pytest.mark.parametrize("cells", [CELLS, FEW], ids=["samples", "changes"])
@pytest.mark.parametrize("kind", [int, bool])
def test_polars_write_csv(tmp_path, cells, kind):
    pl.DataFrame(frame(cells, kind)).write_csv(tmp_path / "a.csv")
    assert list(check(tmp_path / "a.csv").lines) == ["RX1", "RX2"]


@pytest.mark.parametrize("header", ["", "time_s RX1 RX2"])
def test_numpy_savetxt(tmp_path, header):
    cells = CELLS * np.array([1e-6, 1, 1])
    np.savetxt(tmp_path / "a.txt", cells, header=header)
    names = ["RX1", "RX2"] if header else ["column2", "column3"]
    assert list(check(tmp_path / "a.txt").lines) == names


def test_numpy_savetxt_with_commas(tmp_path):
    cells = CELLS * np.array([1e-6, 1, 1])
    np.savetxt(tmp_path / "a.csv", cells, delimiter=",", header="time_s,RX1,RX2", comments="")
    check(tmp_path / "a.csv")


@pytest.mark.parametrize("cells", [CELLS, FEW], ids=["samples", "changes"])
@pytest.mark.parametrize("index", [True, False])
def test_pandas_to_excel(tmp_path, cells, index):
    with pd.ExcelWriter(tmp_path / "a.xlsx", engine="openpyxl") as book:
        pd.DataFrame().to_excel(book, sheet_name="empty")
        pd.DataFrame(frame(cells)).to_excel(book, sheet_name="data", index=index)
    assert list(check(tmp_path / "a.xlsx").lines) == ["RX1", "RX2"]


def test_a_damaged_workbook_is_refused_with_one_sentence(tmp_path):
    whole = io.BytesIO()
    pd.DataFrame(frame(FEW)).to_excel(whole, engine="openpyxl")
    (tmp_path / "a.xlsx").write_bytes(whole.getvalue()[:3000] + b"\0" * 500)
    with pytest.raises(Exception, match="damaged"):
        load(tmp_path / "a.xlsx")


DELIMITERS = {"tabs.tsv": "\t", "spaces.txt": " ", "bars.txt": "|"}
SEMICOLONS = ("semicolons-decimal-comma.csv", "stated-delimiter.csv")


def test_the_delimiter_is_told_in_more_files_than_by_general_sniffers():
    """The figures that docs/formats.md states: this reader, clevercsv, csv.Sniffer."""
    right = {"here": 0, "clevercsv": 0, "csv.Sniffer": 0}
    texts = make.texts()
    tables = {name: text for name, text in texts.items() if not name.endswith(".vcd")}
    for name, text in tables.items():
        delimiter = ";" if name in SEMICOLONS else DELIMITERS.get(name, ",")
        head = text[:4096].rpartition("\n")[0] + "\n"
        right["here"] += find_dialect(head, name).delimiter == delimiter
        with contextlib.suppress(csv.Error):
            right["csv.Sniffer"] += csv.Sniffer().sniff(head).delimiter == delimiter
        found = clevercsv.Sniffer().sniff(head)
        right["clevercsv"] += found is not None and found.delimiter == delimiter
    assert right["here"] == len(tables)
    assert right == {"here": 46, "clevercsv": 46, "csv.Sniffer": 44}  # as the docs state
