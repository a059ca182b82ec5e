"""`pwmscope failsafe` as a person runs it."""

import gzip
import importlib.util
import json
import subprocess
import sys
from pathlib import Path

import jsonschema
import numpy as np
import pytest
from click.testing import CliRunner
from referencing import Registry, Resource

from pwmscope.cli import main

ROOT = Path(__file__).parents[2]
_spec = importlib.util.spec_from_file_location(
    "loss_drill", ROOT / "tests" / "findings" / "failsafe" / "loss_drill.py"
)
loss_drill = importlib.util.module_from_spec(_spec)
sys.modules.setdefault("loss_drill", loss_drill)
_spec.loader.exec_module(loss_drill)
PRESETS = {line: loss_drill.preset(rest_us + 7.0) for line, rest_us in loss_drill.REST.items()}
HOLDS_WEAPON = PRESETS | {"RX3": loss_drill.holds}
CAPTURES = ROOT / "captures"
SHEET = CAPTURES / "bench.toml"
DRILL, PRESET = CAPTURES / "drill.csv.gz", CAPTURES / "preset.csv.gz"
STOPS, HOLDS = CAPTURES / "pulses-stop.csv.gz", CAPTURES / "holds-last.csv.gz"


def run(*words):
    return CliRunner().invoke(main, ["failsafe", *map(str, words)])


@pytest.mark.parametrize(
    ("captures", "code"), [([DRILL], 0), ([PRESET], 1), ([HOLDS], 1), ([DRILL, HOLDS], 1)]
)
def test_the_exit_code_is_the_verdict(captures, code):
    assert run(*captures, "--sheet", SHEET).exit_code == code


def test_without_a_sheet_a_good_receiver_is_not_shown():
    assert run(DRILL, "--off-line", "tx-on").exit_code == 3


def test_the_answer_comes_first_then_hazards_then_lines():
    said = run(DRILL, "--sheet", SHEET).output.splitlines()
    assert said[0] == "FAILSAFE meets, 10 of 10, slowest 0.98 s"
    assert said[1].startswith("! Hazard: RX1, RX2 and RX3 are commanded to run by their held")
    cards = [line.split() for line in said[said.index("") + 1 :][:4]]
    assert [card[0] for card in cards] == ["RX3", "RX1", "RX2", "RX4"]
    assert all("meets" in card and "0.98" in card for card in cards)
    assert "Bring the sticks to rest" in " ".join(said)
    assert "safety officer" in said[-1]
    assert len(said) <= 20


def test_all_adds_what_each_line_did():
    said = run(DRILL, "--sheet", SHEET, "--all").output
    whole = " ".join(said.split())
    assert "10 of 10 losses met the limit: the failure rate is below 26 % (95 %)" in whole
    assert "What RX1 (drive-left, left drive ESC) did; stop range 1470 to 1530 us" in whole
    assert "45.614 holds 1850 us for 0.97 s, preset 1500 us" in whole


def test_quiet_gives_the_headline_and_the_exit_code():
    result = run(HOLDS, "--sheet", SHEET, "--quiet")
    assert result.output.startswith(
        "FAILSAFE does not meet: the weapon holds its last width: 1600, 1400 us"
    )
    assert len(result.output.splitlines()) == 1
    assert result.exit_code == 1


def test_a_failure_says_what_to_set():
    said = " ".join(run(HOLDS, "--sheet", SHEET).output.split())
    assert said.startswith("FAILSAFE does not meet: the weapon holds its last width: 1600, 1400 us")
    order = [said.index(f"Set {line}'s failsafe to") for line in ("RX3", "RX1", "RX2")]
    assert order == sorted(order)
    assert "Set RX3's failsafe to 1000 us (weapon low end), bind or store it, record again." in said


def test_why_tells_what_refutes_each_other_cause():
    said = run(DRILL, "--sheet", SHEET, "--why", "RX3").output
    assert "Why RX3 at" in said
    assert "Why RX1 at" not in said
    assert "a hand let go or moved a stick" in said
    assert "two sticks' lines returned together" in " ".join(said.split())
    assert run(DRILL, "--sheet", SHEET, "--why", "all").output.count("Why RX") == 24
    wrong = run(DRILL, "--sheet", SHEET, "--why", "RX9")
    assert wrong.exit_code == 2
    assert "There is no line 'RX9' to explain" in wrong.stderr


