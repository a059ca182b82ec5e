"""`pwmscope calibrate` as a person runs it."""

import copy
import json
import re
from pathlib import Path

import jsonschema
import pytest
from click.testing import CliRunner

from pwmscope.bench import CAUTIONS, load_sheet, make_plan, plan_toml
from pwmscope.cli import main
from pwmscope.cli.settings import calibrate
from pwmscope.synth import GoesToPreset, Output, build, follow_plan, write

ROOT = Path(__file__).parents[2]
SHEET = str(ROOT / "captures" / "bench.toml")
SWEEP = str(ROOT / "captures" / "clean-sweep.csv")
HOLDS = str(ROOT / "captures" / "holds-last.csv.gz")
SCHEMA = json.loads((ROOT / "docs" / "calibrate.schema.json").read_text())
PLAN = make_plan(load_sheet(SHEET), losses=1)


def run(*words):
    command = copy.copy(main)
    command.commands = main.commands | {"calibrate": calibrate}
    return CliRunner().invoke(command, ["calibrate", *(str(word) for word in words)])


def outputs(percent, rest_us, right):
    return {
        "RX1": Output(rest_us, {"elevator": 4.95 * percent}),
        "RX2": Output(1500.0, {"elevator": right, "aileron": 100.0}),
        "RX3": Output(1000.0, {"throttle": 1000.0}),
        "RX4": Output(1498.0, {"rudder": 400.0}),
    }


@pytest.fixture(scope="module")
def bench(tmp_path_factory):
    """Two recordings by one plan, before and after a change, and the plan."""
    folder = tmp_path_factory.mktemp("bench")
    for name, seed, followed in (
        ("first.csv", 1, outputs(90.0, 1540.0, -500.0)),
        ("second.csv", 2, outputs(100.0, 1502.0, 500.0)),
    ):
        script = follow_plan(PLAN, followed, seed=seed, marker="tx-on").script
        write(build(script), folder / name)
    (folder / "plan.toml").write_text(plan_toml(PLAN))
    return folder


def data_of(*words):
    done = run(*words, "--json", "-")
    data = json.loads(done.stdout)
    jsonschema.validate(data, SCHEMA, cls=jsonschema.Draft202012Validator)
    return done.exit_code, data


def actions(data, line):
    return {s["name"]: s["action"] for s in data["channels"][line]["settings"]}


def test_the_shipped_sweep_says_what_its_truth_says():
    code, data = data_of(SWEEP, "--sheet", SHEET)
    assert code == 1
    assert data["changes"] == 2
    assert actions(data, "RX1") == {
        "rest position": "leave", "neutral": "leave", "low endpoint": "change",
        "high endpoint": "change",
    }  # fmt: skip
    low, high = data["channels"]["RX1"]["settings"][2:]
    assert low["change_us"] == pytest.approx(-12.0, abs=0.2)
    assert high["change_us"] == pytest.approx(12.0, abs=0.2)
    assert set(actions(data, "RX4").values()) == {"leave"}
    assert data["not_recorded"] == []


def test_the_answer_comes_first_and_cautions_before_anything_to_change():
    done = run(SWEEP, "--sheet", SHEET)
    assert done.exit_code == 1
    said = done.output.splitlines()
    assert "to change" in said[0]
    assert said[3].strip() == f"- {CAUTIONS[0]}"
    assert "safe " not in done.output.replace("safety", "")


def test_the_marker_of_the_sheet_keeps_losses_out_of_the_levels():
    code, data = data_of(HOLDS, "--sheet", SHEET)
    assert code == 3
    assert data["changes"] == 0
    assert actions(data, "RX1")["neutral"] == "leave"
    assert actions(data, "RX4")["low endpoint"] == "not shown"


def test_a_preset_while_the_marker_says_off_is_no_endpoint(tmp_path):
    preset = outputs(100.0, 1500.0, 500.0)
    preset["RX1"] = Output(1500.0, {"elevator": 500.0}, GoesToPreset(2150.0, 0.2))
    write(build(follow_plan(PLAN, preset, seed=4, marker="tx-on").script), tmp_path / "a.csv")
    _, data = data_of(tmp_path / "a.csv", "--sheet", SHEET)
    assert actions(data, "RX1")["high endpoint"] == "leave"


def test_the_first_recording_asks_for_the_changes(bench):
    code, data = data_of(
        bench / "first.csv", "--sheet", SHEET, "--plan", bench / "plan.toml",
        "--us-per-percent", "9", "--us-per-percent", "RX1=4.95",
    )  # fmt: skip
    assert code == 1
    assert data["plan_fits"] is True
    assert actions(data, "RX2") == {
        "direction": "change", "neutral": "not shown", "low endpoint": "not shown",
        "high endpoint": "not shown",
    }  # fmt: skip
    settings = {s["name"]: s for s in data["channels"]["RX1"]["settings"]}
    assert settings["neutral"]["change_percent"] == -8.0
    assert settings["high endpoint"]["change_percent"] == 11.0
    assert "creeps" in data["channels"]["RX1"]["warnings"][0]


