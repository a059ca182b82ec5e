"""Value change dumps: given these words, these levels, and these sentences."""

import gzip

import numpy as np
import pytest

import pwmscope
from pwmscope.capture import Hints
from pwmscope.capture.vcd import read_vcd
from pwmscope.errors import HintError

ONE = "$var wire 1 ! RX1 $end"
PULSE = "#0\n0!\n#3000\n1!\n#4500\n0!\n#20000\n"
US = 1_000_000


def dump(tmp_path, variables, values, timescale="1 us"):
    scale = f"$timescale {timescale} $end\n" if timescale else ""
    file = tmp_path / "a.vcd"
    file.write_text(f"{scale}{variables}\n$enddefinitions $end\n{values}")
    return file


def read(tmp_path, variables, values, timescale="1 us", **hints):
    return read_vcd(dump(tmp_path, variables, values, timescale), Hints(**hints))


def edges_us(capture, name="RX1"):
    return (capture.lines[name].edges_ps / US).tolist()


def said(capture, *words):
    return [s for s in capture.assumptions if all(word in s for word in words)]


def test_one_pulse(tmp_path):
    capture = read(tmp_path, ONE, PULSE)
    assert edges_us(capture) == [3000, 4500]
    assert capture.lines["RX1"].initial_level == 0
    assert capture.duration_ps == 20_000 * US
    assert capture.sample_interval_ps is None
    assert said(capture, "units of 1 us", "as the file states")


def test_load_recognises_a_dump_and_unpacks_it(tmp_path):
    plain = dump(tmp_path, ONE, PULSE)
    packed = tmp_path / "a.vcd.gz"
    packed.write_bytes(gzip.compress(plain.read_bytes()))
    for file in (plain, packed):
        np.testing.assert_array_equal(
            pwmscope.load(file).lines["RX1"].edges_ps, [3000 * US, 4500 * US]
        )


