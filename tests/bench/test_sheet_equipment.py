"""Sheet keys of transmitter, receiver, sources, loads and analyser: what is read, what refused."""

import json
import time
import tomllib
from pathlib import Path

import jsonschema
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from pwmscope.bench import BLANK, SheetError, load_sheet
from pwmscope.bench.sheet import MAX_BYTES, parse_sheet
from pwmscope.errors import PwmscopeError

ROOT = Path(__file__).parents[2]
DRIVE = "[channels.A]\nrole = 'drive-left'\n"


def fault_of(text):
    try:
        parse_sheet(text)
    except SheetError as error:
        return error
    return None


def test_what_is_left_out_is_not_known():
    sheet = parse_sheet("[channels.A]\nrole = 'servo'")
    assert (sheet.transmitter.protocol, sheet.receiver.outputs, sheet.sources) == ("", None, {})
    assert (sheet.receiver.supply_v, sheet.analyser.lines, sheet.analyser.input_v) == (
        None,
        (),
        None,
    )
    channel = sheet.channels["A"]
    for key in ("output", "splitter", "same_device_as", "supplied_by", "stall_a", "draws_a"):
        assert getattr(channel, key) is None
    assert (channel.us_per_percent, channel.reversed, channel.signal_and_ground_only) == (None,) * 3


def test_everything_that_is_stated_is_read():
    sheet = parse_sheet(
        """
        [transmitter]
        protocol = "slow link"
        [receiver]
        band = "2.4 GHz"
        outputs = 6
        supply_v = [4, 8.4]
        signal_v = 3.3
        draws_a = 0.06
        on_loss = "goes to preset"
        [sources."left BEC"]
        voltage_v = 5
        continuous_a = 3
        cable = "A"
        [analyser]
        input_v = 3.6
        lines = ["A", "lamp"]
        ground_first = true
        divider_ohm = [10_000, 18_000]
        [marker]
        line = "lamp"
        [channels.A]
        role = "drive-left"
        output = 2
        us_per_percent = 5.12
        reversed = true
        [channels.B]
        role = "drive-left"
        same_device_as = "A"
        """
    )
    receiver, source, analyser = sheet.receiver, sheet.sources["left BEC"], sheet.analyser
    assert (sheet.transmitter.protocol, receiver.band) == ("slow link", "2.4 GHz")
    assert (receiver.outputs, receiver.supply_v, receiver.signal_v) == (6, (4.0, 8.4), 3.3)
    assert (receiver.draws_a, receiver.on_loss) == (0.06, "goes to preset")
    assert (source.name, source.voltage_v, source.continuous_a) == ("left BEC", 5.0, 3.0)
    assert (source.cable, source.powers_receiver) == ("A", None)
    assert (analyser.lines, analyser.divider_ohm) == (("A", "lamp"), (10_000.0, 18_000.0))
    assert (sheet.channels["A"].us_per_percent, sheet.channels["A"].reversed) == (5.12, True)
    assert [device.line for device in sheet.devices] == ["A"]


