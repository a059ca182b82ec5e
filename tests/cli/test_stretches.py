"""`pwmscope stretches`: the first line is the answer, cautions come with it."""

import json
from pathlib import Path

import pytest
from click.testing import CliRunner

from pwmscope.cli import main

CAPTURE = str(Path(__file__).parents[2] / "captures" / "fault-hunt.csv.gz")
THREE = (
    "--stretch", "motors off=0s..20s", "--stretch", "motors on=20s..40s", "--stretch",
    "plug of RX2 wiggled=40s..60s",
)  # fmt: skip


def run(*arguments):
    return CliRunner().invoke(main, ["stretches", CAPTURE, *arguments])


def test_the_first_line_is_the_answer_and_cautions_follow():
    result = run(*THREE)
    assert result.exit_code == 0
    plain = " ".join(result.output.split())
    assert result.output.startswith("FAULTS differ from motors off: more freezes on RX1, RX2 and")
    assert "more glitches on RX2 in plug of RX2 wiggled" in plain
    assert "weapon removed or locked" in plain
    assert "5 V servo pins only" in plain
    assert "safety officer decide" in plain


def test_alike_stretches_show_no_difference():
    result = run("--stretch", "first=0s..10s", "--stretch", "second=10s..20s")
    assert result.exit_code == 0
    assert result.output.startswith("FAULTS: no difference from first shown, in 11 rates")


def test_json_holds_the_same(tmp_path):
    path = tmp_path / "hunt.json"
    result = run(*THREE, "--json", str(path))
    assert result.exit_code == 0
    held = json.loads(path.read_text(encoding="utf-8"))
    assert result.output.split("\n")[0][:60] == held["answer"][:60]
    wiggled = next(f for f in held["faults"] if (f["line"], f["kind"]) == ("RX2", "glitches"))
    assert [each["change"] for each in wiggled["rates"]] == [None, "no difference shown", "more"]
    assert [each["count"] for each in wiggled["rates"]] == [0, 0, 28]


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("--stretch", "motors off 0s..20s", "--stretch", "b=1s..2s"), "a name and two times"),
        (("--stretch", "a=0s..20s"), "--stretch: one stretch"),
        ((), "two stretches or more"),
        (("--stretch", "a=0s..20s", "--stretch", "b=20s..70s"), "times within"),
    ],
)
def test_bad_stretches_end_with_one_sentence(arguments, said):
    result = run(*arguments)
    assert result.exit_code == 2
    assert said in result.output
    assert len(result.output.strip().splitlines()) == 1
