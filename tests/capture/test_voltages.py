"""Voltages: state levels, threshold, hysteresis, and edges between samples."""

import math

import numpy as np
import pytest

from pwmscope import PwmscopeError, decode, load
from pwmscope.capture.text.comparator import AmplitudeHistogram, Comparator


def histogram_of(*pieces):
    histogram = AmplitudeHistogram()
    for piece in pieces:
        histogram.add(np.asarray(piece, np.float64))
    return histogram.state_levels()


def table(volts, step_us=10, heading="CH1 (V)"):
    rows = "".join(f"{k * step_us},{v:.4f}\n" for k, v in enumerate(volts))
    return f"time_us,{heading}\n{rows}"


def write(tmp_path, text):
    file = tmp_path / "a.csv"
    file.write_text(text)
    return file


PULSES = [3.3 * (100 <= k % 2000 < 250) for k in range(6000)]


def test_two_heaps_of_samples_give_the_fullest_bin_of_each_half():
    # By hand: 0.1 nine times beside 0.3 twice, 3.2 five times beside 3.0 once and a spike at 3.6.
    levels = histogram_of([0.1] * 9 + [0.3] * 2 + [3.2] * 5 + [3.0] + [3.6])
    assert levels.low == pytest.approx(0.1, abs=1e-12)
    assert levels.high == pytest.approx(3.2, abs=1e-12)
    assert (levels.least, levels.most) == (0.1, 3.6)
    assert levels.middle == pytest.approx(1.65)
    assert levels.band == pytest.approx(0.31)
    assert levels.are_two


def test_bins_widen_as_the_range_grows_and_samples_are_counted_once():
    quiet, pulses, spike = [0.02] * 1000, [4.9] * 300 + [0.02] * 50, [9.0]
    assert histogram_of(quiet, pulses, spike).high == pytest.approx(4.9)
    in_turn, at_once = histogram_of(spike, pulses, quiet), histogram_of([*spike, *pulses, *quiet])
    assert in_turn.low == pytest.approx(at_once.low, abs=1e-12)
    assert in_turn.high == pytest.approx(at_once.high, abs=1e-12)
    assert histogram_of([0.0], [1e-12], [5e6] * 9, [0.0] * 9).high == pytest.approx(5e6)


def test_one_level_is_no_pair_of_levels():
    assert not histogram_of([2.5] * 100).are_two
    noise = np.random.default_rng(4).normal(1.2, 0.05, 20_000)
    assert not histogram_of(noise).are_two


@pytest.mark.parametrize("seed", range(20))
def test_noise_as_likely_anywhere_in_its_range_is_no_pair_of_levels(seed):
    noise = np.random.default_rng(seed).uniform(0.02, 0.09, 12_000).round(3)
    assert not histogram_of(noise).are_two


def test_pulses_and_an_undriven_stretch_as_long_are_still_two_levels():
    draws = np.random.default_rng(2)
    pulses = np.where(np.arange(30_000) % 2000 < 150, 3.3, 0.0) + draws.normal(0, 0.05, 30_000)
    assert histogram_of(pulses, draws.uniform(0, 3.3, 30_000)).are_two


def test_levels_of_a_noisy_signal_lie_within_half_a_percent():
    generator = np.random.default_rng(9)
    volts = np.where(np.arange(40_000) % 2000 < 150, 4.4, 0.3) + generator.normal(0, 0.03, 40_000)
    levels = histogram_of(volts)
    assert levels.low == pytest.approx(0.3, abs=0.03)
    assert levels.high == pytest.approx(4.4, abs=0.06)


def test_edges_are_interpolated_between_samples(tmp_path):
    # 0 V at 30 us, 1 V at 40 us, 4 V at 50 us: 2 V is crossed a third of a step after 40 us.
    volts = [0, 0, 0, 0, 1, 4, 4, 4, 4, 0, 0, 0]
    capture = load(write(tmp_path, table(volts)))
    assert capture.lines["CH1 (V)"].edges_ps.tolist() == [43_333_333, 85_000_000]
    assert any("interpolated" in said for said in capture.assumptions)


