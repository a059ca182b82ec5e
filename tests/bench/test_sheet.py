"""The bench sheet: what flows out of a good one, and one sentence for each kind of bad one."""

import json
import subprocess
import sys
import tomllib
from pathlib import Path

import jsonschema
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pwmscope.bench import COMMON_PRACTICE, ROLES, SheetError, load_sheet, sheet_schema
from pwmscope.bench.sheet import MAX_BYTES, parse_sheet
from pwmscope.bench.toml_text import key_lines
from pwmscope.errors import PwmscopeError

ROOT = Path(__file__).parents[2]
QUINCE = ROOT / "captures" / "bench.toml"
SCHEMA = ROOT / "docs" / "sheet.schema.json"


def channel(text, line="A"):
    return parse_sheet(f"[channels.{line}]\n{text}")


def fault_of(text):
    try:
        parse_sheet(text)
    except SheetError as error:
        return error
    return None


def band(text):
    found = channel(text).stop_band("A")
    return found and (found.low_us, found.high_us)


def test_an_empty_sheet_says_nothing_but_the_defaults():
    sheet = parse_sheet("")
    assert (sheet.robot, sheet.club, sheet.marker, sheet.channels) == ("", "", None, {})
    assert sheet.failsafe_s == 2.0
    assert sheet.stop_band("RX1") is None
    assert sheet.no_pulses_stop("RX1") is None


def test_the_shipped_sheet_names_the_lines_of_the_shipped_captures():
    sheet = load_sheet(QUINCE)
    assert (sheet.robot, sheet.marker.line, sheet.marker.on) == ("Quince", "tx-on", "high")
    assert (sheet.marker.kind, sheet.marker.late_s) == ("switch", 0.01)
    assert sheet.gaps == ()
    roles = [sheet.channels[f"RX{n}"].role for n in (1, 2, 3, 4)]
    assert roles == ["drive-left", "drive-right", "weapon", "servo"]
    for script in (ROOT / "captures" / "scripts").glob("*.toml"):
        own = ROOT / "captures" / script.name
        sheet = load_sheet(own if own.exists() else QUINCE)
        named = set(sheet.channels)
        recorded = {entry["name"] for entry in tomllib.loads(script.read_text())["channel"]}
        assert recorded <= named, script.name


def test_the_limits_carry_the_sheets_time_and_its_rulebook():
    limits = parse_sheet('[limits]\nfailsafe_s = 1\nrulebook = "Weir rules, 4.2"').limits
    assert limits.failsafe_s == 1.0
    assert limits.neutral_us == COMMON_PRACTICE.neutral_us
    assert limits.source.endswith("the failsafe limit of 1 s is that of Weir rules, 4.2")


@pytest.mark.parametrize(
    ("text", "stops"),
    [
        ('role = "drive-left"', (1480, 1520)),
        ('role = "drive-left"\ndeadband_us = 50', (1475, 1525)),
        ('role = "drive-right"\nneutral_us = 1510\ndeadband_us = 50', (1485, 1535)),
        ('role = "drive-left"\nstop_us = [1450, 1540]\ndeadband_us = 50', (1450, 1540)),
        ('role = "drive-left"\nstop_us = 1505', (1485, 1525)),
        ('role = "drive-left"\nlow_us = 125\nneutral_us = 187.5\nhigh_us = 250', (185, 190)),
        ('role = "weapon"', (0, 1020)),
        ('role = "weapon"\nlow_us = 1100\nhigh_us = 1900', (0, 1116)),
        ('role = "weapon"\nneutral_us = 1500', (1480, 1520)),
        ('role = "weapon"\nneutral_us = 1500\ndeadband_us = 30', (1485, 1515)),
        ('role = "weapon"\nstop_us = [900, 1060]', (900, 1060)),
        ('role = "weapon"\nstop_us = 1000\ndeadband_us = 50', (975, 1025)),
        ('role = "servo"', None),
        ('role = "servo"\nstop_us = 1700', (1680, 1720)),
        ('role = "stick-throttle"', None),
    ],
)
def test_the_stop_range(text, stops):
    assert band(text) == stops


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ('role = "drive-left"', "no deadband is stated"),
        ('role = "drive-left"\ndeadband_us = 50', "the bench sheet's deadband of 50 us"),
        ('role = "weapon"', "a weapon that turns one way"),
        ('role = "weapon"\nstop_us = [900, 1060]', "The bench sheet states this stop range."),
    ],
)
def test_the_stop_range_says_where_it_comes_from(text, words):
    source = channel(text).stop_band("A").source
    assert words in source
    assert ("common practice" in source) == (text in ('role = "drive-left"', 'role = "weapon"'))
    assert "safe" not in source