UNITS = {
    f"{DRIVE}stall_a = '500mA'": (3, "channels.A.stall_a", "; 500mA is 0.5 A, so write 0.5."),
    f"{DRIVE}stall_a = '2,5'": (3, "channels.A.stall_a", "; write 2.5 without quotes."),
    f"{DRIVE}stall_a = '5 V'": (3, "channels.A.stall_a", "; 5 V is a voltage."),
    f"{DRIVE}stall_a = 1200": (
        3,
        "channels.A.stall_a",
        "1200 was meant in milliamperes, write 1.2",
    ),
    f"{DRIVE}draws_a = '2200 mAh'": (
        3,
        "channels.A.draws_a",
        "; 2200 mAh is a battery's capacity.",
    ),
    f"{DRIVE}stall_a = '0 mA'": (3, "channels.A.stall_a", "above 0, at most 500."),
    f"{DRIVE}low_us = 1.1": (3, "channels.A.low_us", "1.1 was meant in milliseconds, write 1100"),
    f"{DRIVE}low_us = '1.1 ms'": (3, "channels.A.low_us", "; 1.1 ms is 1100 us, so write 1100."),
    f"{DRIVE}low_us = '1100 µs'": (3, "channels.A.low_us", "is 1100 us, so write 1100."),
    f"{DRIVE}us_per_percent = 0": (3, "channels.A.us_per_percent", "above 0, at most 100"),
    f"{DRIVE}us_per_percent = nan": (3, "channels.A.us_per_percent", "value is nan"),
    f"{DRIVE}us_per_percent = '5 us/%'": (3, "channels.A.us_per_percent", "so write 5."),
    "[receiver]\nsignal_v = 5000": (2, "receiver.signal_v", "in millivolts, write 5."),
    "[receiver]\nsignal_v = '3.3 A'": (
        2,
        "receiver.signal_v",
        "volts from 1 to 60; 3.3 A is a curr",
    ),
    "[receiver]\nsignal_v = inf": (
        2,
        "receiver.signal_v",
        "value is inf, expected a number of volts",
    ),
    "[receiver]\nsupply_v = [4000, 8400]": (2, "receiver.supply_v", "in millivolts, write 4."),
    "[receiver]\nsupply_v = 5": (2, "receiver.supply_v", "two numbers of volts from 1 to 60"),
    "[receiver]\nsupply_v = '5V'": (2, "receiver.supply_v", "; 5V is 5 V, so write 5."),
    "[limits]\nfailsafe_s = 2000": (2, "limits.failsafe_s", "in milliseconds, write 2."),
    "[limits]\nfailsafe_s = '500 ms'": (2, "limits.failsafe_s", "is 0.5 s, so write 0.5."),
    "[analyser]\ndivider_ohm = ['10k', 1]": (2, "analyser.divider_ohm", "10k is 10000 ohm"),
    "[analyser]\ndivider_ohm = ['10 k\u2126', 1]": (2, "analyser.divider_ohm", "is 10000 ohm"),
    "[sources.x]\ncontinuous_a = '3 bananas'": (2, "sources.x.continuous_a", "at most 500."),
}

KINDS = {
    "[receiver]\noutputs = 6.5": (2, "receiver.outputs", "a whole number from 1 to 64"),
    "[receiver]\noutputs = 0": (2, "receiver.outputs", "a whole number from 1 to 64"),
    "[receiver]\non_loss = 'hold'": (2, "receiver.on_loss", 'one of "pulses stop", "holds last"'),
    "[receiver]\nprotocoll = 'x'": (2, "receiver.protocoll", "of which protocol is the nearest"),
    "[reciever]\noutputs = 6": (1, "reciever", "of which receiver is the nearest"),
    "[sources.x]\nvoltage = 5": (2, "sources.x.voltage", "of which voltage_v is the nearest"),
    "[sources]\nx = 5": (2, "sources.x", "expected a table of keys"),
    "[analyser]\nlines = 'A'": (2, "analyser.lines", "a list of at most 64 names of lines"),
    f"{DRIVE}stall_ma = 500": (3, "channels.A.stall_ma", "of which stall_a is the nearest"),
    f"{DRIVE}supplied_by = 'battery'": (3, "channels.A.supplied_by", '"receiver", "outside"'),
}

