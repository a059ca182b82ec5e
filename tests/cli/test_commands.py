"""The commands as a person runs them."""

import json
import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner

from pwmscope.cli import main

ROOT = Path(__file__).parents[2]
SWEEP = str(ROOT / "captures" / "clean-sweep.csv")
PRESET = str(ROOT / "captures" / "preset.csv.gz")


def run(*words):
    return CliRunner().invoke(main, [str(word) for word in words])


def test_measure_says_the_answers():
    result = run("measure", SWEEP, "--all")
    assert result.exit_code == 0
    for words in (
        "RX1: ",
        "neutral, us",
        "1503.99 ±0.14",
        "1000-1500-2000 us",
        "not shown, and why",
    ):
        assert words.lower() in result.output.lower()


def test_measuring_imports_only_what_it_runs():
    """Start-up is most of what a short recording costs."""
    code = (
        "import atexit, sys; from pwmscope.cli import main;"
        "atexit.register(lambda: print(*sys.modules, file=sys.stderr));"
        f"main(['measure', {SWEEP!r}])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    loaded = set(done.stderr.split())
    assert {"pwmscope.findings.timing", "pwmscope.cli.measure"} <= loaded
    idle = {
        *("matplotlib", "scipy", "polars", "multiprocessing", "tomllib", "numpy.random"),
        *("pwmscope.cli.report", "pwmscope.cli.files", "pwmscope.advice.mixing", "pwmscope.plot"),
        *(f"pwmscope.findings.{name}" for name in ("lag", "link", "mixing", "plan_alignment")),
    }
    assert not idle & loaded


def test_measure_writes_json_to_a_file_and_says_so(tmp_path):
    file = tmp_path / "out.json"
    result = run("measure", SWEEP, "--json", file)
    assert result.exit_code == 0
    assert str(file) in result.output
    assert json.loads(file.read_text())["schema"] == 1


def test_measure_writes_nothing_but_json_to_the_terminal_if_asked():
    result = run("measure", PRESET, "--off-line", "tx-on", "--json", "-")
    assert result.exit_code == 0
    assert list(json.loads(result.output)["channels"]) == ["RX1", "RX2", "RX3", "RX4"]


def test_a_file_in_the_way_is_not_replaced_unless_asked(tmp_path):
    file = tmp_path / "out.json"
    file.write_text("precious")
    result = run("measure", SWEEP, "--json", file)
    assert result.exit_code == 2
    assert "--replace" in result.stderr
    assert file.read_text() == "precious"
    assert run("measure", SWEEP, "--json", file, "--replace").exit_code == 0
    assert json.loads(file.read_text())["schema"] == 1


def test_report_writes_the_page_and_the_same_findings(tmp_path):
    folder = tmp_path / "report"
    result = run("report", PRESET, "--off-line", "tx-on", "-o", folder)
    assert result.exit_code == 0, result.output
    assert sorted(path.name for path in folder.iterdir()) == [
        "findings.json", "report.html", "report.md", "report.pdf"
    ]  # fmt: skip
    data = json.loads((folder / "findings.json").read_text())
    page = (folder / "report.html").read_text()
    for channel in data["channels"].values():
        for finding in channel["findings"]:
            assert (finding["verdict"] or "measured") in page
    assert run("report", PRESET, "-o", folder).exit_code == 2


def test_synth_builds_a_recording_with_its_truth(tmp_path):
    file = tmp_path / "made.csv"
    result = run("synth", ROOT / "captures" / "scripts" / "clean-sweep.toml", "-o", file)
    assert result.exit_code == 0, result.output
    assert file.read_bytes() == Path(SWEEP).read_bytes()
    assert (tmp_path / "made.truth.json").exists()
    assert run("synth", ROOT / "captures/scripts/clean-sweep.toml", "-o", file).exit_code == 2


def test_the_convention_can_be_chosen():
    chosen = run("measure", SWEEP, "--convention", "fast servo")
    assert chosen.output.startswith("PULSES do not meet: frame period of RX1, RX2, RX3, RX4")
    wrong = run("measure", SWEEP, "--convention", "slow")
    assert wrong.exit_code == 2
    assert "standard servo, fast servo" in wrong.stderr


BAD = {
    "empty": b"",
    "header only": b"time_s,RX1\n",
    "text in a level column": b"time_s,RX1\n0,0\n1,x\n2,0\n",
    "time going backwards": b"time_s,RX1\n1,0\n0,1\n",
    "one line only": b"time_s,RX1\n0,0\n",
    "no edges": b"time_s,RX1\n0,0\n1,0\n",
    "zeros": bytes(4096),
}


@pytest.mark.parametrize("command", ["measure", "report"])
@pytest.mark.parametrize("name", BAD)
def test_bad_input_is_one_sentence_exit_2_and_nothing_left(tmp_path, command, name):
    file = tmp_path / "bad.csv"
    file.write_bytes(BAD[name])
    out = tmp_path / "out"
    words = ["--json", out / "a.json"] if command == "measure" else ["-o", out]
    result = run(command, file, *words)
    assert result.exit_code == 2
    assert result.stdout == ""
    assert len(result.stderr.splitlines()) == 1
    assert result.stderr.startswith(str(file))
    assert not out.exists()


@pytest.mark.parametrize("what", ["missing", "folder"])
def test_a_missing_file_and_a_folder(tmp_path, what):
    result = run("measure", tmp_path if what == "folder" else tmp_path / "nowhere.csv")
    assert result.exit_code == 2
    assert len(result.stderr.splitlines()) == 1


SWAPPED = (
    (("measure", "own.toml"), "own.toml: this is a bench sheet; give it as --sheet, and name a"),
    (("measure", "plan.toml"), "plan.toml: this is a capture plan; give it as --plan, and name a"),
    (("measure", SWEEP, "--plan", "own.toml"), "own.toml is a bench sheet; give it as --sheet."),
    (("measure", SWEEP, "--sheet", "plan.toml"), "plan.toml is a capture plan; give it as --plan."),
    (("measure", SWEEP, "--sheet", "no.toml"), "no.toml: there is no such file; check the name"),
    (("follow", "no.csv"), "no.csv: there is no such file; check the name and folder."),
    (
        ("log", "add", SWEEP, "--sheet", "own.toml", "--register", "own.toml"),
        "own.toml: the register cannot be used: it is no register. Name the register's own file",
    ),
    (
        ("measure", SWEEP, "--from", "20", "--to", "10"),
        "--from and --to: from 20 to 10 s; expected",
    ),
    (("stretches", SWEEP), "--stretch: none; expected two stretches or more"),
)


@pytest.mark.parametrize(("words", "told"), SWAPPED)
def test_files_given_in_each_others_place_are_recognised(tmp_path, monkeypatch, words, told):
    monkeypatch.chdir(tmp_path)
    Path("own.toml").write_text(
        '[channels.RX1]\nrole = "weapon"\n[channels.RX2]\nrole = "servo"\n' + "#\n" * 400
    )
    Path("plan.toml").write_text('[[steps]]\nname = "rest"\nseconds = 5\n')
    result = run(*words)
    assert result.exit_code == 2
    assert result.stderr.splitlines()[-1].startswith(told)


def test_a_reader_that_has_enough_is_no_fault():
    process = subprocess.Popen(
        [sys.executable, "-m", "pwmscope", "measure", SWEEP, "--all"],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
    )
    process.stdout.close()
    assert process.stderr.read() == b""
    process.stderr.close()
    assert process.wait() != 0


def test_a_folder_that_cannot_be_written_to_is_told(tmp_path):
    result = run("measure", SWEEP, "--json", tmp_path / "no" / "such" / "a.json")
    assert result.exit_code == 2
    assert "cannot be written" in result.stderr


def test_no_traceback_and_no_slow_import_in_the_help():
    code = (
        "import sys; from pwmscope.cli import main\n"
        "try: main(['--help'])\n"
        "except SystemExit: pass\n"
        "slow = {'numpy', 'scipy', 'polars', 'pandas', 'matplotlib', 'rich', 'jinja2'}\n"
        "print(sorted(slow & set(sys.modules)))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.splitlines()[-1] == "[]"
    assert "rulebook" in done.stdout


@pytest.mark.parametrize("command", ["measure", "report", "synth"])
def test_every_command_explains_itself(command):
    assert run(command, "--help").exit_code == 0


def test_a_part_keeps_the_instants_of_the_whole():
    whole, part = (
        json.loads(run("measure", PRESET, "--off-line", "tx-on", "--json", "-", *more).stdout)
        for more in ((), ("--from", "2s", "--to", "14s"))
    )
    assert part["capture"]["start_s"] == 2.0
    assert part["capture"]["duration_s"] == 12.0
    (loss,) = part["channels"]["RX1"]["signal_loss"]
    assert loss["lost_s"] == whole["channels"]["RX1"]["signal_loss"][0]["lost_s"]
    assert loss["class"] == "goes to preset"


def test_a_part_that_begins_with_the_transmitter_off_is_refused():
    done = run("measure", PRESET, "--off-line", "tx-on", "--from", "8s")
    assert done.exit_code == 2
    assert "the marker line tx-on says that the transmitter is off" in done.output
    assert done.output.count("\n") == 1


def test_only_the_named_line_is_told():
    done = run("measure", PRESET, "--line", "RX2", "--json", "-")
    assert list(json.loads(done.stdout)["channels"]) == ["RX2"]
    refused = run("measure", PRESET, "--line", "RX9")
    assert refused.exit_code == 2
    assert "There is no finding about a line 'RX9'" in refused.output


def test_a_finding_is_explained_instead_of_everything_told():
    done = run("measure", PRESET, "--explain", "neutral", "--line", "RX1")
    assert done.exit_code == 0
    assert "Formula: " in done.output
    assert "Source: JCGM 100" in done.output
    assert "pulses measured" not in done.output
