"""Rows as they come: widths, rates, losses, stop times, as at the end and in any pieces."""

import gzip
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import pwmscope
from pwmscope.capture import follow_growing
from pwmscope.capture.text import GrowingTable
from pwmscope.capture.vcd import GrowingDump
from pwmscope.errors import PwmscopeError
from pwmscope.pulses import Happening, LivePulses

CAPTURES = Path(__file__).parents[2] / "captures"
SHEET = pwmscope.load_sheet(CAPTURES / "bench.toml")
FRAME_S = 0.022
STOPS_US = {
    name: (channel.stop_band.low_us, channel.stop_band.high_us)
    for name, channel in SHEET.channels.items()
}


def text_of(name):
    return gzip.decompress((CAPTURES / f"{name}.csv.gz").read_bytes())


def followed(text, size=4096, *, marker="tx-on", stops_us=STOPS_US):
    table, live, events = GrowingTable("a.csv"), LivePulses(marker=marker, stops_us=stops_us), []
    for at in range(0, len(text), size):
        new = table.feed(text[at : at + size])
        if new is not None:
            events += live.feed(new.edges_s, new.levels, new.now_s)
    return live, events


@pytest.fixture(scope="module")
def drill():
    analysis = pwmscope.analyse(CAPTURES / "drill.csv.gz", sheet=SHEET)
    return analysis, *followed(text_of("drill"))


def test_the_live_loss_and_return_are_the_marker_s(drill):
    analysis, _, events = drill
    lost_s = [event.time_s for event in events if event.what is Happening.LOST]
    assert lost_s == pytest.approx([event.lost_s for event in analysis["RX1"].losses], abs=1e-6)
    assert sum(event.what is Happening.BACK for event in events) == len(lost_s)


@pytest.mark.parametrize("line", ["RX1", "RX2", "RX3", "RX4"])
def test_live_stop_times_are_the_final_ones_within_a_frame(drill, line):
    analysis, _, events = drill
    stood = [e.after_s for e in events if e.what is Happening.STANDS and e.line == line]
    final = [event.stop_bounds_s for event in analysis[line].losses]
    moving = [
        bounds for bounds, event in zip(final, analysis[line].losses, strict=True) if bounds[1] > 0
    ]
    assert len(stood) == len(moving) > 5
    for after_s, (least_s, most_s) in zip(stood, moving, strict=True):
        assert least_s - FRAME_S <= after_s <= most_s + FRAME_S


def test_widths_and_rates_now_are_those_of_the_last_frames(drill):
    analysis, live, _ = drill
    for now in live.lines_now():
        table = analysis[now.line].channels[0].table
        assert now.width_us == pytest.approx(float(np.mean(table.width_us[-5:])), abs=1.0)
        assert now.rate_hz == pytest.approx(1e6 / float(np.nanmedian(table.period_us)), rel=0.01)
        assert not now.is_quiet


@settings(max_examples=6, deadline=None)
@given(size=st.integers(200, 60_000))
def test_the_pieces_in_which_rows_come_change_nothing(size):
    """But for the order of what the same piece tells of several lines."""
    text = text_of("pulses-stop")
    told = {(e.what, e.line, round(e.time_s, 6)) for e in followed(text, 1 << 20)[1]}
    assert {(e.what, e.line, round(e.time_s, 6)) for e in followed(text, size)[1]} == told


def test_an_output_that_holds_is_told_with_a_marker_and_is_not_seen_without(drill):
    _, events = followed(text_of("holds-last"))
    assert [e.line for e in events if e.what is Happening.KEEPS]
    _, blind = followed(text_of("holds-last"), marker="")
    assert not any(event.what is Happening.LOST for event in blind)


def test_without_a_marker_missing_frames_are_a_loss():
    _, events = followed(text_of("pulses-stop"), marker="")
    lost = [event for event in events if event.what is Happening.LOST]
    assert len(lost) == sum(event.what is Happening.BACK for event in events) >= 1
    assert {e.line for e in events if e.what is Happening.QUIET} == {"RX1", "RX2", "RX3", "RX4"}