CONTRADICTIONS = {
    "[receiver]\nsupply_v = [8, 4]": (2, "receiver.supply_v", "the lower voltage first"),
    f"[receiver]\noutputs = 2\n{DRIVE}output = 3": (5, "channels.A.output", "at most 2, the rece"),
    f"{DRIVE}[sources.x]\ncable = 'a'": (4, "sources.x.cable", "the line of a device"),
    f"{DRIVE}[sources.x]\ncable='A'\n[sources.y]\ncable='A'": (6, "sources.y.cable", "since x com"),
    f"{DRIVE}feeds_5v = false\n[sources.x]\ncable = 'A'\npowers_receiver = true": (
        6, "sources.x.powers_receiver", "false, as feeds_5v of A says"),
    f"{DRIVE}feeds_5v = true\n[sources.x]\ncable = 'A'\npowers_receiver = false": (
        6, "sources.x.powers_receiver", "true, as feeds_5v of A says"),
    f"{DRIVE}signal_and_ground_only = true\n[sources.x]\ncable = 'A'\npowers_receiver = true": (
        6, "sources.x.powers_receiver", "the cable of A has no power wire"),
    f"{DRIVE}supplied_by = 'receiver'\n[sources.x]\ncable = 'A'\npowers_receiver = true": (
        6, "sources.x.powers_receiver", "supplied by the receiver"),
    f"{DRIVE}feeds_5v = true\nsignal_and_ground_only = true": (
        3, "channels.A.feeds_5v", "false, since the cable has no power wire"),
    f"{DRIVE}feeds_5v = true\nsupplied_by = 'receiver'": (
        4, "channels.A.supplied_by", '"outside", since the device feeds the receiver'),
    f"{DRIVE}supplied_by = 'outside'\nstall_a = 2": (4, "channels.A.stall_a", "its own supply"),
    f"{DRIVE}feeds_5v = true\ndraws_a = 2": (4, "channels.A.draws_a", "feeds the receiver"),
    f"{DRIVE}signal_and_ground_only = true\ndraws_a = 2": (
        4, "channels.A.draws_a", "the cable has no power wire"),
    f"{DRIVE}stall_a = 1\ndraws_a = 2": (4, "channels.A.draws_a", "no more than stall_a"),
    f"{DRIVE}same_device_as = 'A'": (3, "channels.A.same_device_as", "line of the device itself"),
    f"{DRIVE}same_device_as = 'RX1'": (3, "channels.A.same_device_as", "line of the device itself"),
    f"{DRIVE}[channels.B]\nrole='servo'\nsame_device_as='A'": (
        5, "channels.B.same_device_as", "a line of the same role, but it is drive-left"),
    f"{DRIVE}[channels.B]\nrole='drive-left'\nsame_device_as='A'\noutput=1": (
        6, "channels.B.output", "no such key, since it is stated where the device is"),
    "[channels.A]\nrole='stick-rudder'\nstall_a=1": (3, "channels.A.stall_a", "is a stick"),
    "[channels.A]\nrole='stick-rudder'\n[sources.x]\ncable='A'": (4, "sources.x.cable", "a device"),
    f"{DRIVE}[analyser]\nlines = ['A', 'a']": (4, "analyser.lines", "lines of channels or of the"),
    f"{DRIVE}[analyser]\nlines = ['A', 'A']": (4, "analyser.lines", "each line once"),
    "[analyser]\ndivider_ohm = [10, 10]\nshifted_v = 3.3": (3, "analyser.shifted_v", "divider_ohm"),
    f"[channels.{'A' * 201}]\nrole = 'servo'": (1, f"channels.{'A' * 108}...", "1 to 200 charact"),
    "[channels.'']\nrole = 'servo'": (1, 'channels.""', "a name of 1 to 200 characters"),
}  # fmt: skip

BAD = UNITS | KINDS | CONTRADICTIONS


@pytest.mark.parametrize(("text", "told"), BAD.items(), ids=range(len(BAD)))
def test_each_fault_is_one_sentence_with_line_key_value_and_what_is_allowed(text, told):
    line, key, words = told
    with pytest.raises(SheetError) as caught:
        parse_sheet(text, source="bench.toml")
    message = str(caught.value)
    assert message.startswith(f"bench.toml, line {line}, {key}: ")
    assert words in message
    assert ", expected " in message
    assert message.isprintable()
    assert len(message) < 600


def test_the_schema_refuses_what_the_reader_does_but_for_contradictions():
    """Held against jsonschema, a general-purpose validator (draft 2020-12)."""
    schema = json.loads((ROOT / "docs" / "sheet.schema.json").read_text())
    checker = jsonschema.Draft202012Validator(schema)
    assert checker.is_valid(tomllib.loads((ROOT / "captures" / "bench.toml").read_text()))
    for text in UNITS | KINDS:
        if "nan" not in text:  # NaN passes every comparison of a JSON Schema
            assert not checker.is_valid(tomllib.loads(text)), text
    for text in CONTRADICTIONS:
        assert checker.is_valid(tomllib.loads(text)), text


