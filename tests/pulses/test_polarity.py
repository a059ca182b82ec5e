"""Which level is the pulse: given frames so fast that the pause is as long as a pulse."""

import numpy as np
import pytest

from pwmscope.capture import PS_PER_US, Line
from pwmscope.pulses import decode_line

FRAME_US = 3_003.0


def line_of(widths_us, *, aligned="rise", inverted=False, missing=()):
    """Pulses whose rise or fall comes every 3003 us, within 0.5 us; missing frames left out."""
    widths_us = np.asarray(widths_us, dtype=float)
    start_us = 5_000.0 + FRAME_US * np.arange(widths_us.size)
    start_us += np.random.default_rng(8).normal(0.0, 0.5, start_us.size)
    if aligned == "fall":
        start_us += 2_500.0 - widths_us
    edges_us = np.stack([start_us, start_us + widths_us], axis=1)
    edges_us = np.delete(edges_us, list(missing), axis=0).ravel()
    return Line("RX1", np.rint(edges_us * PS_PER_US).astype(np.int64), int(inverted))


def table_of(line):
    return decode_line(line, int(line.edges_ps[-1]) + 10**9, 0.1)


SWEPT = 1500.0 + 450.0 * np.sin(np.arange(400) / 9)
LOST = (20, 60, 130, 250)
HELD = np.concatenate([np.full(100, 1500.0), np.full(200, 2000.0)])


@pytest.mark.parametrize("widths", [SWEPT, HELD])
def test_pulses_that_begin_evenly_on_a_line_that_idles_low_are_read_and_nothing_else(widths):
    table = table_of(line_of(widths))
    assert (table.inverted, table.other_polarity) == (False, None)
    assert table.width_us[:-1] == pytest.approx(widths[:-1], abs=1e-3)


def test_pulses_that_end_evenly_are_not_read_upside_down():
    """2000 us must not become 1003: the other reading is said, and the first one is right."""
    table = table_of(line_of(HELD, aligned="fall"))
    assert not table.inverted
    assert np.median(table.width_us[table.measured]) == pytest.approx(2000.0, abs=1.0)
    assert table.other_polarity == pytest.approx(FRAME_US - 2000.0, abs=2.0)
    assert any("Read as low they fit as well" in note for note in table.notes)


def test_an_inverted_line_that_looks_the_same_gives_both_readings_too():
    table = table_of(line_of(HELD, inverted=True))
    medians = {round(float(np.median(table.width_us[table.measured])), -1), round(
        table.other_polarity, -1
    )}  # fmt: skip
    assert medians == {2000.0, 1000.0}


@pytest.mark.parametrize("aligned", ["rise", "fall"])
@pytest.mark.parametrize("inverted", [False, True])
@pytest.mark.parametrize("widths", [SWEPT, HELD])
def test_missing_frames_show_which_level_is_the_pause(aligned, inverted, widths):
    line = line_of(widths, aligned=aligned, inverted=inverted, missing=LOST)
    table = table_of(line)
    assert (table.inverted, table.other_polarity) == (inverted, None)
    assert np.median(table.width_us[table.measured]) == pytest.approx(
        np.median(np.delete(widths, LOST)), abs=2.0
    )


def test_a_stick_that_leaves_the_pause_too_short_shows_it():
    """At 2600 us a pulse of 1900 leaves 700, which no servo takes."""
    widths = np.resize([1100.0, 1500.0, 1900.0], 300)
    edges_us = np.stack([2600.0 * np.arange(300) + 9000 - widths, 2600.0 * np.arange(300) + 9000])
    for level in (0, 1):
        line = Line("RX1", (edges_us.T.ravel() * PS_PER_US).astype(np.int64), level)
        table = table_of(line)
        assert (table.inverted, table.other_polarity) == (bool(level), None)


def test_a_line_that_never_moves_at_such_a_rate_fits_both_ways():
    table = table_of(line_of(np.full(300, 1600.0)))
    assert np.median(table.width_us[table.measured]) == pytest.approx(1600.0, abs=1.0)
    assert table.other_polarity == pytest.approx(FRAME_US - 1600.0, abs=1.0)


@pytest.mark.parametrize("aligned", ["rise", "fall"])
@pytest.mark.parametrize("inverted", [False, True])
def test_at_usual_rates_there_is_one_reading(aligned, inverted):
    widths = np.resize(HELD, 300)
    start_us = 20_000.0 * np.arange(300) + 5000 - (widths if aligned == "fall" else 0)
    edges_us = np.stack([start_us, start_us + widths], axis=1).ravel()
    table = table_of(Line("RX1", (edges_us * PS_PER_US).astype(np.int64), int(inverted)))
    assert (table.inverted, table.other_polarity) == (inverted, None)
    assert table.width_us[:-1] == pytest.approx(widths[:-1], abs=1e-3)