def test_a_stop_range_includes_its_ends():
    found = channel('role = "drive-left"').stop_band("A")
    assert [found.holds(w) for w in (1479.9, 1480, 1520, 1520.1)] == [False, True, True, False]


@pytest.mark.parametrize(
    ("said", "stops"),
    [('no_pulses = "stops"', True), ('no_pulses = "keeps going"', False), ("", None)],
)
def test_what_no_pulses_mean_is_stated_or_unknown(said, stops):
    assert channel(f'role = "weapon"\n{said}').no_pulses_stop("A") is stops


@pytest.mark.parametrize(
    ("keys", "kind", "late_s"),
    [
        ("", None, 0.3),  # a kind that is not stated counts as a button
        ("kind = 'button'", "button", 0.3),
        ("kind = 'switch'", "switch", 0.0),
        ("kind = 'button'\nlate_s = 0.15", "button", 0.15),
        ("kind = 'switch'\nlate_s = 0.02", "switch", 0.02),
        ("late_s = 2", None, 2.0),
    ],
)
def test_how_late_the_marker_is_taken_to_be(keys, kind, late_s):
    marker = parse_sheet(f"[marker]\nline = 'tx-on'\n{keys}").marker
    assert (marker.on, marker.kind, marker.late_s) == (None, kind, late_s)


def test_a_device_runs_on_for_the_stated_time_after_its_last_pulse():
    sheet = channel("role = 'weapon'\nno_pulses = 'stops'\nno_pulses_after_s = 1.5")
    assert (sheet.no_pulses_stop("A"), sheet.no_pulses_after_s("A")) == (True, 1.5)
    assert channel("role = 'weapon'\nno_pulses = 'stops'").no_pulses_after_s("A") is None
    assert sheet.no_pulses_after_s("B") is None


def test_an_unused_line_is_no_device_and_has_no_stop_range():
    sheet = channel("role = 'unused'")
    assert sheet.devices == ()
    assert (sheet.stop_band("A"), sheet.channels["A"].neutral_us) == (None, None)


MARKED = "[marker]\nline = 'tx'\non = 'low'\nkind = 'button'\n"
STATED = f"{MARKED}[channels.A]\nrole = 'drive-left'\nno_pulses = 'keeps going'\n"


@pytest.mark.parametrize(
    ("text", "keys"),
    [
        ("", []),
        ("[marker]\nline = 'tx'", ["marker.on", "marker.kind"]),
        ("[marker]\nline = 'tx'\non = 'low'\nkind = 'button'", []),
        (
            "[channels.'RX 1']\nrole = 'weapon'",
            [
                "marker",
                *(
                    f'channels."RX 1".{key}'
                    for key in ("stop_us", "no_pulses", "no_pulses_after_s")
                ),
            ],
        ),
        (
            "[channels.A]\nrole = 'drive-left'\nno_pulses = 'keeps going'",
            ["marker", "channels.A.stop_us"],
        ),
        (
            "[channels.A]\nrole = 'drive-left'\nno_pulses = 'stops'\nstop_us = [1480, 1520]",
            ["marker", "channels.A.no_pulses_after_s"],
        ),
        (
            f"{MARKED}[channels.A]\nrole = 'drive-left'\nno_pin = true\nno_pulses = 'keeps going'",
            [],
        ),
        (f"{STATED}deadband_us = 60\nneutral_us = 1500", []),
        (f"{STATED}deadband_us = 60", ["channels.A.neutral_us"]),
        (f"{STATED}deadband_us = 600\nneutral_us = 1500", ["channels.A.deadband_us"]),
        (f"{STATED}deadband_us = 600\nstop_us = [1200, 1800]", []),
        (
            f"{STATED}stop_us = [1480, 1520]\n[channels.B]\nrole = 'drive-left'\n"
            "stop_us = [1480, 1520]\nno_pulses = 'keeps going'",
            ["channels.B.role"],
        ),
        ("[channels.A]\nrole = 'servo'\n[channels.B]\nrole = 'unused'", []),
        # All that stops is stated, but nothing shows when the transmitter is off.
        ("[channels.A]\nrole = 'servo'\nstop_us = [1480, 1520]", ["marker"]),
        (
            "[channels.A]\nrole = 'weapon'\nno_pulses = 'keeps going'\nstop_us = [900, 1050]",
            ["marker"],
        ),
    ],
)
def test_the_keys_that_the_failsafe_check_needs_are_named(text, keys):
    gaps = parse_sheet(text).gaps
    assert [gap.key for gap in gaps] == keys
    assert all("rite " in gap.advice for gap in gaps)


