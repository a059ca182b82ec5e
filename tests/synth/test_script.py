"""A script that cannot be built says which key, what stands there and what may."""

import pytest

from pwmscope.errors import PwmscopeError
from pwmscope.synth import (
    Channel,
    Dwell,
    GoesToPreset,
    Loss,
    PulsesStop,
    ScriptError,
    Sine,
    Sweep,
    Wanders,
    load_script,
    parse_script,
)

TOP = "duration_s = 4\nsample_rate_hz = 1e6\nseed = 7\n"
FRAME = "frame = { period_us = 20_000 }\n"
RX1 = '[[channel]]\nname = "RX1"\nmoves = [{ dwell_us = 1500, for_s = 2 }]\n'
GOOD = TOP + FRAME + RX1


def test_every_part_of_a_script_is_read():
    script = parse_script("""
        title = "Quince"
        duration_s = 30
        sample_rate_hz = 24e6
        seed = 3
        output = { shape = "samples" }
        marker = { name = "tx-on" }
        frame.period_us = 14_000
        frame.first_frame_us = -3
        frame.jitter_us = 1.5
        frame.dropout_probability = 0.1
        width = { jitter_us = 0.5, resolution_us = 1, tick_us = 0.25 }
        glitches = { per_minute = 6, shortest_us = 1, longest_us = 9 }
        [[channel]]
        name = "RX1"
        neutral_us = 1500
        skew_us = 4.5
        inverted = true
        when_lost = { behaviour = "goes to preset", preset_us = 1000, after_s = 0.8 }
        moves = [
          { dwell_us = 1500, for_s = 5 },
          { sweep_to_us = 2000, over_s = 2 },
          { sine_us = 100, period_s = 1, for_s = 4 },
        ]
        [[loss]]
        off_s = 10
        on_s = 12
        reacquire_s = 0.3
        [loss.channels]
        RX1 = { behaviour = "pulses stop", after_s = 0.1, rests_at = 1 }
        [[loss]]
        off_s = 20
        channels.RX1 = { behaviour = "wanders", low_us = 1000, high_us = 2000, step_us = 5 }
    """)
    assert (script.title, script.duration_s, script.seed) == ("Quince", 30, 3)
    assert (script.sample_rate_hz, script.shape, script.marker) == (24_000_000, "samples", "tx-on")
    assert script.frame.first_frame_us == -3
    assert (script.width.tick_us, script.glitches.longest_us) == (0.25, 9)
    assert script.channels == (
        Channel(
            "RX1",
            (Dwell(1500, 5), Sweep(2000, 2), Sine(100, 1, 4)),
            neutral_us=1500,
            skew_us=4.5,
            inverted=True,
            when_lost=GoesToPreset(1000, 0.8),
        ),
    )
    assert script.losses == (
        Loss(10, 12, 0.3, {"RX1": PulsesStop(0.1, 1)}),
        Loss(20, None, 0.0, {"RX1": Wanders(1000, 2000, 5)}),
    )