def test_state_levels_threshold_and_hysteresis_are_said(tmp_path):
    capture = load(write(tmp_path, table(PULSES)))
    said = " ".join(capture.assumptions)
    assert "state levels 0 and 3.3" in said
    assert "threshold is 1.65, halfway" in said
    assert "Hysteresis: 10%" in said
    assert capture.lines["CH1 (V)"].edges_ps.size == 6


def test_a_ripple_inside_the_hysteresis_band_makes_no_edge(tmp_path):
    slow = [0.0] * 20 + [2.3, 2.45, 2.52, 2.49, 2.51, 2.6, 3.0] + [5.0] * 20 + [0.0] * 20
    capture = load(write(tmp_path, table(slow)))
    edges_us = capture.lines["CH1 (V)"].edges_ps / 1e6
    # The last crossing of 2.5 V before the level was settled, from 2.49 to 2.51 V.
    assert edges_us[0] == pytest.approx(10 * (23 + 0.5), abs=0.01)
    assert edges_us.size == 2


def test_a_comparator_carries_its_level_and_crossing_from_batch_to_batch():
    volts = np.array([0, 2.4, 2.6, 2.6, 2.55, 5, 5, 2.6, 2.45, 2.44, 0.0])
    whole = Comparator(2.5, 0.5)
    levels = whole.feed(volts, None, 0)
    assert levels.tolist() == [0, 0, 0, 0, 0, 1, 1, 1, 1, 1, 0]
    assert whole.crossings.rows.tolist() == [2, 8]
    single = Comparator(2.5, 0.5)
    for k, v in enumerate(volts):
        assert single.feed(np.array([v]), None, k)[0] == levels[k]
    assert single.crossings.rows.tolist() == [2, 8]
    np.testing.assert_array_equal(single.crossings.parts, whole.crossings.parts)


def test_the_persons_threshold_is_taken_and_said(tmp_path):
    file = write(tmp_path, table([0, 0, 0, 1, 4, 4, 0, 0]))
    capture = load(file, threshold=1.0)
    assert capture.lines["CH1 (V)"].edges_ps[0] == 30_000_000
    assert any("threshold is 1, as you said" in said for said in capture.assumptions)


def test_a_threshold_that_nothing_crosses_is_refused(tmp_path):
    with pytest.raises(PwmscopeError, match=r"no voltage crosses `threshold` 12 .*0 to 3\.3"):
        load(write(tmp_path, table(PULSES)), threshold=12)


def test_noise_alone_is_refused_with_what_was_seen(tmp_path):
    noise = np.random.default_rng(4).normal(1.2, 0.05, 5000)
    with pytest.raises(PwmscopeError, match="does not show two state levels"):
        load(write(tmp_path, table(noise)))


def test_a_quiet_voltage_beside_a_pulsing_one_stays_low_and_is_said(tmp_path):
    noise = np.random.default_rng(4).normal(0.02, 0.005, 6000)
    rows = "".join(
        f"{k * 10},{v},{n:.4f}\n" for k, (v, n) in enumerate(zip(PULSES, noise, strict=True))
    )
    capture = load(write(tmp_path, "time_us,A,B\n" + rows))
    assert capture.lines["A"].edges_ps.size == 6
    assert capture.lines["B"].edges_ps.size == 0
    assert any("'B'" in said and "taken as low" in said for said in capture.assumptions)


def test_digital_and_voltage_columns_stand_in_one_table(tmp_path):
    rows = "".join(f"{k * 10},{int(v > 1)},{v}\n" for k, v in enumerate(PULSES))
    capture = load(write(tmp_path, "time_us,D,A\n" + rows))
    digital, voltage = (capture.lines[name].edges_ps for name in "DA")
    # The digital line shows the edge at the next sample, the voltage halfway before it.
    np.testing.assert_allclose(digital - voltage, 5_000_000, atol=1)


def test_whole_numbers_may_be_a_bus_or_a_voltage_so_the_person_is_asked(tmp_path):
    text = table([0, 0, 1023, 1023, 0], heading="P").replace(".0000", "")
    file = write(tmp_path, text)
    with pytest.raises(PwmscopeError, match=r"row 4, column P.*`threshold` .*`lines` \('P\[0\]'"):
        load(file)
    assert list(load(file, threshold=512).lines) == ["P"]
    assert list(load(file, lines="P[0],P[9]").lines) == ["P[0]", "P[9]"]
    assert load(write(tmp_path, text.replace("P", "P (adc)"))).lines["P (adc)"].edges_ps.size == 2


