"""Given this sheet, the wiring rules must say this, and never more than it states."""

from pathlib import Path

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from pwmscope.bench import SheetError, load_sheet, parse_sheet
from pwmscope.bench.wiring import WIRING_RULES, check_wiring, outputs_needed
from pwmscope.model import Verdict

ROOT = Path(__file__).parents[2]
QUINCE = ROOT / "captures" / "bench.toml"
MEETS, BREAKS, OPEN = Verdict.MEETS, Verdict.DOES_NOT_MEET, Verdict.NOT_SHOWN


def rule(name, text):
    wiring = check_wiring(parse_sheet(text))
    return next(ruling for ruling in wiring.rulings if ruling.name == name)


def devices(**lines):
    return "\n".join(f"[channels.{line}]\n{keys}" for line, keys in lines.items())


LEFT, RIGHT = "role = 'drive-left'\n", "role = 'drive-right'\n"
SERVO, WEAPON = "role = 'servo'\n", "role = 'weapon'\n"
FEEDS, DUMB = "feeds_5v = true\n", "feeds_5v = false\n"
BEC = "[sources.bec]\nvoltage_v = 5\ncontinuous_a = 3\npowers_receiver = true\n"
RECEIVER = "[receiver]\ndraws_a = 0.1\nsupply_v = [4, 6]\n"


@pytest.mark.parametrize(
    ("text", "verdict", "words"),
    [
        ("", OPEN, "What powers the receiver is not stated."),
        (devices(A=LEFT), OPEN, "No source is stated to power the receiver, and whether A (drive"),
        (devices(A=LEFT + DUMB), BREAKS, "Nothing on this sheet powers the receiver"),
        (devices(A=SERVO + "supplied_by = 'receiver'"), BREAKS, "stays dark"),
        (devices(A=LEFT + FEEDS), MEETS, "Exactly one source powers the receiver: A (drive-left)"),
        (
            devices(A=LEFT + FEEDS, B=RIGHT),
            OPEN,
            "A (drive-left) powers the receiver, and whether B",
        ),
        (devices(A=LEFT + FEEDS, B=RIGHT + DUMB), MEETS, "5 V."),
        (
            devices(A=LEFT + FEEDS, B=RIGHT + FEEDS),
            BREAKS,
            "Two sources power the receiver at once",
        ),
        (
            BEC + devices(A=LEFT + FEEDS),
            BREAKS,
            "Two sources power the receiver at once: bec and A",
        ),
        (BEC + devices(A=LEFT + DUMB), MEETS, "Exactly one source powers the receiver: bec, 5 V."),
        ("[sources.b]\n" + devices(A=LEFT + DUMB), OPEN, "whether b does is not stated"),
        ("[sources.b]\npowers_receiver = true", MEETS, "its voltage is not stated"),
        ("[sources.b]\npowers_receiver = false", BREAKS, "stays dark"),
        (
            devices(A=LEFT + FEEDS, B="role = 'drive-left'\nsame_device_as = 'A'"),
            MEETS,
            "Exactly one source",
        ),
        (devices(A=LEFT + FEEDS, B="role = 'stick-rudder'"), MEETS, "Exactly one source"),
        (
            devices(A=LEFT + FEEDS, W=WEAPON + "signal_and_ground_only = true"),
            MEETS,
            "Exactly one source",
        ),
    ],
)
def test_exactly_one_source_powers_the_receiver(text, verdict, words):
    found = rule("one source", text)
    assert found.verdict is verdict
    assert words in found.sentence


def test_two_escs_with_both_power_wires_are_a_conflict_and_the_advice_lifts_all_pins_but_one():
    text = "".join(
        f"[sources.{name}]\ncontinuous_a = {amps}\ncable = '{line}'\n"
        for name, amps, line in (("weak", 2, "A"), ("strong", 5, "B"))
    ) + devices(A=LEFT + FEEDS, B=RIGHT + FEEDS)
    found = rule("one source", text)
    assert found.verdict is BREAKS
    assert "weak on the cable of A (drive-left) and strong on the cable of B" in found.sentence
    assert "lift the power pin" in found.advice
    assert "the strongest (strong on the cable of B (drive-right), 5 A)" in found.advice
    assert found.at == (("sources", "weak"), ("sources", "strong"))