@pytest.mark.parametrize(("capture", "code"), [(DRILL, 0), (HOLDS, 1)])
def test_who_reads_only_the_first_line_gets_the_exit_code_of_the_check(capture, code):
    words = [
        sys.executable,
        "-m",
        "pwmscope",
        "failsafe",
        capture,
        "--sheet",
        SHEET,
        "--why",
        "all",
    ]
    with subprocess.Popen(
        words, stdout=subprocess.PIPE, stderr=subprocess.PIPE, cwd=ROOT
    ) as process:
        assert process.stdout.readline().startswith(b"FAILSAFE")
        process.stdout.close()
        assert process.stderr.read() == b""
    assert process.returncode == code


@pytest.fixture
def three(tmp_path):
    """The bench sheet without its servo, whose line is in the recordings all the same."""
    told = SHEET.read_text().replace("outputs = 4", "outputs = 3").replace(', "RX4"', "")
    file = tmp_path / "three.toml"
    file.write_text(told[: told.index("[channels.RX4]")])
    return file


def test_a_line_with_servo_pulses_that_the_sheet_does_not_list_is_not_shown(three):
    result = run(DRILL, "--sheet", three)
    assert result.exit_code == 3
    assert result.output.startswith("FAILSAFE not shown: RX4")
    assert "The sheet does not list RX4. Write in it what is on that line." in result.output


def test_lines_read_on_purpose_alone_are_named_under_the_headline():
    for command in ("failsafe", "measure"):
        words = [command, DRILL, "--sheet", SHEET, "--lines", "RX1,RX2,RX3,tx-on"]
        said = CliRunner().invoke(main, [str(word) for word in words]).output
        above = " ".join(said[: said.index("\n\n")].split())
        assert "Only RX1, RX2, RX3, tx-on were read, as asked. Other lines are not judged." in above


def test_lines_left_out_on_purpose_hide_nothing(three):
    """A line that is not read carries servo pulses: less known does not score better."""
    result = run(DRILL, "--sheet", three, "--lines", "RX1,RX2,RX3,tx-on")
    assert result.exit_code == 3
    assert result.output.startswith("FAILSAFE not shown: RX4")
    assert "The sheet does not list RX4. Write in it what is on that line." in result.output


def test_lines_left_out_that_cannot_be_read_are_not_taken_as_idle(tmp_path):
    """The column left out holds words: nobody knows what is on it."""
    text = gzip.decompress(DRILL.read_bytes()).decode().splitlines()
    rows = [text[0] + ",D9", *(f"{row},{n % 3}x" for n, row in enumerate(text[1:]))]
    (tmp_path / "odd.csv").write_text("\n".join(rows) + "\n")
    asked = ["--sheet", SHEET, "--lines", "RX1,RX2,RX3,RX4,tx-on"]
    result = run(tmp_path / "odd.csv", *asked)
    assert result.exit_code == 3
    assert "cannot be read. Any may have a device." in " ".join(result.output.split())


def test_a_line_stated_unused_is_named(tmp_path, three):
    sheet = tmp_path / "unused.toml"
    sheet.write_text(three.read_text() + '[channels.RX4]\nrole = "unused"\n')
    result = run(DRILL, "--sheet", sheet)
    assert result.exit_code == 0
    assert "RX4 is stated unused" in result.output


def test_the_same_file_three_times_counts_once():
    result = run(DRILL, DRILL, DRILL, "--sheet", SHEET)
    assert (result.exit_code, result.output.splitlines()[0]) == (
        0,
        "FAILSAFE meets, 10 of 10, slowest 0.98 s",
    )
    assert result.output.count("holds the same recording again and counts once") == 2


def test_a_part_is_named(monkeypatch):
    monkeypatch.chdir(DRILL.parent)  # a long path is shortened in the sentence
    result = run(Path(DRILL.name), "--sheet", SHEET.resolve(), "--from", "1s", "--to", "70s")
    assert "drill.csv.gz only 1 to 70 s is examined." in " ".join(result.output.split())


def test_the_word_safe_is_no_answer():
    for captures in ([DRILL], [PRESET], [HOLDS]):
        words = run(*captures, "--sheet", SHEET).output.lower().replace("safety officer", "")
        assert "safe" not in words.replace("failsafe", "")


def test_cautions_come_before_the_procedure():
    said = run(HOLDS, "--sheet", SHEET, "--all").output
    assert 0 < said.index("Remove the weapon") < said.index("What to record")
    assert "59 losses" in said
    assert "What to record" not in run(DRILL, "--sheet", SHEET, "--all").output
    first = run(HOLDS, "--sheet", SHEET).output
    assert 0 < first.index("weapon removed or locked") < first.index("record again")