def test_samples_of_a_voltage_without_time_take_the_rate(tmp_path):
    file = write(tmp_path, "CH1 (V)\n" + "".join(f"{v}\n" for v in PULSES))
    capture = load(file, rate="24MHz")
    first = capture.lines["CH1 (V)"].edges_ps[0]
    assert first == math.floor(99.5 * 1e12 / 24e6 + 0.5)


def test_a_voltage_that_is_no_number_is_refused_with_its_row(tmp_path):
    text = table(PULSES).splitlines()
    text[50] = "490,overload"
    with pytest.raises(PwmscopeError, match=r"row 51, column CH1.*'overload'.*a voltage"):
        load(write(tmp_path, "\n".join(text)))
    text[50] = "490,nan"
    with pytest.raises(PwmscopeError, match=r"row 51, column CH1.*'nan'"):
        load(write(tmp_path, "\n".join(text)))


def test_noise_of_a_tenth_of_the_amplitude_on_slow_edges_loses_no_pulse(tmp_path):
    """3.3 V through a microsecond of resistance and capacitance, 300 mV RMS, 10 MS/s."""
    rng = np.random.default_rng(2)
    time_us = np.arange(400_000) / 10.0
    since_us = time_us % 20_000.0 - 2_000.0
    rising, falling = np.clip(since_us, 0, 200), np.clip(since_us - 1_500.0, 0, 200)
    volts = 3.3 * (np.exp(-falling) - np.exp(-rising)) * (since_us > 0)
    volts = volts + rng.normal(0.0, 0.3, volts.size)
    volts[0] = 0.0  # A voltage that begins with 0.0000 is a voltage all the same.
    file = tmp_path / "slow.csv"
    with file.open("w") as text:
        text.write("Time [s],RX1 [V]\n")
        np.savetxt(text, np.c_[time_us / 1e6, volts], fmt=["%.7f", "%.4f"], delimiter=",")
    (table,) = decode(load(file)).values()
    assert table.measured.sum() == 2
    assert table.width_us == pytest.approx(1500.0, abs=1.5)


def changes_of(low, high, *, pulses=15, width_us=1500, period_us=20_000, heading="time_us,RX1"):
    rows = [(0, low)]
    for k in range(pulses):
        begin = 3000 + period_us * k
        rows += [(begin, high), (begin + width_us, low)]
    return f"{heading}\n" + "".join(f"{t},{v}\n" for t, v in rows)


@pytest.mark.parametrize(
    ("low", "high", "line"),
    [("0.0", "3.3", "RX1"), ("0.02 V", "3.28 V", "RX1"), ("0", "5", "RX1 (V)"), ("-1", "1", "RX1")],
)
def test_a_row_per_change_of_two_voltages_changes_at_its_time(tmp_path, low, high, line):
    # Pulses of 1500 us every 20 ms, a row per change: nothing is known between two rows.
    capture = load(write(tmp_path, changes_of(low, high, heading=f"time_us,{line}")))
    pulses = decode(capture)[line]
    assert np.allclose(pulses.width_us, 1500, atol=1e-6)
    assert capture.lines[line].edges_ps[0] == 3000 * 10**6
    assert any("time of their row" in said for said in capture.assumptions)
    assert not any("interpolated" in said for said in capture.assumptions)


def test_rows_per_change_of_voltages_may_carry_sample_numbers(tmp_path):
    file = write(tmp_path, changes_of("0.0", "3.3", heading="sample,RX1"))
    assert np.allclose(decode(load(file, rate="1MHz"))["RX1"].width_us, 1500, atol=1e-6)