def test_an_implausible_deadband_does_not_widen_the_stop_range():
    band = parse_sheet(f"{STATED}deadband_us = 600").channels["A"].stop_band
    assert (band.low_us, band.high_us) == (1480, 1520)
    assert "a deadband of 600 us is more than 20 % of the travel" in band.source
    assert parse_sheet(f"{STATED}deadband_us = 200").channels["A"].stop_band.low_us == 1400


@pytest.mark.parametrize(
    ("line", "told"),
    [
        ("failsafe_s = 2,0", "failsafe_s: the value is 2,0, expected a point before the decimals: "
         "failsafe_s = 2.0."),
        ("us_per_percent = 5%", "expected a number alone, in the unit of the key's name: "
         "us_per_percent = 5."),
        ("late_s = 500ms", "late_s: the value is 500ms, expected a number alone, in the unit of "
         "the key's name."),
        ("[channels.CH 3]", 'a name with a blank has no quotes, expected [channels."CH 3"].'),
        ("robot = \u201cBramble\u201d", 'a quote is curly, expected straight quotes: robot = '
         '"Bramble".'),
        ("no_pulses = stops", 'expected quotes round it: no_pulses = "stops".'),
        ('robot = "Bramble', 'expected a quote at either end: robot = "Bramble".'),
        ("stop_us = 950 - 1040", "expected two numbers in brackets: stop_us = [950, 1040]."),
        ("stop_us = 950,5 - 1040", "expected two numbers in brackets: stop_us = [950.5, 1040]."),
        ('robot: "Bramble"', 'there is no equals sign, expected robot = "Bramble".'),
        ("stop us = 950", "a key has a blank, expected stop_us = 950."),
        ("reversed = True", "expected true or false in small letters: reversed = true."),
    ],
)  # fmt: skip
def test_the_usual_slips_are_told_with_what_to_write(line, told):
    with pytest.raises(SheetError) as error:
        parse_sheet(f"# a sheet\n{line}\n", source="own.toml")
    assert str(error.value).startswith("own.toml, line 2")
    assert str(error.value).endswith(told)


@pytest.mark.parametrize(
    ("data", "told"),
    [
        ("robot = 'a'".encode("utf-16"), "is written in UTF-16; save it as UTF-8"),
        (b"robot = 'a'\nclub = 'caf\xe9'", r"is written in not UTF-8 \(line 2\); save it as UTF-8"),
        (b"[[steps]]\nname = 'rest'\nseconds = 3\n", "is a capture plan; give it as `plan`"),
        (b"time_s,CH1,CH2\n0,0,1\n", "line 1: this is not TOML, and begins as a recording does"),
        (b"$timescale 1us $end\n", "line 1: this is not TOML, and begins as a rec"),
        (
            b"[channels.A]\nrole = 'Weapon'",
            'expected "weapon", or another that docs/sheet.md lists',
        ),
        (b"[marker]\nline = 'a'\non = 'High'", 'one of "low", "high", of which "high" is the near'),
    ],
)
def test_what_is_no_sheet_says_what_it_is(tmp_path, data, told):
    path = tmp_path / "own.toml"
    path.write_bytes(data)
    with pytest.raises(PwmscopeError, match=told):
        load_sheet(path)