def test_feeds_5v_of_a_channel_is_the_source_on_its_cable():
    text = "[sources.bec]\ncontinuous_a = 3\ncable = 'A'\n" + devices(A=LEFT + FEEDS)
    wiring = check_wiring(parse_sheet(text))
    assert [(f.powers, f.voltage_v, f.continuous_a) for f in wiring.feeds] == [(True, 5.0, 3.0)]


@pytest.mark.parametrize(
    ("text", "verdict", "words"),
    [
        ("", OPEN, "What powers the receiver is not stated."),
        (BEC, OPEN, "The receiver's supply range is not stated; 5 V is usual"),
        (RECEIVER + BEC, MEETS, "bec gives 5 V, within the receiver's 4 to 6 V."),
        ("[receiver]\nsupply_v = [5, 5]\n" + BEC, MEETS, "within the receiver's 5 to 5 V"),
        (
            "[receiver]\nsupply_v = [5.5, 8]\n" + BEC,
            BREAKS,
            "Outside the receiver's 5.5 to 8 V: bec",
        ),
        ("[receiver]\nsupply_v = [3, 4.9]\n" + BEC, BREAKS, "bec with 5 V"),
        (RECEIVER + "[sources.b]\npowers_receiver = true", OPEN, "The voltage of b is not stated."),
        (RECEIVER + devices(A=LEFT + FEEDS), MEETS, "A (drive-left) gives 5 V"),
    ],
)
def test_the_source_lies_in_the_receivers_range(text, verdict, words):
    found = rule("receiver supply", text)
    assert found.verdict is verdict
    assert words in found.sentence


def servos(*keys):
    return devices(**{f"S{i}": SERVO + key for i, key in enumerate(keys)})


FED = "supplied_by = 'receiver'\n"


@pytest.mark.parametrize(
    ("text", "verdict", "words"),
    [
        ("", OPEN, "not exactly one is stated"),
        (BEC, OPEN, "No current is stated. What the receiver itself draws"),
        (
            RECEIVER + BEC,
            MEETS,
            "the receiver itself draws 0.1 A. That is within 80% of the 3 A of bec",
        ),
        (RECEIVER + BEC + servos(FED + "stall_a = 2.3"), MEETS, "draw 0.1 + 2.3 = 2.4 A"),
        (RECEIVER + BEC + servos(FED + "stall_a = 2.31"), BREAKS, "more than 80% of the 3 A"),
        (
            RECEIVER + BEC + servos(FED + "stall_a = 2.91"),
            BREAKS,
            "= 3.01 A. That is more than the 3 A",
        ),
        (RECEIVER + BEC + servos(FED + "draws_a = 1\nstall_a = 2.5"), BREAKS, "0.1 + 2.5"),
        (RECEIVER + BEC + servos(FED + "draws_a = 1"), MEETS, "0.1 + 1 = 1.1 A"),
        (
            RECEIVER + BEC + servos(FED, FED),
            OPEN,
            "What S0 (servo) and S1 (servo) draw from the 3 A",
        ),
        # What is known is enough to say that it is too much.
        (RECEIVER + BEC + servos(FED, FED + "stall_a = 4"), BREAKS, "more than the 3 A"),
        (RECEIVER + BEC + servos("supplied_by = 'outside'"), MEETS, "draws 0.1 A"),
        (RECEIVER + BEC + servos("signal_and_ground_only = true"), MEETS, "draws 0.1 A"),
        (RECEIVER + devices(A=LEFT + FEEDS), OPEN, "How much current A (drive-left) can give"),
    ],
)
def test_currents_are_summed_against_the_source(text, verdict, words):
    found = rule("current budget", text)
    assert found.verdict is verdict
    assert words in found.sentence


@pytest.mark.parametrize(
    ("sent", "taken", "verdict"),
    [
        ("slow link 2", "slow link 2", MEETS),
        ("Slow  Link 2", "slow link2", MEETS),
        ("slow link 2", "slow link 1", BREAKS),
        ("", "slow link 1", OPEN),
        ("slow link 1", " ", OPEN),
        ("", "", OPEN),
    ],
)
@pytest.mark.parametrize(("name", "key"), [("link protocol", "protocol"), ("radio band", "band")])
def test_both_ends_of_the_link_state_the_same(name, key, sent, taken, verdict):
    text = f"[transmitter]\n{key} = '{sent}'\n[receiver]\n{key} = '{taken}'"
    found = rule(name, text)
    assert found.verdict is verdict
    assert key in found.sentence