def test_sticks_may_state_the_transmitters_travel_and_direction():
    sheet = parse_sheet("[channels.A]\nrole = 'stick-rudder'\nus_per_percent = 5\nreversed = true")
    assert (sheet.channels["A"].us_per_percent, sheet.channels["A"].reversed) == (5.0, True)


HOSTILE = {
    "a dotted key of 60000 parts": ".".join(["a"] * 60_000) + " = 1",
    "such a key in an inline table": "x = {" + ".".join(["a"] * 60_000) + " = 1}",
    "such a key of quoted parts": ".".join(['"a\\"b"'] * 30_000) + " = 1",
    "such a heading": "[" + " . ".join(["a"] * 60_000) + "]",
    "such an array of tables": "[[" + ".".join(["a"] * 60_000) + "]]",
    "lists in lists": "robot = " + "[" * 5000 + "]" * 5000,
    "lists in lists, just shallow enough": "robot = " + "[" * 200 + "]" * 200,
    "tables in tables": "receiver = " + "{a = " * 5000 + "1" + "}" * 5000,
    "tables in tables, just shallow enough": "receiver = " + "{a = " * 120 + "1" + "}" * 120,
    "thousands of unknown keys": "\n".join(f"key{i} = {i}" for i in range(10_000)),
    "an endless key": "k" * 200_000 + " = 1",
    "an endless text": f"robot = '{'x' * 200_000}'",
    "only brackets": "[" * 200_000,
    "only quotes": '"' * 200_000,
    "only commas and blanks": "[ , \t" * 50_000,
    "a hundred thousand lines": "\n" * 100_000 + "x",
}


@pytest.mark.parametrize("text", HOSTILE.values(), ids=HOSTILE)
def test_a_hostile_sheet_is_refused_at_once_in_one_sentence(text):
    begun = time.process_time()
    fault = fault_of(text)
    assert time.process_time() - begun < 5.0, "a hundred times what the slowest takes"
    assert fault is not None
    assert str(fault).isprintable()
    assert len(str(fault)) < 700


def test_a_megabyte_of_anything_is_no_sheet(tmp_path):
    file = tmp_path / "noise.toml"
    file.write_bytes(bytes(range(32, 127)) * (1_000_000 // 95))
    assert file.stat().st_size > MAX_BYTES
    with pytest.raises(PwmscopeError, match="a few kilobytes of text"):
        load_sheet(file)


PIECES = st.sampled_from(
    [
        "[receiver]", "[sources.x]", "[channels.A]", "[channels.B]", "[analyser]", "[transmitter]",
        "role = 'servo'", "role = 'drive-left'", "cable = 'A'", "same_device_as = 'A'",
        "powers_receiver = true", "feeds_5v = true", "supplied_by = 'receiver'", "output = 3",
        "outputs = 2", "supply_v = [5, 4]", "stall_a = 2", "draws_a = 3", "lines = ['A', 'B']",
        "signal_and_ground_only = true", "divider_ohm = [10, 10]", "shifted_v = 3", "x = {y = [",
        "]}", "'''", '"', "=", ".", "#", "\x00", "\u202e", "nan", "1e999",
        "[[channels]]", "a.b.c = 1",
        "channels.'\n' = 1", "1979-05-27T07:32:00Z", "band = '\\'", 'device = "\\u202e"',
    ]
)  # fmt: skip


@settings(max_examples=300)
@given(st.lists(PIECES, max_size=14), st.sampled_from(["\n", " ", ""]))
@example(["[channels.A]", "role = 'servo'", "x = {y = [", "]}"], "\n")
def test_any_heap_of_pieces_is_a_sheet_or_one_sentence(pieces, between):
    fault = fault_of(between.join(pieces))
    assert fault is None or str(fault).isprintable()


@settings(max_examples=150)
@given(st.data())
def test_a_sheet_with_letters_changed_is_a_sheet_or_one_sentence(data):
    text = BLANK.replace("\n#", "\n")
    at = data.draw(st.integers(0, len(text)))
    cut = data.draw(st.integers(0, 12))
    put = data.draw(st.text(max_size=6) | PIECES)
    fault = fault_of(text[:at] + put + text[at + cut :])
    assert fault is None or (str(fault).isprintable() and fault.line <= text.count("\n") + 8)