@pytest.mark.parametrize(
    ("text", "message"),
    [
        (GOOD.replace("= 4", "= -4"), "s.toml, duration_s: the value is -4, expected a number"),
        (GOOD.replace("1e6", "1.5"), "sample_rate_hz: the value is 1.5, expected a whole number"),
        (GOOD.replace("1e6", "10"), "sample_rate_hz: the value is 10, expected a number at least"),
        (GOOD.replace("seed = 7", ""), "seed: the value is missing, expected a value for it"),
        (GOOD.replace("seed", "sead"), "sead: the value is 7, expected one of the keys .*seed"),
        (TOP + RX1, "frame, period_us: the value is missing"),
        (GOOD.replace("20_000", "0"), "frame, period_us: the value is 0, expected a number above"),
        (GOOD.replace("20_000", "nan"), "frame, period_us: the value is nan"),
        (GOOD.replace("20_000", "true"), "period_us: the value is True, expected a number"),
        (TOP + "frame = 3\n" + RX1, "s.toml, frame: the value is 3, expected a table"),
        (TOP + FRAME, "channel: the value is .*, expected at least one channel"),
        (TOP + FRAME + "channel = 3", "channel: the value is 3, expected a list of tables"),
        (TOP + FRAME + "channel = [3]", "channel 1: the value is 3, expected a table"),
        (GOOD + RX1, "name: the value is 'RX1', expected a name that no other line has"),
        (GOOD.replace("RX1", " "), "channel 1, name: the value is ' '"),
        (GOOD.replace("RX1", "time_s"), "channel 1, name: .* does not read as a time column"),
        (GOOD.replace("dwell_us", "stay_us"), "move 1, move: .* one of dwell_us, sweep_to_us"),
        (GOOD.replace("dwell_us = 1500", "dwell_us = 0"), "move 1, dwell_us: the value is 0"),
        (GOOD.replace("dwell_us = 1500, for_s", "sweep_to_us = 9, over_s"), "begins with a dwell"),
        (GOOD + "inverted = 1\n", "channel 1, inverted: the value is 1, expected true or false"),
        (
            GOOD + 'when_lost = { behaviour = "sulks" }',
            "behaviour: the value is 'sulks'.*'wanders'",
        ),
        (GOOD + 'when_lost = { behaviour = "goes to preset" }', "preset_us: the value is missing"),
        (
            GOOD + 'when_lost = { behaviour = "wanders", low_us = 9, high_us = 8, step_us = 1 }',
            "channel 1, when_lost, high_us: the value is 8, expected a number above 9",
        ),
        (
            GOOD + 'when_lost = { behaviour = "pulses stop", rests_at = 2 }',
            "rests_at: the value is 2, expected 0 or 1",
        ),
        (
            GOOD + 'when_lost = { behaviour = "holds last", x = 1 }',
            "x: the value is 1, expected no further",
        ),
        (GOOD + "[[loss]]\noff_s = 3\non_s = 2", "loss 1, on_s: the value is 2, expected a number"),
        (GOOD + "[[loss]]\noff_s = 5", "off_s: the value is 5, expected a number .* at most 4"),
        (
            GOOD + "[[loss]]\noff_s = 1\non_s = 2\nreacquire_s = 1\n[[loss]]\noff_s = 2.5",
            "off_s: the value is 2.5, expected a number at least 3",
        ),
        (
            GOOD + '[[loss]]\noff_s = 1\nchannels.RX9 = { behaviour = "holds last" }',
            "channels: the value is 'RX9', expected one of RX1",
        ),
        (GOOD + '[output]\nshape = "rows"', "shape: the value is 'rows', expected one of samples"),
        (GOOD + "[output]\nshape = 1", "output, shape: the value is 1, expected text in quotes"),
        (
            GOOD + '[marker]\nline = "x"',
            "marker, line: the value is 'x', expected one of the keys name",
        ),
        (GOOD + '[marker]\nname = "RX1"', "name: the value is 'RX1', expected a name that no"),
        (GOOD + "[glitches]\nshortest_us = 50", "longest_us: the value is 40"),
        (GOOD + "[width]\ntick_us = -1", "width, tick_us: the value is -1, expected a number at"),
    ],
)
def test_a_wrong_script_is_refused_by_key_value_and_what_is_allowed(text, message):
    with pytest.raises(ScriptError, match=message) as caught:
        parse_script(text, source="s.toml")
    assert str(caught.value).startswith("s.toml, ")


def test_text_that_is_not_toml_is_refused_with_its_line():
    with pytest.raises(PwmscopeError, match=r"s\.toml: this is not TOML .*line 2"):
        parse_script("seed = 1\nseed seed\n", source="s.toml")


def test_a_script_that_is_not_there_is_refused_by_name(tmp_path):
    with pytest.raises(PwmscopeError, match=r"gone\.toml: the script cannot be read"):
        load_script(tmp_path / "gone.toml")