@pytest.mark.parametrize(
    ("outputs", "lines", "verdict", "words"),
    [
        (None, {"A": LEFT}, OPEN, "how many the receiver has is not stated"),
        (4, {}, OPEN, "states no device"),
        (3, {"A": LEFT, "B": RIGHT, "C": WEAPON}, MEETS, "need 3 outputs, and the receiver has 3"),
        (2, {"A": LEFT, "B": RIGHT, "C": WEAPON}, BREAKS, "need 3 outputs, and the receiver has 2"),
        (2, {"A": LEFT, "C": WEAPON}, BREAKS, "need 3 outputs"),
        (6, {"A": LEFT, "C": WEAPON}, OPEN, "no drive-right; a tank drive needs two"),
        (1, {"A": SERVO}, MEETS, "need 1 output,"),
        (1, {"A": SERVO, "B": SERVO}, BREAKS, "need 2 outputs"),
        (1, {"A": SERVO, "S": "role = 'stick-rudder'"}, MEETS, "need 1 output"),
        (1, {"A": SERVO, "S": "role = 'servo'\nsame_device_as = 'A'"}, MEETS, "need 1 output"),
        (
            2,
            {
                "A": LEFT + "output = 1\nsplitter = true",
                "A2": LEFT + "output = 1\nsplitter = true",
                "B": RIGHT + "output = 2",
            },
            MEETS,
            "need 2 outputs",
        ),
    ],
)
def test_there_are_enough_outputs(outputs, lines, verdict, words):
    text = "" if outputs is None else f"[receiver]\noutputs = {outputs}\n"
    found = rule("enough outputs", text + devices(**lines))
    assert found.verdict is verdict
    assert words in found.sentence


ON_ONE = "output = 1\n"


@pytest.mark.parametrize(
    ("lines", "verdict", "words"),
    [
        ({}, OPEN, "states no device"),
        ({"A": LEFT, "B": RIGHT + ON_ONE}, OPEN, "On which output A (drive-left) is"),
        ({"A": LEFT + "output = 2", "B": RIGHT + ON_ONE}, MEETS, "an output of its own."),
        ({"A": LEFT + ON_ONE, "B": LEFT + ON_ONE}, OPEN, "whether by a splitter is not stated"),
        (
            {"A": LEFT + ON_ONE + "splitter = false", "B": LEFT + ON_ONE},
            BREAKS,
            "A (drive-left) and B (drive-left) are on output 1 without a splitter.",
        ),
        (
            {"A": LEFT + ON_ONE + "splitter = true", "B": LEFT + ON_ONE + "splitter = true"},
            MEETS,
            "shared by a splitter: output 1.",
        ),
        (
            {"A": LEFT + ON_ONE + "splitter = true", "B": WEAPON + ON_ONE + "splitter = true"},
            BREAKS,
            "although they do different things",
        ),
    ],
)
def test_no_two_devices_share_an_output_by_accident(lines, verdict, words):
    found = rule("one device an output", devices(**lines))
    assert found.verdict is verdict
    assert words in found.sentence


@pytest.mark.parametrize(
    ("on_loss", "keys", "verdict"),
    [
        ("", LEFT, OPEN),
        ("", LEFT + "no_pulses = 'stops'", MEETS),
        ("", LEFT + "no_pulses = 'keeps going'", MEETS),
        ("", LEFT + "stop_us = [1470, 1530]", MEETS),
        ("", SERVO + "no_pulses = 'keeps going'", OPEN),
        ("", SERVO + "no_pulses = 'keeps going'\nstop_us = 1500", MEETS),
        ("", SERVO + "no_pulses = 'stops'", MEETS),
        ("holds last", LEFT + "no_pulses = 'stops'", BREAKS),
        ("pulses stop", LEFT + "no_pulses = 'stops'", MEETS),
        ("pulses stop", LEFT + "no_pulses = 'keeps going'", BREAKS),
        ("pulses stop", LEFT + "stop_us = [1470, 1530]", OPEN),
        ("goes to preset", LEFT, MEETS),
        ("goes to preset", SERVO, OPEN),
        ("goes to preset", SERVO + "stop_us = 1500", MEETS),
    ],
)
def test_for_every_moving_device_a_failsafe_is_stated(on_loss, keys, verdict):
    head = f"[receiver]\non_loss = '{on_loss}'\n" if on_loss else ""
    found = rule("failsafe stated", head + devices(A=keys))
    assert found.verdict is verdict
    assert "A (" in found.sentence
    assert "safe" not in found.sentence


