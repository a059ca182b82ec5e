"""`pwmscope plan` as a person runs it, and the metronome with a clock that does not wait."""

import copy
import json
from pathlib import Path

import pytest
from click.testing import CliRunner

from pwmscope.bench import CAUTIONS, CapturePlan, PlanStep, load_plan
from pwmscope.cli import main
from pwmscope.cli.settings import LEAD_S, Clock, plan, run_metronome

SHEET = str(Path(__file__).parents[2] / "captures" / "bench.toml")
SHORT = CapturePlan((PlanStep("rest", 3.0, {}, "Wait."), PlanStep("go", 2.5, {}, "Push.")))


def run(*words):
    command = copy.copy(main)
    command.commands = main.commands | {"plan": plan}
    return CliRunner().invoke(command, ["plan", *(str(word) for word in words)])


class Pretended:
    """A clock that is moved on by waiting; each reading and writing takes a little time."""

    def __init__(self, drag_s=0.0):
        self.time_s = 100.0
        self.drag_s = drag_s
        self.heard = []

    def now_s(self):
        self.time_s += self.drag_s
        return self.time_s

    def wait_s(self, seconds):
        assert seconds > 0
        self.time_s += seconds

    def write(self, text):
        self.heard.append((round(self.time_s - 100.0, 3), text))
        self.time_s += self.drag_s


def played(drag_s=0.0, *, counts):
    clock = Pretended(drag_s)
    run_metronome(SHORT, clock.write, Clock(clock.now_s, clock.wait_s), counts=counts)
    return clock


def test_cautions_come_first_then_the_steps_with_their_times():
    done = run("--sheet", SHEET)
    assert done.exit_code == 0, done.output
    lines = done.output.splitlines()
    assert lines[1].strip() == f"- {CAUTIONS[0]}"
    assert "Record at 1 MS/s or faster" in done.output
    assert any(line.split()[:5] == ["0:33", "2", "s", "one", "drive"] for line in lines)


def test_the_plan_and_the_card_are_written_and_not_replaced(tmp_path):
    file, card = tmp_path / "plan.toml", tmp_path / "card.html"
    assert run("--sheet", SHEET, "-o", file, "--card", card).exit_code == 0
    assert load_plan(file).robot == "Quince"
    assert card.read_text().startswith("<!DOCTYPE html>")
    again = run("--sheet", SHEET, "-o", file)
    assert again.exit_code == 2
    assert "--replace" in again.stderr
    assert run("--sheet", SHEET, "-o", file, "--replace").exit_code == 0
    shown = run("--plan", file, "--card", tmp_path / "card.txt")
    assert shown.exit_code == 0
    assert (tmp_path / "card.txt").read_text() in shown.output


def test_without_a_sheet_the_plan_is_a_general_one():
    """No role is known: every stick axis is moved and the losses come last, no drive moves."""
    said = run("--outputs", "6").output
    for step in ("aileron right", "elevator forward", "rudder right", "throttle up"):
        assert step in said
    assert "transmitter off 10" in said
    assert "drive" not in said
    assert said.index("Remove the weapon") < said.index("begins  lasts  hands")


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--sheet", SHEET, "--plan", "x.toml"), "x.toml: there is no such file"),
        (("--marker",), "needs a bench sheet"),
        (("--marker", "--table", "--sheet", SHEET), "--table or with --marker, not both"),
        (("--marker", "--sheet", SHEET, "--losses", "2"), "give 5 to 20"),
        (("--sheet", SHEET, "--card", "card.pdf"), ".html or .txt"),
        (("--sheet", SHEET, "--within", "0.01"), "No sample rate"),
        (("--sheet", SHEET, "--within", "nan"), "wanted uncertainty"),
        (("--sheet", SHEET, "--losses", "99"), "losses"),
        (("--plan", "nowhere.toml"), "nowhere.toml"),
    ],
)
def test_bad_input_is_one_sentence_and_exit_2(words, said):
    done = run(*words)
    assert done.exit_code == 2
    assert done.stdout == ""
    assert said in done.stderr
    assert len(done.stderr.splitlines()) == 1