def test_one_line_of_a_list_of_voltages_keeps_its_times_when_read_alone(tmp_path):
    # RX2 changes ten times as often as RX1, so most rows change nothing of RX1.
    rows = ["time_us,RX1,RX2", "0,0.0,0.0"]
    for k in range(200):
        one = "3.3" if k % 10 == 0 else "0.0"
        rows += [f"{3000 + 2000 * k},{one},3.3", f"{4500 + 2000 * k},0.0,0.0"]
    file = write(tmp_path, "\n".join(rows) + "\n")
    assert np.allclose(decode(load(file, lines=["RX1"]))["RX1"].width_us, 1500, atol=1e-6)


def test_uneven_rows_that_mostly_change_a_sloping_voltage_are_refused(tmp_path):
    # A row per change, or three samples of each edge: both write rows like these.
    text = changes_of("0.0", "3.3").replace("3000,3.3", "3000,2.2").replace("4500,0.0", "4500,0.9")
    with pytest.raises(PwmscopeError, match=r"changes or samples of a voltage.*`lines`"):
        load(write(tmp_path, text))


def test_the_last_bit_of_an_idle_line_is_no_pulse_beside_lines_that_have_some(tmp_path):
    draws = np.random.default_rng(7)
    idle = draws.choice([0.0, 0.1], 6000, p=[0.2, 0.8])
    rows = "".join(
        f"{10 * k},{v:.1f},{i:.1f}\n" for k, (v, i) in enumerate(zip(PULSES, idle, strict=True))
    )
    capture = load(write(tmp_path, "time_us,A (volts),B (volts)\n" + rows))
    assert capture.lines["A (volts)"].edges_ps.size == 6
    assert capture.lines["B (volts)"].edges_ps.size == 0
    assert any("B (volts)" in said and "taken as low" in said for said in capture.assumptions)


def test_volts_are_not_small_beside_millivolts(tmp_path):
    rows = "".join(f"{10 * k},{v * 1000:.1f},{v:.3f}\n" for k, v in enumerate(PULSES))
    capture = load(write(tmp_path, "time_us,A (mV),B (V)\n" + rows))
    assert capture.lines["B (V)"].edges_ps.size == 6


def test_the_pulses_of_a_line_that_comes_off_early_are_read_by_the_others_threshold(tmp_path):
    """Ten pulses of 5 V, then nothing drives the line for the other four fifths: 1.1 V and hum."""
    at_us = np.arange(0, 1_000_000, 20)
    high = (at_us % 20_000 >= 3000) & (at_us % 20_000 < 4500)
    hum = 1.1 + 0.3 * np.sin(2 * np.pi * 50e-6 * at_us)
    columns = [at_us, 5.0 * high, np.where(at_us < 200_000, 5.0 * high, hum)]
    path = tmp_path / "loose.csv"
    header = "time_us,RX1 (V),RX2 (V)"
    fmt = ("%d", "%.3f", "%.3f")
    np.savetxt(path, np.column_stack(columns), fmt, ",", header=header, comments="")
    capture = load(path)
    whole, loose = capture.lines.values()
    assert (whole.edges_ps.size, loose.edges_ps.size) == (100, 20)
    np.testing.assert_allclose(loose.edges_ps, whole.edges_ps[:20], atol=1e6)
    assert any("passes 2.5" in said for said in capture.assumptions)


def test_an_idle_line_in_millivolts_is_not_read_by_a_threshold_in_volts(tmp_path):
    """Its noise of tens of millivolts passes the number 2.5, which is another quantity."""
    at_us = np.arange(0, 400_000, 20)
    pulses = 5.0 * ((at_us % 20_000 >= 3000) & (at_us % 20_000 < 4500))
    noise = np.random.default_rng(7).normal(0, 20, at_us.size)
    path = tmp_path / "scales.csv"
    header = "time_us,RX1 (V),RX2 (mV)"
    columns = np.column_stack([at_us, pulses, noise])
    np.savetxt(path, columns, ("%d", "%.3f", "%.1f"), ",", header=header, comments="")
    assert [line.edges_ps.size for line in load(path).lines.values()] == [40, 0]


def test_a_lone_row_that_is_cut_short_is_refused_in_one_sentence(tmp_path):
    """Found by tests/fuzz/damaged.py: no voltage was left to find a threshold from."""
    file = tmp_path / "recording.csv"
    file.write_bytes(b"\n6,0\r148.7")
    with pytest.raises(PwmscopeError, match="0 row of data found"):
        load(file)
