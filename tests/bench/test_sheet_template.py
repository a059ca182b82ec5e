"""Sheets to begin with: whatever was answered, the sheet reads, and says just that."""

import json
import re
import tomllib
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pwmscope.bench import (
    BLANK,
    FAILSAFE_IN,
    LEVELS,
    MARKER_KINDS,
    WEAPONS,
    Answers,
    check_wiring,
    filled_sheet,
    parse_sheet,
    roles_of,
)

ROOT = Path(__file__).parents[2]
LINES = ["RX1", "RX2", "RX3", "RX4", "left", "RX6", "board", "RX5", "D6", "A0"]
LEFT_OUT = {"shifted_v"}
"""Keys that contradict another one of the blank sheet."""


def with_every_key(text):
    """Take back each # without a space behind it."""
    return re.sub(r"^#(?=\S)", "", text, flags=re.MULTILINE)


def test_the_blank_sheet_states_nothing():
    sheet = parse_sheet(BLANK)
    assert (sheet.robot, sheet.channels, sheet.sources, sheet.marker) == ("", {}, {}, None)
    assert (sheet.receiver.outputs, sheet.analyser.input_v, sheet.failsafe_s) == (None, None, 2.0)


def test_the_blank_sheet_with_every_key_taken_is_a_sheet_that_states_every_key():
    table = tomllib.loads(with_every_key(BLANK))
    sheet = parse_sheet(with_every_key(BLANK))
    assert list(sheet.channels) == LINES
    schema = json.loads((ROOT / "docs" / "sheet.schema.json").read_text())
    stated = {
        "SheetTable": set(table),
        "ChannelTable": set().union(*table["channels"].values()),
        "SourceTable": set().union(*table["sources"].values()),
        **{f"{name.title()}Table": set(table[name]) for name in
           ("limits", "marker", "transmitter", "receiver", "analyser")},
    }  # fmt: skip
    for name, keys in stated.items():
        known = schema if name == "SheetTable" else schema["$defs"][name]
        assert keys == set(known["properties"]) - LEFT_OUT, name


@pytest.mark.parametrize("at", range(len(with_every_key(BLANK).splitlines())))
def test_each_key_of_the_blank_sheet_alone_is_taken_or_told_by_its_line(at):
    """A person takes the # off one line at a time; headings, roles and kinds come first."""
    needed = re.compile(
        r"#(\[|(role|of|same_device_as|line|kind|late_s|no_pulses|name|from_s|to_s|control) =)"
    )
    text = "\n".join(
        with_every_key(line) if i == at or needed.match(line) else line
        for i, line in enumerate(BLANK.splitlines())
    )
    assert list(parse_sheet(text).channels) == LINES


NAMES = st.text(
    st.characters(exclude_categories=("C", "Z"), exclude_characters=","), min_size=1, max_size=8
)


@st.composite
def answered(draw):
    drive, weapon = draw(st.booleans()), draw(st.sampled_from(WEAPONS))
    servos = draw(st.integers(0, 3))
    count = len(roles_of(drive=drive, weapon=weapon, servos=servos))
    names = draw(st.lists(NAMES, min_size=count + 1, max_size=count + 1, unique=True))
    lines = tuple(names[:count])
    some = st.lists(st.sampled_from(lines), unique=True).map(tuple) if lines else st.just(())
    some_line = st.sampled_from(lines) if lines else st.nothing()
    return Answers(
        robot=draw(NAMES),
        drive=drive,
        weapon=weapon,
        servos=servos,
        lines=lines,
        feeding=draw(st.none() | some),
        stopping=draw(some),
        separate_v=draw(st.none() | st.floats(1, 60)),
        outputs=draw(st.none() | st.integers(1, 64)),
        failsafe_s=draw(st.floats(0.05, 60)),
        marker=draw(st.sampled_from(["", names[-1]])),
        marker_on=draw(st.sampled_from([None, *LEVELS])),
        marker_kind=draw(st.sampled_from([None, *MARKER_KINDS])),
        stops_after_s=draw(st.dictionaries(some_line, st.floats(0, 60))) if lines else {},
        second_v=draw(st.none() | st.floats(1, 60)),
        failsafe_in=draw(st.sampled_from([None, *FAILSAFE_IN])),
    )


@settings(max_examples=100)
@given(answered())
def test_a_sheet_filled_from_answers_reads_and_says_them(answers):
    sheet = parse_sheet(filled_sheet(answers))
    assert sheet.robot == answers.robot
    assert sheet.failsafe_s == pytest.approx(answers.failsafe_s, rel=1e-5)
    assert tuple(sheet.channels) == answers.lines
    assert tuple(channel.role for channel in sheet.devices) == answers.roles
    assert (sheet.marker.line if sheet.marker else "") == answers.marker
    if sheet.marker:
        assert (sheet.marker.on, sheet.marker.kind) == (answers.marker_on, answers.marker_kind)
    assert sheet.receiver.outputs == answers.outputs
    for line, channel in sheet.channels.items():
        known = answers.feeding is not None
        assert channel.feeds_5v == ((line in answers.feeding) if known else None)
        assert sheet.no_pulses_stop(line) == (True if line in answers.stopping else None)
        after_s = answers.stops_after_s.get(line) if line in answers.stopping else None
        told_s = sheet.no_pulses_after_s(line)
        assert told_s == (None if after_s is None else pytest.approx(after_s, rel=1e-5))
        if channel.role == "weapon":
            assert (channel.neutral_us is None) == (answers.weapon == "one way")
    powered = [feed for feed in check_wiring(sheet).feeds if feed.powers]
    own = [volts for volts in (answers.separate_v, answers.second_v) if volts is not None]
    assert len(powered) == len(answers.feeding or ()) + len(own)
    assert sheet.receiver.failsafe_in == answers.failsafe_in


@settings(max_examples=50)
@given(answered())
def test_a_filled_sheet_with_every_key_taken_is_a_sheet_as_well(answers):
    if answers.outputs is not None and answers.outputs < len(answers.lines):
        return
    sheet = parse_sheet(with_every_key(filled_sheet(answers)))
    assert [channel.output for channel in sheet.devices] == list(range(1, len(answers.lines) + 1))
    for channel in sheet.devices:
        assert (channel.stall_a is None) == bool(channel.feeds_5v)
