"""`pwmscope inspect`, as an inspector runs it for one robot and for a day's folder."""

import gzip
import itertools
import json
import shutil
from pathlib import Path

import pytest
from click.testing import CliRunner

from pwmscope.bench import load_sheet, make_plan, plan_toml
from pwmscope.cli import main
from pwmscope.report.register import entries

CAPTURES = Path(__file__).parents[2] / "captures"
SHEET = CAPTURES / "bench.toml"
DRILL, HOLDS = CAPTURES / "drill.csv.gz", CAPTURES / "holds-last.csv.gz"


def run(*words):
    return CliRunner().invoke(main, ["inspect", *map(str, words)])


def robot(root, name, *files):
    home = root / name
    home.mkdir(parents=True)
    for file in files:
        shutil.copy(file, home)
    return home


def test_one_robot_gets_a_headline_a_sheet_and_an_entry(tmp_path):
    register = tmp_path / "club.sqlite"
    done = run(DRILL, "--sheet", SHEET, "-o", tmp_path, "--register", register)
    assert done.exit_code == 0, done.output
    said = done.output.splitlines()
    assert said[0] == "FAILSAFE meets, 10 of 10, slowest 0.98 s"
    page = tmp_path / "drill-inspection.pdf"
    assert said[-1] == f"The sheet to sign is {page}. Register {register}: entry 1."
    assert page.read_bytes().startswith(b"%PDF")
    (entry,) = entries(register)
    assert (entry.robot, entry.note) == ("Quince", said[0])
    again = run(DRILL, "--sheet", SHEET, "-o", tmp_path, "--register", register)
    assert (again.exit_code, "--replace" in again.stderr) == (2, True)
    new = run(DRILL, "--sheet", SHEET, "-o", tmp_path, "--register", register, "--replace")
    assert new.output.splitlines()[-1].endswith("entry 1.")
    assert len(entries(register)) == 1


def test_a_failure_is_exit_code_1_and_no_register_is_said(tmp_path):
    done = run(HOLDS, "--sheet", SHEET, "-o", tmp_path)
    assert done.exit_code == 1
    assert done.output.startswith(
        "FAILSAFE does not meet: the weapon holds its last width: 1600, 1400 us"
    )
    assert "No register was named, so nothing was entered." in done.output


def test_a_wiring_fault_on_the_sheet_does_not_meet(tmp_path):
    """Both drive ESCs feed the receiver: two sources hold against each other."""
    text = SHEET.read_text(encoding="utf-8")
    text = text.replace("powers_receiver = false", "powers_receiver = true")
    sheet = tmp_path / "both.toml"
    sheet.write_text(text.replace("feeds_5v = false\noutput = 2", "feeds_5v = true\noutput = 2"))
    done = run(DRILL, "--sheet", sheet, "-o", tmp_path, "--quiet")
    assert done.exit_code == 1
    assert done.output.startswith("WIRING does not meet: ")
    assert len(done.output.splitlines()) == 1


def test_wiring_that_the_sheet_does_not_state_is_not_shown(tmp_path):
    text = SHEET.read_text(encoding="utf-8").replace('protocol = "club set A"', "")
    (tmp_path / "part.toml").write_text(text)
    done = run(DRILL, "--sheet", tmp_path / "part.toml", "-o", tmp_path, "--quiet")
    assert done.exit_code == 3
    assert done.output.startswith("FAILSAFE meets, 10 of 10, slowest 0.98 s; not shown: wiring (")


def test_a_folder_of_robots_is_a_row_each(tmp_path, without_processes):
    """Its robots go to other processes in test_cluster.py."""
    day = tmp_path / "day"
    robot(day, "quince", SHEET, DRILL)
    robot(day, "medlar", SHEET, HOLDS)
    robot(day, "bare", DRILL)
    shutil.copy(SHEET, robot(day, "twice", SHEET, DRILL) / "second.toml")
    robot(day, "sheet-only", SHEET)
    with without_processes():
        done = run(day, "-o", tmp_path / "out")
    assert done.exit_code == 1  # one does not meet, although others are unusable
    rows = {line.split()[0]: line for line in done.output.splitlines() if line[:1].isalpha()}
    assert "FAILSAFE meets, 10 of 10" in rows["quince"]
    assert "! 1 hazard" in rows["quince"]
    assert "does not meet" in rows["medlar"]
    whole = " ".join(done.output.split())
    assert "bare unusable The folder holds no bench sheet" in whole
    assert "twice unusable The folder holds 2 bench sheets (bench.toml, second.toml)" in whole
    assert "sheet-only unusable The folder holds no recording" in whole
    assert "1 of 5 robots meets everything." in whole
    written = sorted(path.name for path in (tmp_path / "out").iterdir())
    assert written == ["medlar-inspection.pdf", "quince-inspection.pdf"]


def test_a_plan_beside_the_sheet_is_no_second_sheet(tmp_path, without_processes):
    """The drill was made by another plan, which is said; two plans are one too many."""
    plan = make_plan(load_sheet(SHEET), losses=3)
    home = robot(tmp_path / "day", "quince", SHEET, DRILL)
    (home / "plan.toml").write_text(plan_toml(plan))
    with without_processes():
        done = run(tmp_path / "day", "-o", tmp_path / "out")
    assert done.exit_code == 0, done.output
    assert "FAILSAFE meets, 10 of 10" in done.output
    shutil.copy(home / "plan.toml", home / "again.toml")
    with without_processes():
        done = run(tmp_path / "day", "-o", tmp_path / "out")
    assert done.exit_code == 2
    assert "The folder holds 2 plans (again.toml, plan.toml)." in " ".join(done.output.split())