def test_a_shorter_limit_may_be_asked_for():
    result = run(DRILL, "--sheet", SHEET, "--limit", "800ms", "--all")
    assert result.exit_code == 1
    assert "limit 0.8 s" in " ".join(result.output.split())
    assert "as asked for; the rulebook decides" in " ".join(result.output.split())


def test_stated_times_stand_in_for_a_marker():
    """All pulses stop there, and a supply that is switched off looks the same."""
    said = run(STOPS, "--sheet", SHEET, "--off-at", "5.4", "--off-at", "13.2s", "--all")
    assert said.exit_code == 3
    assert "Stated: the transmitter went off at 5.4 s, within 0.05 s." in said.output
    one = run(STOPS, "--sheet", SHEET, "--off-at", "5.4", "--all")
    assert one.exit_code == 3
    assert "13.248 s" in one.output


def test_the_json_follows_the_schema_and_says_the_same(tmp_path):
    file = tmp_path / "check.json"
    result = run(PRESET, DRILL, "--sheet", SHEET, "--json", file)
    data = json.loads(file.read_text())
    shipped = {
        name: json.loads((ROOT / "docs" / name).read_text())
        for name in ("failsafe.schema.json", "findings.schema.json")
    }
    registry = Registry().with_resources(
        (name, Resource.from_contents(schema)) for name, schema in shipped.items()
    )
    schema = shipped["failsafe.schema.json"]
    jsonschema.Draft202012Validator.check_schema(schema)
    jsonschema.Draft202012Validator(schema, registry=registry).validate(data)
    assert (data["verdict"], result.exit_code) == ("does not meet", 1)
    # Of two losses nothing tells whether one switch moved all outputs; of ten their delays do.
    assert [line["verdict"] for line in data["lines"]] == ["not shown"] * 3 + ["does not meet"]
    trials = data["lines"][0]["trials"]
    assert (trials["meets"], trials["not_shown"]) == (10, 2)
    assert data["headline"] == "FAILSAFE does not meet: the servo holds its last width: 1610 us"
    assert data["actions"][0].startswith("Set RX4's failsafe to 1498 us")
    causes = data["lines"][0]["losses"][-1]["alternatives"]
    assert len(causes) == 11
    assert all(cause["refuted"] for cause in causes)
    assert len(data["lines"][0]["losses"]) == 12
    assert run(PRESET, DRILL, "--sheet", SHEET, "--json", "-").output == file.read_text()


@pytest.mark.parametrize(
    ("form", "begins"), [("svg", b"<svg"), ("png", b"\x89PNG"), ("pdf", b"%PDF")]
)
def test_the_picture_is_written_in_the_form_that_its_name_says(tmp_path, form, begins):
    file = tmp_path / f"losses.{form}"
    result = run(PRESET, "--sheet", SHEET, "--picture", file)
    assert result.exit_code == 1  # the verdict's
    assert file.read_bytes().startswith(begins)
    assert run(PRESET, "--sheet", SHEET, "--picture", file).exit_code == 2
    file.write_bytes(b"old")
    assert run(PRESET, "--sheet", SHEET, "--picture", file, "--replace").exit_code == 1
    assert file.read_bytes().startswith(begins)


def test_no_picture_is_drawn_of_no_loss(tmp_path):
    file = tmp_path / "losses.svg"
    result = run(CAPTURES / "clean-sweep.csv", "--picture", file)
    assert result.exit_code == 3
    assert "no picture was drawn" in result.output
    assert not file.exists()


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ([DRILL, "--off-line", "RX9"], "There is no line 'RX9'"),
        ([CAPTURES / "clean-sweep.csv", "--off-line", "RX1"], "never holds another level"),
        ([DRILL, "--sheet", SHEET, "--off-at", "3.4s"], "give one of them"),
        ([STOPS, "--off-at", "60s"], "outside the recording, which is from 0 to 20 s"),
        ([STOPS, "--off-at", "0s"], "outside the recording"),
        ([STOPS, "--off-at", "5.4", "--off-at", "5.41"], "the same within their uncertainty"),
        ([STOPS, "--off-at", "soon"], "write a number and a unit"),
        ([STOPS, DRILL, "--off-at", "5.4"], "one recording, and 2 are given"),
        ([DRILL, "--off-line", "tx-on=up"], "write --off-line tx-on=high"),
        (
            [DRILL, "--limit", "0s"],
            "--limit: 0 for failsafe_s; expected a number of seconds from 0.05 to 60",
        ),
        ([DRILL, "--limit", "2V"], "time unit 'V'"),
        ([DRILL, "--picture", "losses.gif"], ".svg, .png or .pdf"),
        ([DRILL, "--sheet", "nowhere.toml"], "nowhere.toml"),
        (["nowhere.csv"], "no such file"),
    ],
)
def test_bad_input_is_one_sentence(words, said):
    result = run(*words)
    assert result.exit_code == 2
    assert said in result.stderr
    assert len(result.stderr.strip().splitlines()) == 1
    assert "Traceback" not in result.stderr