def test_mode_1_has_elevator_and_rudder_on_the_left_stick():
    one, two = (run("--sheet", SHEET, "--mode", mode).output for mode in "12")
    assert "Left stick all the way forward" in one
    assert "Right stick all the way forward" in two


def test_each_step_begins_on_its_second_in_plain_lines():
    clock = played(counts=False)
    assert [(at, text.split(",")[0].strip()) for at, text in clock.heard[1:3]] == [
        (LEAD_S, "0:00  rest"),
        (LEAD_S + 3.0, "0:03  go"),
    ]
    at, last = clock.heard[-1]
    assert at == LEAD_S + 5.5
    assert "stop the recorder" in last
    assert all(text.endswith("\n") and "\r" not in text and "\a" not in text
               for _, text in clock.heard)  # fmt: skip


def test_a_terminal_gets_the_bell_and_a_countdown():
    clock = played(counts=True)
    rung = [at for at, text in clock.heard if "\a" in text]
    assert rung == [0.0, LEAD_S, LEAD_S + 3.0, LEAD_S + 5.5]
    counted = [(at, text.split()[-1]) for at, text in clock.heard if "then go in" in text]
    assert counted == [(5.0, "3"), (6.0, "2"), (7.0, "1")]


def test_slow_printing_does_not_add_up():
    clock = played(0.2, counts=True)
    begun = [at for at, text in clock.heard if "Push." in text or "is over" in text]
    assert begun == pytest.approx([LEAD_S + 3.0, LEAD_S + 5.5], abs=0.61)


def test_run_plays_the_plan_after_showing_it(tmp_path, monkeypatch):
    clock = Pretended()
    monkeypatch.setattr("pwmscope.cli.settings.Clock", lambda: Clock(clock.now_s, clock.wait_s))
    done = run("--sheet", SHEET, "--losses", "0", "--run")
    assert done.exit_code == 0, done.output
    assert done.output.index(CAUTIONS[0]) < done.output.index("Start the recorder now")
    assert clock.time_s == pytest.approx(100 + LEAD_S + 55.0)


def test_the_steps_are_json_with_their_times():
    done = run("--sheet", SHEET, "--table", "--json", "-")
    told = json.loads(done.stdout)
    assert told["duration_s"] == sum(step["seconds"] for step in told["steps"]) <= 25.0
    begins = [step["begins_s"] for step in told["steps"]]
    assert begins == sorted(begins)
    assert told["cautions"]


def test_handling_at_the_table_is_told_as_an_estimate():
    done = run("--sheet", SHEET, "--table")
    assert "From lead to verdict: about 57 s, estimated." in done.output
    assert "own estimates" in done.output
    assert "From lead to verdict" not in run("--sheet", SHEET).output


@pytest.mark.parametrize("words", [["--table"], ["--json", "-", "--run"]])
def test_options_that_exclude_each_other_are_one_sentence(words):
    done = run(*words)
    assert done.exit_code == 2
    assert "--" in done.stderr


def test_a_plan_too_short_for_its_losses_is_refused_with_the_mend(tmp_path):
    plan = tmp_path / "plan.toml"
    assert run("--sheet", SHEET, "--losses", "2", "-o", plan).exit_code == 0
    assert run("--plan", plan, "--sheet", SHEET).exit_code == 0
    text = plan.read_text()
    at = text.index('name = "transmitter off 2"')
    seconds = text[at:].split("seconds = ")[1].split("\n")[0]
    plan.write_text(text[:at] + text[at:].replace(f"seconds = {seconds}", "seconds = 1.0", 1))
    done = run("--plan", plan, "--sheet", SHEET)
    assert done.exit_code == 2
    assert done.stderr == (
        "Step 'transmitter off 2' switches off for 1 s, but the limit is 2 s. Give it 2.5 s or "
        "more.\n"
    )