def test_a_sheet_that_is_not_there_is_told_so(tmp_path):
    with pytest.raises(PwmscopeError, match="there is no such file; check the name and folder"):
        load_sheet(tmp_path / "nosuch.toml")


BAD = {
    "robot = 5": (1, "robot", "value is 5, expected text in quotes"),
    'robot = "a\\u001b[31m"': (1, "robot", "expected text in quotes, on one line"),
    "[limits]\n\nfailsafe_s = inf": (3, "limits.failsafe_s", "value is inf, expected a number"),
    "[limits]\nfailsafe_s = nan": (2, "limits.failsafe_s", "value is nan, expected a number"),
    "[limits]\nfailsafe_s = '2s'": (2, "limits.failsafe_s", "expected a number of seconds"),
    "[limits]\nfailsafe_s = 2000": (2, "limits.failsafe_s", "from 0.05 to 60"),
    "[limits]\nfailsave_s = 2": (2, "limits.failsave_s", "failsafe_s is the nearest"),
    "limits = 3": (1, "limits", "value is 3, expected a table"),
    "channels = 3": (1, "channels", "expected a table"),
    "[channels]\nA = 4": (2, "channels.A", "value is 4, expected a table"),
    "# x\n[channels.A]\ndevice = 'x'": (2, "channels.A.role", "missing, expected one of"),
    "channels.A.role = 'pump'": (1, "channels.A.role", 'value is "pump", expected one of'),
    "[channels.'R 1']\nrole = 1": (2, 'channels."R 1".role', "value is 1"),
    "[channels.A]\nrole='servo'\nstop_us = [\n1,\n'x']": (3, "channels.A.stop_us", "or two such"),
    "[channels.A]\nrole='servo'\nstop_us = [1, 2, 3]": (3, "channels.A.stop_us", "or two such"),
    "[channels.A]\nrole='servo'\nlow_us = true": (3, "channels.A.low_us", "value is true"),
    "[channels.A]\nrole='servo'\nlow_us = 1.5": (3, "channels.A.low_us", "from 10 to 10000"),
    "[channels.A]\nrole='servo'\nfeeds_5v = 'yes'": (3, "channels.A.feeds_5v", "true or false"),
    "[channels.A]\nrole='weapon'\nno_pulses='stops'\nno_pulses_after_s=61": (
        4,
        "channels.A.no_pulses_after_s",
        "a number of seconds from 0 to 60",
    ),
    "[channels.A]\nrole='weapon'\nno_pulses='stops'\nno_pulses_after=1": (
        4,
        "channels.A.no_pulses_after",
        "no_pulses_after_s is the nearest",
    ),
    "[channels.A]\nrole='unusd'": (2, "channels.A.role", '"unused"'),
    "[channels.A]\nrole='servo'\nno_pulses='hold'": (3, "channels.A.no_pulses", '"keeps going"'),
    "[marker]\non = 'high'": (1, "marker.line", "missing, expected the name of a line"),
    "[marker]\nline = 'A'\non = 1": (3, "marker.on", 'expected one of "low", "high"'),
    "[marker]\nline = 'A'\nkind = 'knob'": (3, "marker.kind", 'one of "switch", "button"'),
    "[marker]\nline = 'A'\nkinds = 'switch'": (3, "marker.kinds", "kind is the nearest"),
    "[marker]\nline = 'A'\nlate_s = -0.1": (3, "marker.late_s", "of seconds from 0 to 5"),
    "[marker]\nline = 'A'\nlate_s = 300": (3, "marker.late_s", "in milliseconds, write 0.3"),
    "[marker]\nline = 'A'\nlate_us = 1": (3, "marker.late_us", "late_s is the nearest"),
    # What contradicts itself.
    "[marker]\nline='A'\n[channels.A]\nrole='servo'": (2, "marker.line", "not among the channels"),
    "[channels.A]\nrole='servo'\nhigh_us=900": (3, "channels.A.high_us", "low_us below high_us"),
    "[channels.A]\nrole='servo'\nlow_us=1600": (3, "channels.A.low_us", "1600, 1500 and 2000"),
    "[channels.A]\nrole='servo'\nstop_us=[1600,1500]": (3, "channels.A.stop_us", "lower width"),
    "[channels.A]\nrole='weapon'\ndeadband_us=9": (3, "channels.A.deadband_us", "neutral_us or"),
    "[channels.A]\nrole='stick-rudder'\nstop_us=1500": (3, "channels.A.stop_us", "is a stick"),
    "[channels.A]\nrole='weapon'\nno_pulses_after_s=1": (
        3,
        "channels.A.no_pulses_after_s",
        'no such key without no_pulses = "stops" beside it',
    ),
    "[channels.A]\nrole='weapon'\nno_pulses_after_s=1\nno_pulses='keeps going'": (
        3,
        "channels.A.no_pulses_after_s",
        'no such key without no_pulses = "stops" beside it',
    ),
    "[channels.A]\nrole='unused'\nno_pulses='stops'": (3, "channels.A.no_pulses", "nothing on it"),
    "[channels.A]\nrole='unused'\nneutral_us=1500": (3, "channels.A.neutral_us", "nothing on it"),
    # A stop range that holds a width at which the device runs would be a false "meets".
    "[channels.A]\nrole='weapon'\nstop_us=[900,2000]": (3, "channels.A.stop_us", "below high_us"),
    "[channels.A]\nrole='drive-left'\nstop_us=[900,1500]": (3, "channels.A.stop_us", "above low"),
    "[channels.A]\nrole='drive-left'\nstop_us=[1510,1530]": (3, "channels.A.stop_us", "holds neu"),
    "[channels.A]\nrole='drive-left'\ndeadband_us=1000": (3, "channels.A.deadband_us", "below hi"),
    "[channels.A]\nrole='weapon'\nneutral_us=1010": (3, "channels.A.neutral_us", "above low_us"),
    # Not TOML.
    "robot = 'a'\nclub = ": (2, "", "this is not TOML"),
    "[limits]\n[limits]\n": (2, "", "this is not TOML"),
    "robot = 'a'\n\nrobot = 'b'\n": (3, "", "this is not TOML"),
    "[channels.A\n": (1, "", "this is not TOML"),
    "a = '''\n\n": (3, "", "this is not TOML"),
    f"a = {'[' * 5000}{']' * 5000}": (1, "", "nested too deeply"),
    f"a = {'9' * 5000}": (1, "", "a number is too long"),
}