def rows_of(edges_s, end_s, *, inverted=False):
    """One line's rows, a row for each change."""
    level = int(inverted)
    rows = [f"0.000000,{level}"]
    for at_s in edges_s:
        level ^= 1
        rows.append(f"{at_s:.6f},{level}")
    return ("\n".join(["time_s,RX1", *rows, f"{end_s:.6f},{level}"]) + "\n").encode()


def frames(begin_s, count, width_us):
    rises_s = begin_s + 0.02 * np.arange(count)
    return np.column_stack([rises_s, rises_s + width_us / 1e6]).ravel()


@pytest.mark.parametrize("inverted", [False, True])
def test_pulses_are_read_at_either_level(inverted):
    live, _ = followed(rows_of(frames(0.01, 100, 1200.0), 2.05, inverted=inverted), marker="")
    (now,) = live.lines_now()
    assert now.width_us == pytest.approx(1200.0, abs=1.0)
    assert now.rate_hz == pytest.approx(50.0, rel=0.01)


def test_a_loss_is_told_within_three_tenths_of_a_second_of_the_last_frame():
    """Rows of samples go on while no pulses come; the first feed that may tell it does."""
    edges_s = frames(0.01, 50, 1500.0)
    ticks = np.arange(0, 20_000) * 1e-4
    level = np.searchsorted(edges_s, ticks, side="right") % 2
    table, live = GrowingTable("a.csv"), LivePulses()
    told_s = None
    text = "time_s,RX1\n" + "".join(f"{t:.4f},{v}\n" for t, v in zip(ticks, level, strict=True))
    for at in range(0, len(text), 500):
        new = table.feed(text[at : at + 500].encode())
        if new and any(
            event.what is Happening.LOST for event in live.feed(new.edges_s, new.levels, new.now_s)
        ):
            told_s = new.now_s
    assert 0.2 < told_s - edges_s[-1] <= 0.3


def test_nothing_grows_while_hours_pass():
    """A day of eight lines: what is kept of it is a few frames of each line."""
    live = LivePulses()
    for second in range(400):
        edges_s = {f"RX{n}": frames(second + 0.001 * n, 50, 1500.0) for n in range(8)}
        live.feed(edges_s, dict.fromkeys(edges_s, 0), second + 1.0)
    for line in live._lines.values():
        kept = (line.waiting_s, line.rises_s, line.widths_us)
        assert sum(len(each) for each in kept) <= 12 + 2 * 9


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (b"RX1,RX2\n" + b"0,1\n" * 60, "carry no time"),
        (b"time_s,RX1\n" + b"".join(b"%d.5,%d\n" % (n, n % 2) for n in range(60)) + b"x,y,z\n",
         "row 62, column time_s: 'x' stands"),
        (b"a" * (2 << 20), "longer than 1024 KiB"),
        (b"time_s,A (V)\n" + b"".join(b"%d.5,%d.31\n" % (n, n % 4) for n in range(60)), "follow"),
    ],
)  # fmt: skip
def test_what_cannot_be_followed_is_said_in_a_sentence(text, said):
    with pytest.raises(PwmscopeError, match=said):
        followed(text, 512)


@pytest.mark.parametrize(
    ("row", "said"),
    [
        ("91.5,7", "row 94, column RX1: the level is '7'"),
        ("soon,1", "row 94, column time_s: 'soon' stands"),
        ("3.5,1", "row 94: time goes backwards by 87 s"),
    ],
)
def test_a_fault_far_below_the_head_is_named_by_its_row(row, said):
    rows = [f"{n}.5,{n % 2}" for n in range(60)] + [""] + [f"{n}.5,{n % 2}" for n in range(60, 120)]
    rows[92] = row
    table = GrowingTable("a.csv")
    head = "\n".join(["time_s,RX1", *rows[:70]]) + "\n"
    table.feed(head.encode())
    with pytest.raises(PwmscopeError, match=f"a.csv, {said}"):
        table.feed(("\n".join(rows[70:]) + "\n").encode())


