"""`pwmscope sheet` as a person runs it."""

import json
from pathlib import Path

import pytest
from click.testing import CliRunner

from pwmscope.bench import CAUTIONS, load_sheet
from pwmscope.cli import main
from pwmscope.cli.sheet import sheet

ROOT = Path(__file__).parents[2]
QUINCE = ROOT / "captures" / "bench.toml"
main.add_command(sheet)


def run(*words, said=None):
    return CliRunner().invoke(main, ["sheet", *(str(word) for word in words)], input=said)


@pytest.fixture
def write(tmp_path):
    def written(text, name="bench.toml"):
        file = tmp_path / name
        file.write_bytes(text if isinstance(text, bytes) else text.encode())
        return file

    return written


def test_check_answers_on_the_first_line_and_ends_with_0():
    result = run("check", QUINCE)
    assert result.exit_code == 0
    first, second, *_ = result.output.splitlines()
    assert first.startswith("meets: Exactly one source powers the receiver: left BEC")
    assert second.startswith("Of 11 wiring rules 11 are met")
    for caution in CAUTIONS:
        assert caution in result.output


@pytest.mark.parametrize(
    ("text", "code", "first"),
    [
        ("", 3, "not shown: What powers the receiver is not stated."),
        ("[channels.A]\nrole='servo'\nfeeds_5v=true", 3, "meets: Exactly one source"),
        (
            "[channels]\nA={role='weapon',feeds_5v=true}\nB={role='servo',feeds_5v=true}",
            1,
            "does not meet: Two sources power the receiver at once: A (weapon) and B (servo).",
        ),
    ],
)
def test_check_ends_with_a_code_for_each_verdict(write, text, code, first):
    result = run("check", write(text))
    assert result.exit_code == code
    assert result.output.startswith(first)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (b"\xff\xfe", "UTF-8"),
        ("#" * 1_000_000, "a few kilobytes"),
        ("robot = ", "this is not TOML"),
        (".".join("a" * 9000) + " = 1", "more than 8 parts"),
        ("a = " + "[" * 9000, "nested too deeply"),
        ("[receiver]\nsignal_v = '3300mV'", "3300mV is 3.3 V, so write 3.3"),
        ("[receiver]\nsignal_v = nan", "a number of volts from 1 to 60"),
        ("[analyser]\ninputs_v = 5", "of which input_v is the nearest"),
    ],
)
def test_bad_input_is_one_sentence_and_2(write, text, words):
    result = run("check", write(text))
    assert (result.exit_code, result.stdout) == (2, "")
    assert words in result.stderr
    assert result.stderr.count("\n") == 1


def test_check_writes_drawing_and_json_and_says_so(tmp_path):
    drawing, data = tmp_path / "wiring.svg", tmp_path / "wiring.json"
    result = run("check", QUINCE, "--drawing", drawing, "--json", data)
    assert result.exit_code == 0
    assert f"The drawing is {drawing}." in result.output
    assert drawing.read_text().startswith("<svg")
    written = json.loads(data.read_text())
    assert (written["schema"], written["verdict"]) == (1, "meets")
    assert written["sheet"] == str(QUINCE)


def test_check_writes_nothing_but_json_to_the_terminal_if_asked(write, tmp_path):
    drawing = tmp_path / "a.svg"
    result = run("check", write(""), "--json", "-", "--drawing", drawing)
    assert result.exit_code == 3
    assert json.loads(result.output)["answer"]["verdict"] == "not shown"
    assert drawing.exists()


def test_files_in_the_way_are_refused_before_anything_is_said(write, tmp_path):
    drawing, data = write("precious", "a.svg"), tmp_path / "a.json"
    result = run("check", QUINCE, "--drawing", drawing, "--json", data)
    assert (result.exit_code, result.stdout) == (2, "")
    assert "--replace" in result.stderr
    assert not data.exists()
    assert drawing.read_text() == "precious"
    again = run("check", QUINCE, "--drawing", drawing, "--json", data, "--replace")
    assert again.exit_code == 0
    assert drawing.read_text().startswith("<svg")