@pytest.mark.parametrize("magnitude", [1, 10, 100])
@pytest.mark.parametrize(
    ("unit", "unit_fs"),
    [("s", 10**15), ("ms", 10**12), ("us", 10**9), ("ns", 10**6), ("ps", 10**3), ("fs", 1)],
)
@pytest.mark.parametrize("gap", ["", " "])
def test_every_timescale_of_the_standard(tmp_path, magnitude, unit, unit_fs, gap):
    """IEEE Std 1364: 1, 10 or 100 of s, ms, us, ns, ps or fs."""
    values = "#0\n0!\n#1234\n1!\n#1300\n"
    capture = read(tmp_path, ONE, values, f"{magnitude}{gap}{unit}")
    exact_fs = 1234 * magnitude * unit_fs
    assert capture.lines["RX1"].edges_ps.tolist() == [(exact_fs + 500) // 1000]
    assert bool(said(capture, "rounded to whole picoseconds")) == (unit == "fs")


def test_half_a_picosecond_is_rounded_up(tmp_path):
    capture = read(tmp_path, ONE, "#0\n0!\n#1499\n1!\n#2500\n0!\n#9999\n", "1 fs")
    assert capture.lines["RX1"].edges_ps.tolist() == [1, 3]


def test_without_a_timescale_the_unit_is_asked_for(tmp_path):
    with pytest.raises(HintError, match="time_unit='ns'"):
        read(tmp_path, ONE, PULSE, timescale=None)
    capture = read(tmp_path, ONE, PULSE, timescale=None, time_unit="us")
    assert edges_us(capture) == [3000, 4500]
    assert said(capture, "units of 1 us", "as you said")


def test_hints_that_do_not_apply(tmp_path):
    with pytest.raises(HintError, match="leave `time_unit` out"):
        read(tmp_path, ONE, PULSE, time_unit="us")
    with pytest.raises(HintError, match="leave `threshold` out"):
        read(tmp_path, ONE, PULSE, threshold_v=1.5)


def test_a_vector_gives_one_line_per_bit_with_its_declared_index(tmp_path):
    down, up = '$var wire 4 ! out [7:4] $end $var reg 3 " in[0:2] $end', '#0\nb0 !\nb0 "\n'
    capture = read(tmp_path, down, up + '#5\nb1000 !\nb1 "\n#6\nb11 !\nb100 "\n#9\n')
    assert list(capture.lines) == [
        "out[7]",
        "out[6]",
        "out[5]",
        "out[4]",
        "in[0]",
        "in[1]",
        "in[2]",
    ]
    assert edges_us(capture, "out[7]") == [5, 6]
    assert edges_us(capture, "out[6]") == []
    assert edges_us(capture, "out[5]") == [6]
    assert edges_us(capture, "out[4]") == [6]
    assert edges_us(capture, "in[0]") == [6]
    assert edges_us(capture, "in[2]") == [5, 6]


def test_short_values_are_extended_to_the_left_as_the_standard_says(tmp_path):
    """IEEE Std 1364: by 0 after 0 or 1, by x after x, by z after z."""
    capture = read(
        tmp_path, "$var wire 3 ! b $end", "#0\nb111 !\n#5\nb1 !\n#6\nbx0 !\n#8\nb1 !\n#9\n"
    )
    assert edges_us(capture, "b[2]") == [5]
    assert edges_us(capture, "b[1]") == [5]
    assert edges_us(capture, "b[0]") == [6, 8]
    for name in ("b[2]", "b[1]"):
        assert said(capture, f"Line {name} is unknown", "1 stretch", "2 us")


def test_a_bit_select_names_a_single_wire(tmp_path):
    capture = read(tmp_path, "$var wire 1 ! bus [3] $end", PULSE)
    assert list(capture.lines) == ["bus[3]"]


def test_an_escaped_identifier_keeps_its_brackets(tmp_path):
    capture = read(tmp_path, "$var wire 1 ! \\pin[3] $end", PULSE)
    assert list(capture.lines) == ["pin[3]"]


def test_one_state_may_be_written_as_a_vector(tmp_path):
    capture = read(tmp_path, ONE, "#0\nb0 !\n#5\n1!\n#6\nb0 !\n#7\nB1 !\n#8\n")
    assert edges_us(capture) == [5, 6, 7]


def test_names_are_short_unless_two_scopes_share_one(tmp_path):
    variables = (
        "$scope module bench $end $var wire 1 ! RX1 $end $var wire 1 % RX9 $end\n"
        "$scope module copy $end $var wire 1 # RX1 $end $upscope $end $upscope $end"
    )
    values = "#0\n0!\n0#\n0%\n#5\n1!\n#6\n1#\n#7\n1%\n#8\n"
    capture = read(tmp_path, variables, values)
    assert list(capture.lines) == ["bench.RX1", "RX9", "bench.copy.RX1"]
    assert edges_us(capture, "bench.copy.RX1") == [6]
    assert list(read(tmp_path, variables, values, lines=("RX9", "bench.RX1")).lines) == [
        "RX9",
        "bench.RX1",
    ]
    with pytest.raises(HintError, match=r"bench\.RX1 and bench\.copy\.RX1"):
        read(tmp_path, variables, values, lines=("RX1",))


def test_one_code_declared_twice_is_one_wire(tmp_path):
    variables = f"$scope module b $end {ONE} $var wire 1 ! copy $end $upscope $end"
    capture = read(tmp_path, variables, PULSE)
    assert list(capture.lines) == ["RX1"]
    assert said(capture, "'b.copy' is the same wire as 'RX1'")
    assert edges_us(read(tmp_path, variables, PULSE, lines=("copy",)), "copy") == [3000, 4500]


def test_variables_that_are_no_wires_are_left_out_unless_named(tmp_path):
    variables = f"{ONE} $var integer 32 # count $end"
    values = PULSE.replace("#3000\n", "#3000\nb101 #\n")
    capture = read(tmp_path, variables, values)
    assert list(capture.lines) == ["RX1"]
    assert said(capture, "type integer", "left out (count)")
    named = read(tmp_path, variables, "#0\nb0 #\n" + values, lines=("count[2]",))
    assert edges_us(named, "count[2]") == [3000]


def test_lines_are_chosen_and_ordered_by_the_hint(tmp_path):
    variables = f'{ONE} $var wire 1 " RX2 $end $var wire 1 # RX3 $end'
    values = '#0\n0!\n0"\n0#\n#5\n1#\n#6\n1!\n#9\n'
    capture = read(tmp_path, variables, values, lines=("RX3", "RX1"))
    assert list(capture.lines) == ["RX3", "RX1"]
    with pytest.raises(HintError, match="no line 'RX4'; the file has RX1, RX2, RX3"):
        read(tmp_path, variables, values, lines=("RX4",))
    with pytest.raises(HintError, match="named twice"):
        read(tmp_path, variables, values, lines=("RX3", "RX3"))


@pytest.mark.parametrize("unknown", ["x", "X", "z", "Z", "U", "W", "-"])
def test_an_unknown_stretch_is_read_as_the_level_before_and_counted(tmp_path, unknown):
    values = f"#0\n0!\n#5\n{unknown}!\n#7\n0!\n#10\n1!\n#12\n{unknown}!\n#15\n0!\n#20\n"
    capture = read(tmp_path, ONE, values)
    assert edges_us(capture) == [10, 15]
    assert said(capture, "Line RX1 is unknown", "2 stretches", "5 us in all", "5e-06 s")


def test_the_level_before_the_first_known_one_makes_no_edge(tmp_path):
    capture = read(tmp_path, ONE, "#0\nx!\n#5\n1!\n#7\n0!\n#20\n")
    assert capture.lines["RX1"].initial_level == 1
    assert edges_us(capture) == [7]
    assert said(capture, "1 stretch,", "5 us in all")


def test_a_line_that_is_never_known_is_left_out(tmp_path):
    capture = read(tmp_path, f"{ONE} $var wire 1 # RX2 $end", "#0\nx#\n" + PULSE)
    assert list(capture.lines) == ["RX1"]
    assert said(capture, "Line RX2 has no known level")


def test_weak_levels_of_a_nine_state_logic_are_levels(tmp_path):
    """IEEE Std 1164: L and H are weak, but low and high."""
    assert edges_us(read(tmp_path, ONE, "#0\nL!\n#5\nH!\n#7\nL!\n#9\n")) == [5, 7]


def test_while_switched_off_nothing_is_known_and_nothing_is_counted(tmp_path):
    variables = f'{ONE} $var wire 1 " RX2 $end'
    values = (
        '#0\n$dumpvars\n0!\n0"\n$end\n#5\n1!\n#8\n$dumpoff\nx!\nx"\n$end\n'
        '#20\n$dumpon\n1!\n1"\n$end\n#22\n0!\n#25\n$dumpall\n0!\n1"\n$end\n#30\n'
    )
    capture = read(tmp_path, variables, values)
    assert edges_us(capture) == [5, 22]
    assert edges_us(capture, "RX2") == [20]
    assert said(capture, "switched off ($dumpoff) from 8e-06 s to 2e-05 s")
    assert not said(capture, "is unknown")


def test_switched_off_until_the_end(tmp_path):
    capture = read(tmp_path, ONE, "#0\n0!\n#5\n1!\n#8\n$dumpoff\nx!\n$end\n#20\n")
    assert edges_us(capture) == [5]
    assert said(capture, "switched off", "from 8e-06 s to 2e-05 s")


def test_of_several_levels_at_one_time_the_last_counts(tmp_path):
    capture = read(tmp_path, ONE, "#0\n0!\n#5\n1!\n0!\n#7\n0!\n1!\n#9\n0!\n#9\n1!\n#12\n")
    assert edges_us(capture) == [7]
    assert said(capture, "Line RX1 has 3 levels that another level replaces")


def test_time_zero(tmp_path):
    late = read(tmp_path, ONE, "#1000\n0!\n#1005\n1!\n#1010\n")
    assert edges_us(late) == [5]
    assert said(late, "Time 0 is the first time stamp", "0.001 s")
    values_first = read(tmp_path, ONE, "$dumpvars 0! $end\n#1000\n1!\n#1010\n")
    assert edges_us(values_first) == [1000]
    assert not said(values_first, "Time 0")


def test_comments_may_hold_anything_and_white_space_is_free(tmp_path):
    values = "#0 0!\n$comment b 1! #77 $dumpoff r1.5 $end #5\t1!\r\n\n  #6 0! $comment\n$end #9\n"
    assert edges_us(read(tmp_path, ONE, values)) == [5, 6]


def test_a_code_may_look_like_a_value(tmp_path):
    variables = (
        "$var wire 2 b A $end $var wire 2 # B $end $var wire 2 $ C $end $var wire 2 r1 D $end "
        "$var wire 1 0 E $end $var wire 1 toolongforeight F $end"
    )
    start = "#0 b0 b b0 # b0 $ b0 r1 00 0toolongforeight "
    values = start + "#5 b1 b #6 b1 # #7 b1 $ #8 b10 r1 b11 b #9 10 #10 1toolongforeight #11\n"
    capture = read(tmp_path, variables, values)
    firsts = {"A[0]": 5, "A[1]": 8, "B[0]": 6, "C[0]": 7, "D[1]": 8, "E": 9, "F": 10}
    for name, first in firsts.items():
        assert edges_us(capture, name) == [first]


def test_a_last_line_that_is_not_closed_is_left_out_and_said(tmp_path):
    whole = read(tmp_path, ONE, PULSE)
    cut = read(tmp_path, ONE, PULSE + "#200")
    assert edges_us(cut) == edges_us(whole)
    assert cut.duration_ps == whole.duration_ps
    assert said(cut, "cut short")
    assert not said(whole, "cut short")
    assert said(read(tmp_path, ONE, PULSE + "b01\n"), "cut short")
    assert said(read(tmp_path, ONE, PULSE + "$comment never closed\n"), "cut short")


def test_a_last_change_at_the_end_is_said(tmp_path):
    assert said(read(tmp_path, ONE, "#0 0! #5 1!\n"), "end at its last time stamp, a change")
    assert not said(read(tmp_path, ONE, PULSE), "end at its last time stamp, a change")


def pulses(interval_ns):
    ticks = np.cumsum(np.random.default_rng(1).integers(24_000, 60_000, 60))
    times = np.rint(ticks * interval_ns).astype(int)
    return "#0\n0!\n" + "".join(f"#{t}\n{(i + 1) % 2}!\n" for i, t in enumerate(times))


def test_the_sampling_interval_shows_in_the_times(tmp_path):
    capture = read(tmp_path, ONE, pulses(1000 / 24), "1 ns")
    assert capture.sample_interval_us == pytest.approx(1 / 24)
    assert said(capture, "ticks 41.667 ns apart")


def test_a_stated_rate_is_taken(tmp_path):
    capture = read(tmp_path, ONE, PULSE, rate_hz=1e6)
    assert capture.sample_interval_ps == US
    assert said(capture, "as you said")


REAL = "$var real 64 ! volts $end"


def test_a_real_variable_is_held_against_a_threshold_with_hysteresis(tmp_path):
    """0 to 5 V: threshold 2.5 V, and 0.25 V on either side must be passed."""
    values = (
        "#0 r0 ! #1 r0 ! #2 r0 ! "
        "#10 r2.6 ! #11 r2.4 ! #12 r2.6 ! #13 r2.9 ! #14 r5.0 ! #15 r5 ! #16 r5 ! "
        "#20 r2.45 ! #21 r2.5 ! #30 r2.4 ! #31 r0.1e0 ! #50\n"
    )
    capture = read(tmp_path, REAL, values)
    assert edges_us(capture, "volts") == [12, 30]
    assert said(capture, "state levels 0 and 5", "2.5, halfway", "hysteresis is 0.5")
    higher = read(tmp_path, REAL, values, threshold_v=4.0)
    assert edges_us(higher, "volts") == [14, 20]
    assert said(higher, "threshold is 4, as you said")


def test_a_real_variable_without_a_number_is_unknown(tmp_path):
    capture = read(tmp_path, REAL, "#0 r0 ! #10 r5 ! #15 rNaN ! #18 r5 ! #20 r0 ! #50\n")
    assert edges_us(capture, "volts") == [10, 20]
    assert said(capture, "Line volts is unknown", "3 us")


def test_a_real_variable_that_shows_no_two_levels_is_said(tmp_path):
    wander = "".join(f"#{t} r{4.4 + t % 7 / 30} ! " for t in range(1, 40)) + "#40 r9 ! #41 r0 !\n"
    capture = read(tmp_path, f"{REAL} $var wire 1 # RX1 $end", "#0 0# #1 1#\n" + wander)
    assert edges_us(capture, "volts") == []
    assert said(capture, "between 0 and 9", "without two state levels", "`threshold`")
    assert edges_us(read(tmp_path, REAL, wander, threshold_v=5), "volts") == [39, 40]


@pytest.mark.parametrize("stray", [None, 0, 9_999])
def test_an_interval_must_fit_every_one_of_many_changes(tmp_path, stray):
    """Ten thousand edges on 1 us ticks, of which one may lie 300 ns beside its tick."""
    times = np.cumsum(np.random.default_rng(2).integers(2, 60, 10_000)) * 1000
    if stray is not None:
        times[stray] += 300
    rows = "".join(f"#{t}\n{(i + 1) % 2}!\n" for i, t in enumerate(times))
    capture = read(tmp_path, ONE, "#0\n0!\n" + rows, "1 ns")
    np.testing.assert_array_equal(capture.lines["RX1"].edges_ps, times * 1000)
    expected = {None: 1e6, 0: 1e5, 9_999: 1e5}[stray]
    assert capture.sample_interval_ps == expected