def dump_of(text):
    """The same recording as a value change dump (IEEE Std 1364), by a writer of its own."""
    head, *rows = text.decode().splitlines()
    names = head.split(",")[1:]
    codes = "!#%&'"
    out = ["$timescale 1 ns $end"]
    out += [f"$var wire 1 {c} {n} $end" for c, n in zip(codes, names, strict=False)]
    out += ["$enddefinitions $end"]
    before = [None] * len(names)
    for row in rows:
        at, *levels = row.split(",")
        out.append(f"#{round(float(at) * 1e9)}")
        out += [f"{v}{c}" for v, was, c in zip(levels, before, codes, strict=False) if v != was]
        before = levels
    return ("\n".join(out) + "\n").encode()


@pytest.mark.parametrize("size", [1 << 20, 50_021])
def test_a_dump_tells_what_the_table_of_the_same_recording_tells(drill, size):
    text = text_of("drill")
    dump, live, events = GrowingDump("a.vcd"), LivePulses(marker="tx-on", stops_us=STOPS_US), []
    data = dump_of(text)
    for at in range(0, len(data), size):
        new = dump.feed(data[at : at + size])
        if new is not None:
            events += live.feed(new.edges_s, new.levels, new.now_s)
    new = dump.feed(b"", is_last=True)
    events += live.feed(new.edges_s, new.levels, new.now_s) if new else []
    key = [(e.what, e.line, round(e.time_s, 6)) for e in events]
    assert sorted(key) == sorted((e.what, e.line, round(e.time_s, 6)) for e in drill[2])
    assert {"RX1", "RX2", "RX3", "RX4", "tx-on"} == set(dump.lines)


HEAD = b"$timescale 1 us $end $var wire 1 # A $end $var wire 4 ! B $end $enddefinitions $end\n"


@given(st.integers(1, 40))
def test_a_dump_may_be_cut_anywhere(size):
    """Codes that look like stamps, vectors, unknown levels, comments, two levels at one time."""
    data = HEAD + (
        b"#5\n$dumpvars\n0#\nb01x0 !\n$end\n#10\n1#\n$comment\n#7 no stamp $end\n"
        b"#15\n0#\n1#\n#20\nb1110 !\n#30\nx#\n#40\n0#\n#50\n"
    )
    dump = GrowingDump("a.vcd")
    edges, now_s = {}, 0.0
    for at in range(0, len(data), size):
        new = dump.feed(data[at : at + size])
        for name, edges_s in () if new is None else new.edges_s.items():
            edges.setdefault(name, []).extend((1e6 * edges_s).round().tolist())
        now_s = now_s if new is None else new.now_s
    assert edges == {"A": [5, 35], "B[3]": [15], "B[2]": [], "B[1]": [], "B[0]": []}
    assert now_s == pytest.approx(45e-6)


@pytest.mark.parametrize(
    ("head", "said"),
    [
        (b"PAR1", "a Parquet table cannot be followed"),
        (b"\x1f\x8b\x08", "a file packed with gzip cannot be followed"),
        (b"$timescale 1 us $end $var real 64 ! V $end $enddefinitions $end\n", "real variable"),
        (b"$var wire 1 ! A $end $enddefinitions $end\n", "no time unit"),
        (HEAD + b"#0\n0#\n?!\n#5\n", "neither a time nor a value"),
    ],
)
def test_what_kind_of_recording_cannot_be_followed_is_said_at_its_first_bytes(head, said):
    with pytest.raises(PwmscopeError, match=said):
        follow_growing(head, "a", {}).feed(head, is_last=True)