def test_a_recording_that_ends_too_soon_says_how_long_to_go_on():
    said = " ".join(run(DRILL, "--sheet", SHEET, "--to", "4.9s").output.split())
    assert "Keep it running, and the transmitter off, for longer than 2.1 s" in said


# --- what a bench gets wrong ---

DEVICE = """
[channels.{line}]
role = "{role}"
low_us = 1000
{neutral}high_us = 2000
stop_us = {stop_us}
no_pulses = "stops"
no_pulses_after_s = 0.2
"""


@pytest.fixture
def bench(tmp_path):
    """Write recordings and sheets of a drill's three lines; give the words to check them with."""

    def write(name, *, names=("RX1", "RX2", "RX3"), **drill):
        lines = loss_drill.Drill(losses=3, **drill).capture().lines
        named = dict(zip([*names, "tx-on"], lines.values(), strict=True))
        at_ps = np.unique(
            np.concatenate([[0, 24 * 10**12], *[own.edges_ps for own in lines.values()]])
        )
        levels = [
            (own.initial_level + np.searchsorted(own.edges_ps, at_ps, side="right")) % 2
            for own in named.values()
        ]
        rows = np.stack([at_ps // 10**6, *levels], axis=1)
        file = tmp_path / name
        np.savetxt(file, rows, "%d", ",", header=",".join(["time_us", *named]), comments="")
        return file

    def sheet(marker='on = "high"\nkind = "switch"', weapon="RX3"):
        file = tmp_path / "sheet.toml"
        drives = [DEVICE.format(line=f"RX{k}", role=role, neutral="neutral_us = 1500\n",
                                stop_us=[1470, 1530])
                  for k, role in ((1, "drive-left"), (2, "drive-right"))]  # fmt: skip
        last = DEVICE.format(line=weapon, role="weapon", neutral="", stop_us=[900, 1030])
        file.write_text(f'[marker]\nline = "tx-on"\n{marker}\n{"".join(drives)}{last}')
        return ["--sheet", file, "--rate", "1MHz"]

    return write, sheet


def test_whole_microseconds_without_a_rate_are_known_well_enough(bench):
    write, sheet = bench
    whole = run(write("whole.csv", behave=PRESETS), *sheet()[:2])
    assert whole.output.startswith("FAILSAFE meets, 3 of 3")
    kept = run(write("holds.csv", behave=HOLDS_WEAPON), *sheet()[:2])
    assert kept.output.startswith("FAILSAFE does not meet")


@pytest.mark.parametrize("step_us", [10, 100])
def test_a_coarser_print_never_scores_better(bench, step_us):
    write, sheet = bench
    for behave in (PRESETS, HOLDS_WEAPON):
        fine = write("fine.csv", behave=behave)
        heading, *rows = fine.read_text().splitlines()
        cells = [row.split(",") for row in rows]
        rounded = (f"{round(int(t) / step_us) * step_us},{','.join(at)}" for t, *at in cells)
        coarse = fine.with_name("coarse.csv")
        # Of changes that fall on one time, the last is what the list tells.
        told = dict(row.split(",", 1) for row in rounded)
        coarse.write_text("\n".join([heading, *(f"{t},{at}" for t, at in told.items())]) + "\n")
        codes = {0: 2, 3: 1, 1: 0}  # meets, not shown, does not meet
        assert (
            codes[run(coarse, *sheet()[:2]).exit_code] <= codes[run(fine, *sheet()[:2]).exit_code]
        )


def test_a_whole_bench_meets(bench):
    write, sheet = bench
    file = write("whole.csv", behave=PRESETS)
    assert run(file, *sheet()).output.startswith("FAILSAFE meets, 3 of 3")


def test_a_marker_without_polarity_is_taken_from_the_outputs_or_asked_for(bench):
    write, sheet = bench
    moved = run(write("moved.csv", behave=PRESETS), *sheet('kind = "switch"'))
    assert moved.output.startswith("FAILSAFE meets, 3 of 3")
    # The sticks rested all the time, so nothing shows which level means on.
    rests = {line: [(0.0, rest_us), (99.0, rest_us)] for line, rest_us in loss_drill.REST.items()}
    still = run(write("still.csv", hands=rests), *sheet('kind = "switch"'), "--all")
    assert still.exit_code == 3
    assert "Line tx-on is the marker: high, as at the start, which nothing confirms" in " ".join(
        still.output.split()
    )


def test_a_marker_that_never_moves_is_one_sentence(bench):
    write, sheet = bench
    file = write("whole.csv", behave=PRESETS)
    told = run(file, *sheet('on = "high"'), "--to", "2.5s")
    assert told.exit_code == 3
    assert "No loss is seen in" in told.output
    asked = run(file, *sheet('on = "low"'), "--to", "2.5s")
    assert asked.exit_code == 2
    assert len(asked.stderr.strip().splitlines()) == 1
    assert (
        "The marker line tx-on never changes, so it marks no loss; check its wire" in asked.stderr
    )


def test_a_line_of_the_sheet_that_is_not_recorded_is_told_with_what_to_do(bench):
    write, sheet = bench
    result = run(write("whole.csv", behave=PRESETS), *sheet(weapon="RX9"))
    said = " ".join(result.output.split())
    assert result.exit_code == 3
    assert "The bench sheet names this line, but no recording holds it" in said
    assert "Write the recording's names into the sheet: RX3 for RX9 (weapon)." in said


def test_files_of_two_benches_are_told_apart(bench):
    write, sheet = bench
    own = write("own.csv", behave=PRESETS)
    other = write("other.csv", names=("CH1", "CH2", "CH3"), seed=8)
    result = run(own, other, *sheet(), "--json", "-")
    assert result.exit_code == 3
    left = json.loads(result.stdout)["left_out"][0]
    assert (left["kind"], left["what"]) == ("no line of the sheet", str(other))
    assert left["sentence"].startswith("No line of the sheet is in ")
    assert left["sentence"].endswith(". Give it its own sheet.")


def test_a_line_that_only_another_benchs_file_holds_is_not_said_to_be_the_sheets(bench):
    write, sheet = bench
    own = write("own.csv", behave=PRESETS)
    other = write("other.csv", names=("CH1", "CH2", "CH3"), seed=8)
    told = run(own, other, *sheet(), "--json", "-")
    lines = json.loads(told.stdout)["lines"]
    screen = run(own, other, *sheet()).output
    row = next(row for row in screen.splitlines() if row.strip().startswith("CH1"))
    assert [line["line"] for line in lines][:3] == ["RX1", "RX2", "RX3"]
    assert "The bench sheet names" not in row


def test_one_of_several_recordings_that_proves_a_failure_decides_whatever_else_is_missing(bench):
    write, sheet = bench
    good = write("good.csv", behave=PRESETS)
    bad = write("bad.csv", behave={**PRESETS, "RX3": loss_drill.holds}, seed=5)
    other = write("other.csv", names=("CH1", "CH2", "CH3"), seed=8)
    for files in ((good, bad), (bad, good), (good, other, bad), (bad, bad, good)):
        result = run(*files, *sheet(weapon="RX3"))
        assert result.exit_code == 1
        assert result.output.startswith("FAILSAFE does not meet")


def test_the_json_says_what_to_do_about_what_is_not_shown(three):
    """As a field, beside a sentence that ends with it; nobody cuts sentences up."""
    data = json.loads(run(DRILL, "--sheet", three, "--json", "-").stdout)
    by_line = {line["line"]: line for line in data["lines"]}
    assert by_line["RX4"]["to_do"] == ("Write in the sheet what is on it.")
    assert by_line["RX4"]["sentence"].endswith(by_line["RX4"]["to_do"])
    assert "to_do" not in by_line["RX1"]
    open_losses = [
        held["loss"]
        for line in json.loads(run(PRESET, "--sheet", SHEET, "--json", "-").stdout)["lines"]
        for held in line["losses"]
        if held["loss"]["verdict"] == "not shown" and "to_do" in held["loss"]
    ]
    assert open_losses
    assert all(loss["reason"].endswith(loss["to_do"]) for loss in open_losses)
