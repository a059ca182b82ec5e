"""Robots as built: what their sheets may say, and one sentence for each contradiction."""

import pytest

from pwmscope.bench import SheetError, parse_sheet

PAIR = '[channels.A]\nrole = "drive-forward"\n{}\n[channels.B]\nrole = "drive-turn"\n{}\n'


def fault_of(text):
    with pytest.raises(SheetError) as caught:
        parse_sheet(text)
    return str(caught.value)


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ('[channels.A]\nrole = "kill"\nguards = ["A"]', "no kill channel guards itself"),
        ('[channels.A]\nrole = "kill"\nguards = ["B"]', "lines of devices of this sheet"),
        ('[channels.A]\nrole = "servo"\nguards = ["B"]', 'without role = "kill"'),
        ('[channels.A]\nrole = "drive-forward"', "role drive-turn beside it"),
        (PAIR.format('mixed_in = "transmitter"', ""), "mixed behind its pin"),
        (PAIR.format('mixed_in = "gyro"', 'mixed_in = "ESC"'), "or mixing is twice"),
        ('[channels.A]\nrole = "drive-left"\nmixed_in = "ESC"', "takes drive-forward"),
        ('[channels.A]\nrole = "weapon"\nmixed_in = "ESC"', "a weapon is not mixed"),
        ('[marker]\nline = "m"\nkind = "light"', "a calibration recording measures it"),
        ('[channels.A]\nrole = "weapon"\nturns = "one way"\nneutral_us = 1500', "no neutral"),
        ('[channels.A]\nrole = "weapon"\nbelow_neutral = "brake"', "a motor with a neutral"),
        ('[channels.A]\nrole = "servo"\nturns = "one way"', "no motor of its own"),
        ('[channels.A]\nrole = "weapon"\npositions = 3', 'without control = "switch"'),
        ('[channels.A]\nrole = "spare"\nstop_us = 1500', "a spare line has nothing on it"),
    ],
)
def test_what_contradicts_is_one_sentence_with_the_mend(text, words):
    said = fault_of(text)
    assert words in said
    assert said.count("\n") == 0
    assert "expected" in said


def band(text):
    found = parse_sheet(f"[channels.A]\n{text}").stop_band("A")
    return found and (found.low_us, found.high_us)


def test_an_esc_that_brakes_below_neutral_stands_still_there():
    text = 'role = "drive-left"\nneutral_us = 1500\ndeadband_us = 60'
    assert band(text) == (1470.0, 1530.0)
    assert band(f'{text}\nbelow_neutral = "reverse"') == (1470.0, 1530.0)
    assert band(f'{text}\nbelow_neutral = "brake"') == (980.0, 1530.0)


def test_a_drive_that_turns_one_way_stops_at_its_low_end():
    assert band('role = "drive-left"\nturns = "one way"') == (0.0, 1020.0)
    assert band('role = "weapon"\nturns = "both ways"') == (1480.0, 1520.0)


def test_a_kill_channel_needs_its_widths_and_what_it_guards():
    keys = [gap.key for gap in parse_sheet('[channels.K]\nrole = "kill"').gaps]
    assert keys == ["channels.K.stop_us", "channels.K.guards"]
    assert band('role = "kill"') is None


def test_the_one_place_that_mixes_is_known():
    assert not parse_sheet('[channels.A]\nrole = "drive-left"').mixes_behind
    assert parse_sheet(PAIR.format("", "")).mixes_behind
    assert parse_sheet(PAIR.format('mixed_in = "ESC"', 'mixed_in = "ESC"')).mixer == "ESC"