@pytest.mark.parametrize(("text", "told"), BAD.items(), ids=range(len(BAD)))
def test_each_fault_is_one_sentence_with_line_key_value_and_what_is_allowed(text, told):
    line, key, words = told
    with pytest.raises(SheetError) as caught:
        parse_sheet(text, source="bench.toml")
    message = str(caught.value)
    assert message.startswith(f"bench.toml, line {line}{', ' * bool(key)}{key}: ")
    assert words in message
    assert ", expected " in message
    assert message.isprintable()
    assert message.endswith(".")
    assert len(message) < 330


def test_the_fault_that_stands_first_is_told():
    with pytest.raises(SheetError, match=r"line 2, channels\.B\.low_us"):
        parse_sheet("[channels]\nB = {role = 'servo', low_us = 1}\nA = 1\n[limits]\nx = 1")


def test_a_file_that_cannot_be_a_sheet(tmp_path):
    for name, data, words in (
        ("big.toml", b"#" * (MAX_BYTES + 1), "a few kilobytes"),
        ("bytes.toml", b"\xff\xfe\x00", "in UTF-16; save it as UTF-8"),
    ):
        (tmp_path / name).write_bytes(data)
        with pytest.raises(PwmscopeError, match=words):
            load_sheet(tmp_path / name)
    for path in (tmp_path, tmp_path / "none.toml"):
        with pytest.raises(PwmscopeError, match=r"cannot be read|no such file"):
            load_sheet(path)