@pytest.mark.parametrize("kind", ["html", "txt"])
def test_the_test_leads_card_names_plug_and_input_ground_first(tmp_path, kind):
    card = tmp_path / f"lead.{kind}"
    result = run("check", QUINCE, "--lead", card)
    assert f"The test lead's card is {card}." in result.output
    text = card.read_text()
    assert text.index("Remove the weapon") < text.index("no power wire") < text.index("RX1")
    for said in ("left drive ESC", "tx-on", "ground first" if kind == "txt" else "ground, first"):
        assert said in text
    assert "The lead takes 15 s" in text
    assert "All but the steps are own estimates." in text
    again = run("check", QUINCE, "--lead", tmp_path / "lead.pdf")
    assert (again.exit_code, "ends otherwise" in again.stderr) == (2, True)


@pytest.mark.parametrize(
    ("drawing", "data", "words"),
    [("a.png", "a.json", "ends in .svg"), ("a.svg", "a.svg", "name the same file")],
)
def test_names_that_cannot_be_meant_are_refused(tmp_path, drawing, data, words):
    result = run("check", QUINCE, "--drawing", tmp_path / drawing, "--json", tmp_path / data)
    assert result.exit_code == 2
    assert words in result.stderr
    assert not list(tmp_path.iterdir())


def test_new_blank_writes_a_sheet_that_reads(tmp_path):
    file = tmp_path / "mine.toml"
    result = run("new", "--blank", "-o", file)
    assert result.exit_code == 0
    assert str(file) in result.output
    assert load_sheet(file).channels == {}
    assert run("check", file).exit_code == 3


def test_new_does_not_overwrite_unless_asked(write):
    file = write("robot = 'Medlar'")
    result = run("new", "--blank", "-o", file)
    assert (result.exit_code, file.read_text()) == (2, "robot = 'Medlar'")
    assert "--replace" in result.stderr
    assert run("new", "--blank", "-o", file, "--replace").exit_code == 0
    assert load_sheet(file).robot == ""


def test_new_asks_and_writes_what_was_answered(tmp_path):
    file = tmp_path / "bench.toml"
    answers = [
        "Medlar",
        "",
        "transmitter",
        "both ways",
        "1",
        "",
        "",
        "RX3=switch",
        "",
        "",
        "RX1, RX2",
        "RX1",
        "0.4",
        "none",
        "",
        "4",
        "",
        "",
        "8",
        "no",
    ]
    answers += ["tx-on", "High", "button"]
    result = run("new", "-o", file, said="\n".join(answers) + "\n")
    assert result.exit_code == 0
    sheet = load_sheet(file)
    assert (sheet.robot, sheet.receiver.outputs, sheet.failsafe_s) == ("Medlar", 4, 2.0)
    assert [c.role for c in sheet.devices] == ["drive-left", "drive-right", "weapon", "servo"]
    assert [c.feeds_5v for c in sheet.devices] == [True, True, False, False]
    assert [c.no_pulses for c in sheet.devices] == ["stops", None, None, None]
    assert (sheet.channels["RX3"].neutral_us, sheet.marker.line) == (1500.0, "tx-on")
    assert sheet.no_pulses_after_s("RX1") == 0.4
    assert (sheet.marker.on, sheet.marker.kind) == ("high", "button")
    assert sheet.channels["RX3"].control == "switch"
    assert (sheet.mixer, sheet.transmitter.boot_s) == ("transmitter", 8.0)
    assert not sheet.transmitter.starts_with_sticks_up
    told = run("check", file)
    assert told.exit_code == 1
    assert told.output.startswith("does not meet: Two sources power the receiver at once")


def test_new_explains_each_question_in_one_line(tmp_path):
    answers = [*[""] * 11, "RX1", *[""] * 8, "tx-on", "", "light", ""]
    said = run("new", "-o", tmp_path / "bench.toml", said="\n".join(answers) + "\n").output
    explained = said.split("\n\n")[1:]
    assert len(explained) == len(answers)
    for block in explained:
        why, question, *_ = block.splitlines()
        assert why.endswith("."), why
        assert "[" in question, question