def test_the_second_recording_says_what_improved_and_solves_for_the_percent(bench, tmp_path):
    card = tmp_path / "card.html"
    words = (
        bench / "second.csv", "--before", bench / "first.csv", "--sheet", SHEET,
        "--plan", bench / "plan.toml", "--solve", "RX1:high=90,100",
    )  # fmt: skip
    code, data = data_of(*words)
    assert code == 0
    trends = {(c["line"], c["name"]): c["trend"] for c in data["compared"]}
    assert trends["RX1", "neutral"] == "improved"
    assert trends["RX1", "low endpoint"] == "improved"
    assert trends["RX4", "neutral"] == "unchanged within the uncertainty"
    assert trends["RX3", "high endpoint"] == "unchanged within the uncertainty"
    text = run(*words, "-o", card)
    assert text.exit_code == 0
    assert "Nothing to change" in text.output
    assert "Since the earlier recording" in card.read_text()
    again = run(*words, "-o", card)
    assert again.exit_code == 2
    assert "--replace" in again.stderr


def test_the_solved_percent_is_the_true_one(bench):
    _, data = data_of(
        bench / "first.csv", "--before", bench / "second.csv", "--sheet", SHEET,
        "--solve", "RX1:low=100,90",
    )  # fmt: skip
    low = data["channels"]["RX1"]["settings"][2]
    # 4.95 us for each percent: with neutral set the end is at 1055 us, 11 % from 1000 us.
    assert low["change_percent"] == 11.0
    assert "solved from the two recordings" in low["sentence"]


def test_a_plan_of_another_recording_is_refused_in_words(bench):
    code, data = data_of(SWEEP, "--sheet", SHEET, "--plan", bench / "plan.toml")
    assert code == 1
    assert data["plan_fits"] is False
    assert actions(data, "RX1")["direction"] == "not shown"
    assert any("does not follow this plan" in note for note in data["notes"])


def test_the_sheet_states_what_a_percent_is_worth_and_how_a_channel_is_set(bench, tmp_path):
    sheet = tmp_path / "bench.toml"
    text = Path(SHEET).read_text()
    sheet.write_text(re.sub(r"us_per_percent = [0-9.]+", "us_per_percent = 4.95", text))
    _, data = data_of(bench / "first.csv", "--sheet", sheet, "--plan", bench / "plan.toml")
    settings = {s["name"]: s for s in data["channels"]["RX1"]["settings"]}
    assert settings["high endpoint"]["change_percent"] == 11.0
    assert "as the sheet states" in settings["high endpoint"]["sentence"]
    direction = data["channels"]["RX2"]["settings"][0]
    assert "its direction is set to normal now" in direction["sentence"]


def test_text_and_json_files_are_written(tmp_path):
    card, file = tmp_path / "card.txt", tmp_path / "out.json"
    done = run(SWEEP, "--sheet", SHEET, "-o", card, "--json", file)
    assert done.exit_code == 1
    assert card.read_text() in done.output
    assert json.loads(file.read_text())["schema"] == 1


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--us-per-percent", "x"), "is no number"),
        (("--us-per-percent", "0"), "cannot be"),
        (("--us-per-percent", "RX9=5"), "names a line 'RX9'"),
        (("--solve", "RX1:high=100,110"), "add --before"),
        (("--solve", "RX1:up=1,2"), "cannot be read"),
        (("--solve", "RX1:high=a,b", "--before", SWEEP), "is no number"),
        (("--solve", "RX9:high=1,2", "--before", SWEEP), "names a line 'RX9'"),
        (("--solve", "RX1:high=100,110", "--before", SWEEP), "do not differ"),
        (("--solve", "RX4:high=100,110", "--before", HOLDS), "does not show the high endpoint"),
        (("--most-percent", "0"), "--most-percent"),
        (("-o", "card.pdf"), ".html or .txt"),
        (("--plan", "nowhere.toml"), "nowhere.toml"),
        (("--before", "nowhere.csv"), "nowhere.csv"),
    ],
)
def test_bad_input_is_one_sentence_and_exit_2(words, said):
    done = run(SWEEP, "--sheet", SHEET, *words)
    assert done.exit_code == 2, done.output
    assert done.stdout == ""
    assert said in done.stderr
    assert len(done.stderr.splitlines()) == 1


def test_a_sheet_of_another_bench_is_refused(tmp_path):
    file = tmp_path / "other.toml"
    file.write_text('[channels.Q]\nrole = "servo"')
    done = run(SWEEP, "--sheet", file)
    assert done.exit_code == 2
    assert "None of the devices" in done.stderr