def test_a_byte_order_mark_and_crlf_are_taken(tmp_path):
    file = tmp_path / "bench.toml"
    file.write_bytes(b'\xef\xbb\xbfrobot = "Quince"\r\n[limits]\r\nfailsafe_s = 1\r\nx = 1\r\n')
    with pytest.raises(SheetError, match=r"line 4, limits\.x"):
        load_sheet(file)
    file.write_bytes(file.read_bytes().replace(b"x = 1\r\n", b""))
    assert load_sheet(file).failsafe_s == 1.0


@given(st.text(max_size=60) | st.binary(max_size=60).map(lambda b: b.decode("latin-1")))
def test_any_text_is_a_sheet_or_one_sentence(text):
    fault = fault_of(text)
    assert fault is None or str(fault).isprintable()


VALUES = st.sampled_from(
    ["1500", "-1", "1e9", "nan", "[1, 2]", "true", "'stops'", "'servo'", "1979-05-27", "{a = 1}"]
)
KEYS = st.sampled_from(
    ["role", "low_us", "neutral_us", "high_us", "deadband_us", "stop_us", "no_pulses", "device"]
)


@settings(max_examples=200)
@given(st.dictionaries(KEYS, VALUES), st.sampled_from(ROLES), st.booleans())
def test_any_values_are_a_sheet_or_the_line_of_a_key(entries, role, stated):
    if stated:
        entries = {"role": f"'{role}'"} | {k: v for k, v in entries.items() if k != "role"}
    text = "[channels.A]\n" + "\n".join(f"{k} = {v}" for k, v in entries.items())
    fault = fault_of(text)
    if fault is not None:
        key = fault.key.rsplit(".", 1)[-1]
        assert fault.line == (list(entries).index(key) + 2 if key in entries else 1)
        return
    sheet = parse_sheet(text)
    found = sheet.stop_band("A")
    if found is not None and sheet.channels["A"].role != "servo":
        assert not found.holds(sheet.channels["A"].high_us)


def test_lines_of_keys_among_strings_comments_and_brackets():
    text = """# [no]
a = '''x = 1
[b]
''' # "
"c d" = [ # ]
  1,
]
[t.u]
  k = "]\\"" # '
[t.u."v.w"]
x.y = { z = "}" }
"""
    tomllib.loads(text)
    assert key_lines(text) == {
        ("a",): 2, ("c d",): 5, ("t",): 8, ("t", "u"): 8, ("t", "u", "k"): 9,
        ("t", "u", "v.w"): 10, ("t", "u", "v.w", "x"): 11, ("t", "u", "v.w", "x", "y"): 11,
        ("t", "u", "v.w", "x", "y", "z"): 11,
    }  # fmt: skip


def test_the_shipped_schema_is_the_models():
    assert json.loads(SCHEMA.read_text()) == sheet_schema()


def test_the_schema_takes_and_refuses_what_the_reader_does():
    """Held against jsonschema, a general-purpose validator (draft 2020-12)."""
    schema = json.loads(SCHEMA.read_text())
    jsonschema.Draft202012Validator.check_schema(schema)
    checker = jsonschema.Draft202012Validator(schema)
    assert checker.is_valid(tomllib.loads(QUINCE.read_text()))
    for text, (_, key, _) in BAD.items():
        if key and "nan" not in text:  # NaN passes every comparison of a JSON Schema
            table = tomllib.loads(text)
            beyond = any(word in BAD[text][2] for word in BEYOND_A_SCHEMA)
            assert checker.is_valid(table) == beyond, text


BEYOND_A_SCHEMA = (
    "not among", "low_us", "1600, 1500", "lower width", "neutral_us or", "is a stick",
    "nothing on it", "beside it",
    "below hi", "above low", "holds neu",
)  # fmt: skip
"""Words of the faults that lie between two keys."""


def test_every_key_is_described():
    text = (ROOT / "docs" / "sheet.md").read_text()
    schema = json.loads(SCHEMA.read_text())
    for table in (schema, *schema["$defs"].values()):
        for key in table["properties"]:
            assert f"`{key}`" in text or f"[{key}" in text, key
    for role in ROLES:
        assert f"`{role}`" in text


def test_measuring_without_a_sheet_does_not_import_the_validator():
    code = "import sys, pwmscope.findings, pwmscope.bench; print('pydantic' in sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "False"