def test_new_asks_again_until_the_answer_can_stand(tmp_path):
    file = tmp_path / "bench.toml"
    answers = [
        "x" * 99, "Medlar", "maybe", "n", "sideways", "one way", "many", "99", "1", "relay", "kill",
        "A, B", "A, A, B", "A, B, RX 9", "A", "A=lever", "A=switch", "C", "A", "B", "C", "none",
        "C", "unknown", "B", "soon", "90", "unknown",
        "loud", "100", "7.4", "5", "4.5", "none", "6", "Receiver", "0", "soon",
        "1,5", "soon", "12", "maybe", "unknown", "A", "tx", "up", "unknown", "knob", "switch",
    ]  # fmt: skip
    result = run("new", "-o", file, said="\n".join(answers) + "\n")
    assert result.exit_code == 0, result.output + result.stderr
    sheet = load_sheet(file)
    assert list(sheet.channels) == ["A", "B", "RX 9"]
    assert [c.feeds_5v for c in sheet.devices] == [None, None, None]
    assert (sheet.sources["separate"].voltage_v, sheet.failsafe_s) == (7.4, 1.5)
    assert (sheet.receiver.outputs, sheet.no_pulses_after_s("B")) == (6, None)
    assert sheet.sources["second"].voltage_v == 5.0
    assert sheet.receiver.failsafe_in == "receiver"
    assert (sheet.marker.line, sheet.marker.on, sheet.marker.kind) == ("tx", None, "switch")


def test_new_asks_for_a_robot_as_built(tmp_path):
    """An ESC that mixes, a kill channel, a spare, a weapon on a switch, a light as the marker."""
    file = tmp_path / "bench.toml"
    answers = [
        "Medlar", "y", "ESC", "one way", "0", "kill, spare", "", "RX3=switch", "RX3", "RX4", "RX5",
        "", "", "", "", "", "", "", "", "unknown", "lamp", "high", "light", "0.9",
    ]  # fmt: skip
    result = run("new", "-o", file, said="\n".join(answers) + "\n")
    assert result.exit_code == 0, result.output + result.stderr
    sheet = load_sheet(file)
    roles = ["drive-forward", "drive-turn", "weapon", "kill", "spare"]
    assert [c.role for c in sheet.channels.values()] == roles
    assert sheet.mixer == "ESC"
    assert sheet.guards_of == {"RX3": ("RX4",)}
    assert sheet.channels["RX4"].no_pin
    assert sheet.channels["RX5"].receiver == "second"
    assert (sheet.marker.kind, sheet.marker.late_s) == ("light", 0.9)


def test_check_names_the_keys_that_the_failsafe_check_needs(write):
    sheet = write("[marker]\nline = 'tx-on'\n[channels.A]\nrole = 'weapon'\nno_pulses = 'stops'")
    _, told = run("check", sheet).output.split("The failsafe check needs")
    named = [line.strip() for line in told.splitlines() if line.startswith("  ") and line[2] != " "]
    assert named == [
        "marker.on",
        "marker.kind",
        "channels.A.stop_us",
        "channels.A.no_pulses_after_s",
    ]
    assert "failsafe check" not in run("check", QUINCE).output
    assert "failsafe check" not in run("check", sheet, "--json", "-").output


@pytest.mark.parametrize(
    ("said", "words"),
    [
        ("", "nothing was written. `pwmscope sheet new --blank`"),
        ("Medlar\ny\n", "nothing was written"),
        ("Medlar\nn\nnone\n0\nnone\n", "has nothing to wire; nothing was written"),
    ],
)
def test_new_that_is_left_early_writes_nothing(tmp_path, said, words):
    result = run("new", "-o", tmp_path / "bench.toml", said=said)
    assert result.exit_code == 2
    assert words in result.stderr
    assert not list(tmp_path.iterdir())