def test_a_folder_where_all_meet_is_0_and_an_unusable_one_makes_it_2(
    tmp_path, monkeypatch, without_processes
):
    monkeypatch.chdir(tmp_path)  # long paths are broken over the lines of a row
    day = tmp_path / "day"
    robot(day, "quince", SHEET, DRILL)
    with without_processes():
        assert run("day", "-o", "out").exit_code == 0
    (robot(day, "broken", SHEET) / "bad.csv").write_text("time_s,RX1\n0,0\n1,x\n2,0\n")
    with without_processes():
        done = run("day", "-o", "out", "--replace")
    assert done.exit_code == 2
    assert "bad.csv, row 3, column RX1" in " ".join(done.output.split())


@pytest.mark.parametrize("letters", [40, 90, 140])
def test_no_path_is_broken_over_two_lines(tmp_path, without_processes, letters):
    """Who copies it from the screen must get the whole of it."""
    day = tmp_path / f"saturday-{'x' * max(1, letters - len(str(tmp_path)))}"
    bad = robot(day, "bro-ken", SHEET) / "bad.csv"
    bad.write_text("time_s,RX1\n0,0\n1,x\n2,0\n")
    robot(day, "quince", SHEET, HOLDS)
    with without_processes():
        said = run(day, "-o", day).output
    assert str(bad) in said
    assert f"{day}: quince-inspection.pdf" in " ".join(said.split())


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ([DRILL], "--sheet ROBOT.toml"),
        (["nowhere.csv", "--sheet", SHEET], "no such file"),
        ([CAPTURES / "zoo", "--sheet", SHEET], "Leave --sheet out"),
        ([DRILL, HOLDS, "--sheet", SHEET, "--off-at", "3s"], "--off-at: given for 2 recordings"),
    ],
)
def test_bad_input_is_one_sentence(tmp_path, words, said):
    done = run(*words, "-o", tmp_path / "out")
    assert done.exit_code == 2
    assert said in done.stderr
    assert len(done.stderr.splitlines()) == 1
    assert not (tmp_path / "out").exists()


# --- one loss at a table ---


@pytest.fixture(scope="module")
def at_table(tmp_path_factory):
    """The first loss of the drill alone, as a table at an event leaves time for."""
    path = tmp_path_factory.mktemp("table") / "table.csv"
    with gzip.open(DRILL, "rt", encoding="utf-8") as rows, path.open("w", encoding="utf-8") as out:
        out.write(next(rows))
        out.writelines(itertools.takewhile(lambda row: float(row.split(",")[0]) < 9.0, rows))
    return path


def left_open(done):
    """What is said of one loss: its heading, and all up to the sheet's file."""
    rows = done.output.splitlines()
    begin = rows.index("One loss leaves these explanations open:")
    return rows[begin + 1 : -1]


def test_one_loss_names_what_it_leaves_open(tmp_path, at_table):
    done = run(at_table, "--sheet", SHEET, "-o", tmp_path)
    assert done.exit_code == 3, done.output
    said = left_open(done)
    assert said[0] == "  - the link was never lost: RX1, RX2, RX3, RX4"
    assert any(row.startswith("  - a hand let go or moved") for row in said)
    assert said[-1].startswith("Ten losses at home may close them. No register names")


def test_one_loss_is_named_beside_the_home_test_of_the_same_robot(tmp_path, at_table):
    register = tmp_path / "club.sqlite"
    home = run(DRILL, "--sheet", SHEET, "-o", tmp_path, "--register", register)
    assert "One loss" not in home.output
    words = (at_table, "--sheet", SHEET, "-o", tmp_path, "--register", register)
    said = left_open(run(*words))
    assert said[-2].startswith("The home test, entry 1 of ")
    assert said[-2].endswith(": meets, 10 losses.")
    assert said[-1] == "Each output did the same here as at home. This loss alone stays not shown."
    # The table's own entry is no home test, and another robot's is none of this one.
    other = tmp_path / "other.toml"
    text = SHEET.read_text(encoding="utf-8")
    other.write_text(text.replace('robot = "Quince"', 'robot = "Medlar"'), encoding="utf-8")
    said = left_open(run(at_table, "--sheet", other, *words[3:], "--replace"))
    assert said[-1].startswith("Ten losses at home may close them.")


HANDLING_S = {"clip the lead on": 12.0, "start the recorder": 4.0, "save the file": 6.0,
              "name it and press enter": 8.0}  # fmt: skip
"""Own estimates; the plan's own steps are counted from its JSON."""


def test_from_lead_to_verdict_takes_a_minute():
    """Four channels, one loss: the plan's steps and what is done before and after them."""
    sheet = Path(__file__).parents[2] / "captures" / "bench.toml"
    done = CliRunner().invoke(main, ["plan", "--sheet", str(sheet), "--table", "--json", "-"])
    plan = json.loads(done.output)
    steps_s = sum(step["seconds"] for step in plan["steps"])
    assert plan["duration_s"] == steps_s <= 25.0
    last = plan["steps"][-1]
    assert last["begins_s"] + last["seconds"] == steps_s
    assert steps_s + sum(HANDLING_S.values()) <= 60.0