@pytest.mark.parametrize(
    ("keys", "verdict"),
    [
        ("", OPEN),
        ("supplied_by = 'receiver'", MEETS),
        ("supplied_by = 'outside'", MEETS),
        ("feeds_5v = true", MEETS),
        ("signal_and_ground_only = false", MEETS),
        ("signal_and_ground_only = true", OPEN),
        ("signal_and_ground_only = true\nsupplied_by = 'outside'", MEETS),
        ("signal_and_ground_only = true\nsupplied_by = 'receiver'", BREAKS),
    ],
)
def test_a_device_with_signal_and_ground_only_has_its_own_supply(keys, verdict):
    assert rule("signal and ground only", devices(A=WEAPON + keys)).verdict is verdict


def analyser(signal_v, keys):
    head = "" if signal_v is None else f"[receiver]\nsignal_v = {signal_v}\n"
    return f"{head}[analyser]\n{keys}"


@pytest.mark.parametrize(
    ("text", "verdict", "words"),
    [
        ("", OPEN, "What voltage the analyser's inputs take"),
        (analyser(None, "input_v = 3.3"), OPEN, "many give 3.3 V, some 5 V"),
        (
            analyser(3.3, "input_v = 3.3"),
            MEETS,
            "3.3 V from the receiver at inputs that take 3.3 V",
        ),
        (analyser(5, "input_v = 3.3"), BREAKS, "5 V from the receiver at inputs that take 3.3 V"),
        (analyser(5, "input_v = 3.3\ndivider_ohm = [10_000, 18_000]"), MEETS, "3.21 V behind the"),
        (analyser(5, "input_v = 3.3\ndivider_ohm = [10_000, 20_000]"), BREAKS, "3.33 V behind the"),
        (analyser(5, "input_v = 3.3\nshifted_v = 3.3"), MEETS, "3.3 V behind the level shifter"),
        (analyser(None, "input_v = 3.3\nshifted_v = 5"), BREAKS, "5 V behind the level shifter"),
    ],
)
def test_the_signals_level_fits_the_analyser(text, verdict, words):
    found = rule("signal level", text)
    assert found.verdict is verdict
    assert words in found.sentence


@example(signal=210, input_tenths=85)
@settings(max_examples=60)
@given(st.integers(101, 600), st.integers(10, 100))
def test_a_divider_made_as_advised_is_then_accepted(signal, input_tenths):
    """The advised ratio, applied, must meet the rule that gave the advice."""
    signal_v, input_v = signal / 10.0, input_tenths / 10.0
    found = rule("signal level", analyser(signal_v, f"input_v = {input_v}"))
    if found.verdict is MEETS:
        assert signal_v <= input_v
        return
    ratio = float(found.advice.split(" at most ")[2].split(" times")[0])
    keys = f"input_v = {input_v}\ndivider_ohm = [10_000, {10_000 * ratio}]"
    assert rule("signal level", analyser(signal_v, keys)).verdict is MEETS


@pytest.mark.parametrize(("said", "verdict"), [("true", MEETS), ("false", BREAKS), (None, OPEN)])
def test_ground_comes_first(said, verdict):
    text = "" if said is None else f"[analyser]\nground_first = {said}"
    assert rule("ground first", text).verdict is verdict


