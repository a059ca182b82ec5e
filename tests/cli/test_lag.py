"""`pwmscope lag` as a person runs it."""

import json
from pathlib import Path

import click
import jsonschema
import numpy as np
import pytest
from click.testing import CliRunner

from pwmscope.capture import Capture, Line
from pwmscope.capture.columnar import write_edges
from pwmscope.cli.measure import lag
from pwmscope.errors import PwmscopeError

ROOT = Path(__file__).parents[2]
SCHEMA = json.loads((ROOT / "docs" / "lag.schema.json").read_text())
FRAMES = 700


@click.group()
def bench():
    """Stand in for the command that the lag command is registered with."""


bench.add_command(lag)


def pulses(name, rise_us, width_us):
    edges = np.rint(np.stack([rise_us, rise_us + width_us], axis=1).ravel()).astype(np.int64)
    return Line(name, edges * 1_000_000, 0)


@pytest.fixture(scope="module")
def file(tmp_path_factory):
    rng = np.random.default_rng(3)
    rise_us = 5_000.0 + 20_000.0 * np.arange(FRAMES)
    rest = np.interp(np.arange(FRAMES), np.arange(0, FRAMES + 20, 20), rng.uniform(-450, 450, 36))
    width_us = 1500.0 + np.where(np.arange(FRAMES) % 100 < 40, 0.0, rest)
    lines = {
        "RX1": pulses("RX1", rise_us, width_us),
        "out1": pulses("out1", rise_us[1:] + width_us[1:] + 300.0, 3000.0 - width_us[:-1]),
        "still": pulses("still", rise_us + 8.0, np.full(FRAMES, 1500.0)),
        "button": Line("button", np.array([4_000_000_000_000], np.int64), 0),
    }
    path = tmp_path_factory.mktemp("lag") / "bench.parquet"
    write_edges(Capture(lines, 14_100_000_000_000, 1e6, "bench"), path, replace=False)
    return path


def run(*words):
    return CliRunner().invoke(bench, ["lag", *(str(word) for word in words)])


def check(text):
    data = json.loads(text)
    jsonschema.Draft202012Validator.check_schema(SCHEMA)
    jsonschema.validate(data, SCHEMA, cls=jsonschema.Draft202012Validator)
    return data


def test_the_answer_comes_first(file):
    result = run(file, "--in", "RX1", "--out", "out1")
    assert result.exit_code == 0, result.output
    text = " ".join(result.output.split())
    assert text.startswith("RX1 to out1: 21.8 ms late, between ")
    assert "one frame late" in text
    assert "It is reversed" in text
    assert text.index("Measured") < text.index("Not shown, and why") < text.index("Assumed")
    assert "safety officer decide" in text


def test_json_follows_the_schema(file, tmp_path):
    path = tmp_path / "lag.json"
    assert run(file, "--in", "RX1", "--out", "out1", "--json", path).exit_code == 0
    data = check(path.read_text())
    assert data["schema"] == 1
    assert data["delay"]["by"] == "content"
    assert data["delay"]["frames_late"] == 1
    assert data["delay"]["pulses"] == FRAMES - 1
    again = run(file, "--in", "RX1", "--out", "out1", "--json", path)
    assert isinstance(again.exception, PwmscopeError)
    assert "replace=True" in str(again.exception)
    assert run(file, "--in", "RX1", "--out", "out1", "--json", path, "--replace").exit_code == 0


def test_not_shown_ends_with_3_and_says_what_to_record(file):
    result = run(file, "--in", "still", "--out", "out1", "--json", "-")
    assert result.exit_code == 3
    data = check(result.output)
    assert data["delay"]["by"] == "edges"
    assert data["delay"]["frames_late"] is None
    assert "did not move enough" in data["findings"][0]["sentence"]
    assert "record again" in data["findings"][0]["sentence"]


def test_a_further_input_is_taken_out(file):
    result = run(file, "--in", "RX1", "--out", "out1", "--with", "still", "--json", "-")
    assert result.exit_code == 0, result.output
    data = check(result.output)
    assert data["mixed_with"] == ["still"]
    assert data["delay"]["frames_late"] == 1


def test_without_names_it_lists_who_follows_whom(file):
    result = run(file)
    assert result.exit_code == 0, result.output
    text = " ".join(result.output.split())
    assert text.startswith(f"In {file} one line follows another.")
    assert "out1 follows RX1, 21.8 ms late." in text
    data = check(run(file, "--json", "-").output)
    assert [(pair["input"], pair["output"]) for pair in data["follows"]] == [("RX1", "out1")]
    assert run(file, "--out", "still").exit_code == 3


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--in", "RX9", "--out", "out1"), "line 'RX9'; expected one of the lines of"),
        (("--in", "RX1", "--out", "button"), "carries no servo pulses"),
        (("--in", "RX1", "--out", "RX1"), "--in and --out both name line 'RX1'"),
        (("--in", "RX1", "--with", "still"), "--with needs both --in and --out; --out is missing"),
        (("--in", "RX1", "--out", "out1", "--with", "RX1"), "--in and --with both name"),
    ],
)
def test_bad_names_are_one_sentence(file, words, said):
    result = run(file, *words)
    assert isinstance(result.exception, PwmscopeError)
    assert said in str(result.exception)