def test_every_rule_runs_on_the_shipped_sheet_and_is_met():
    wiring = check_wiring(load_sheet(QUINCE))
    assert [ruling.name for ruling in wiring.rulings] == [found.name for found in WIRING_RULES]
    assert {ruling.name: ruling.verdict for ruling in wiring.rulings} == dict.fromkeys(
        (found.name for found in WIRING_RULES), MEETS
    )
    assert wiring.answer.sentence == (
        "Exactly one source powers the receiver: "
        "left BEC on the cable of RX1 (left drive ESC), 5 V."
    )
    assert wiring.verdict is MEETS


@pytest.mark.parametrize(
    ("before", "after", "name"),
    [
        ("powers_receiver = true", "powers_receiver = false", "one source"),
        ("supply_v = [4.0, 8.4]", "supply_v = [5.5, 8.4]", "receiver supply"),
        ("stall_a = 1.2", "stall_a = 2.5", "current budget"),
        ('protocol = "club set A"', 'protocol = "fixed"', "link protocol"),
        ('band = "2.4 GHz"', 'band = "900 MHz"', "radio band"),
        ("[channels.RX4]", "[channels.RX5]\nrole = 'servo'\n[channels.RX4]", "enough outputs"),
        ("output = 4", "output = 3", "one device an output"),
        ("signal_v = 3.3", "on_loss = 'holds last'\nsignal_v = 3.3", "failsafe stated"),
        ("output = 3\nsupplied_by = \"outside\"", "output = 3\nsupplied_by = \"receiver\"",
         "signal and ground only"),
        ("input_v = 5.25", "input_v = 2.5", "signal level"),
        ("ground_first = true", "ground_first = false", "ground first"),
    ],
)  # fmt: skip
def test_each_rule_is_broken_by_one_change_of_the_shipped_sheet(before, after, name):
    text = QUINCE.read_text()
    assert before in text
    text = text.replace(before, after, 1)
    if name == "one source":
        text = text.replace("feeds_5v = true", "feeds_5v = false")
    found = rule(name, text)
    assert found.verdict is BREAKS
    assert found.advice
    assert found.at
    assert check_wiring(parse_sheet(text)).verdict is BREAKS


def test_the_rules_table_names_every_rule_with_its_reason_and_source():
    text = (ROOT / "docs" / "wiring.md").read_text()
    for number, found in enumerate(WIRING_RULES, 1):
        row = f"| {number} | {found.name} | {found.demands} | {found.reason} | {found.source} |"
        assert row in text


KEYS = st.fixed_dictionaries(
    {"role": st.sampled_from(["drive-left", "drive-right", "weapon", "servo", "stick-rudder"])},
    optional={
        "feeds_5v": st.booleans(),
        "splitter": st.booleans(),
        "signal_and_ground_only": st.booleans(),
        "supplied_by": st.sampled_from(["receiver", "outside"]),
        "no_pulses": st.sampled_from(["stops", "keeps going"]),
        "output": st.integers(1, 4),
        "stall_a": st.floats(0.1, 4),
    },
)


def toml(value):
    if isinstance(value, bool):
        return str(value).lower()
    return f"'{value}'" if isinstance(value, str) else repr(value)


@settings(max_examples=150)
@given(st.dictionaries(st.sampled_from("ABCDE"), KEYS), st.booleans(), st.integers(1, 6))
def test_whatever_a_sheet_states_each_rule_answers_in_whole_sentences(channels, bec, outputs):
    text = f"[receiver]\noutputs = {outputs}\n" + BEC * bec
    for line, keys in channels.items():
        text += f"[channels.{line}]\n" + "".join(f"{k} = {toml(v)}\n" for k, v in keys.items())
    try:
        sheet = parse_sheet(text)
    except SheetError:
        return
    wiring = check_wiring(sheet)
    for ruling in wiring.rulings:
        assert ruling.sentence.endswith(".")
        assert ruling.sentence[0].isupper() or ruling.sentence[0] in channels or bec
        assert bool(ruling.advice) == (ruling.verdict is not MEETS)
        assert not ruling.advice or ruling.advice.endswith(".")
    powered = [feed for feed in wiring.feeds if feed.powers]
    assert (wiring.answer.verdict is MEETS) <= (len(powered) == 1)
    assert len(powered) < 2 or wiring.answer.verdict is BREAKS
    assert outputs_needed(sheet) <= len(sheet.devices) + 1
