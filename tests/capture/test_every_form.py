"""The same random edges in every form of text table give the same edges back, however batched."""

import gzip
import io
import zipfile

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pwmscope.capture import Hints
from pwmscope.capture.text import read_table

US = 1_000_000  # picoseconds


def sampled(levels, heading="time_us", sep=",", *, words=("0", "1"), clock=str, end="\n"):
    rows = [sep.join((heading, "A", "B"))]
    rows += [sep.join((clock(k), words[a], words[b])) for k, (a, b) in enumerate(levels)]
    return end.join(rows) + end


def changed_rows(levels):
    keep = [0]
    keep += [k for k in range(1, len(levels)) if levels[k] != levels[k - 1]]
    return [*keep, len(levels) - 1] if keep[-1] != len(levels) - 1 else keep


def changes(levels):
    rows = [f"{k / 1e6:.6f},{levels[k][0]},{levels[k][1]}" for k in changed_rows(levels)]
    return "\n".join(["time_s,A,B", *rows]) + "\n"


def bus(levels, write):
    return "time_us,P bus\n" + "".join(
        f"{k},{write(a + 2 * b)}\n" for k, (a, b) in enumerate(levels)
    )


def edges(levels, line):
    column = np.array([row[line] for row in levels])
    return np.flatnonzero(np.diff(column)) + 1


def events(levels):
    rows = [(0, name, levels[0][i]) for i, name in enumerate("AB")]
    rows += [(k, name, levels[k][i]) for i, name in enumerate("AB") for k in edges(levels, i)]
    return rows


def long_form(levels):
    rows = sorted(events(levels), key=lambda row: row[0])
    return "time_us,line,level\n" + "".join(f"{t},{n},{'LH'[v]}\n" for t, n, v in rows)


def grouped_by_line(levels):
    rows = sorted(events(levels), key=lambda row: row[1])
    return "time_us;signal;state\n" + "".join(f"{t};{n};{v}\n" for t, n, v in rows)


def pulse_list(levels):
    pulses = []
    for i, name in enumerate("AB"):
        at = edges(levels, i)
        pulses += [(r, name, f - r) for r, f in zip(at[::2], at[1::2], strict=True)]
    rows = "".join(f"{r / 1000:.3f}\t{n}\t{w / 1000:.3f}\n" for r, n, w in sorted(pulses))
    return "time_ms\tchannel\thigh duration [ms]\n" + rows


def stamped(levels):
    return sampled(levels, "Date and time", ";", clock=lambda k: f"2031-05-06 23:59:59,{k:06d}")


def volts(levels):
    return sampled(levels, words=("0.25", "4.75"), heading="time_us")


def no_time(levels):
    return "A\tB\n" + "".join(f"{a}\t{b}\n" for a, b in levels)


def zipped(text):
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w") as archive:
        archive.writestr("a.csv", text)
    return out.getvalue()


REMARKS = "Bench 3, hall 2\n\n; taken on a Sunday\nSample rate: 1 MHz\n"
FORMS = {
    "samples": sampled,
    "samples without header": lambda v: sampled(v, "", clock=lambda k: f"{k / 1e6:.6f}")[5:],
    "samples at semicolons with decimal commas": lambda v: sampled(
        v, "Zeit (ms)", ";", clock=lambda k: f"{k / 1000:.3f}".replace(".", ","), end="\r\n"
    ),
    "samples at tabs": lambda v: sampled(v, "t_us", "\t"),
    "samples at runs of spaces": lambda v: sampled(v, "  t_us", "   "),
    "samples in floating-point notation": lambda v: sampled(
        v, "Time [s]", clock=lambda k: f"{k / 1e6:.6E}"
    ),
    "samples below remarks": lambda v: REMARKS + sampled(v, "time"),
    "quoted samples": lambda v: sampled(v, '"time_us"', words=('"0"', '"1"')),
    "sample numbers below remarks": lambda v: REMARKS + sampled(v, "Sample no."),
    "samples without time below remarks": lambda v: REMARKS + no_time(v),
    "changes": changes,
    "words true and false": lambda v: sampled(v, words=("False", "TRUE")),
    "words L and H": lambda v: sampled(v, words=("L", "h")),
    "words low and high": lambda v: sampled(v, words=("low", "High"), sep=";"),
    "words off and on": lambda v: sampled(v, words=("off", "ON"), sep=" "),
    "levels 0.0 and 1.0": lambda v: sampled(v, words=("0.0", "1.0")),
    "a bus as 0x..": lambda v: bus(v, lambda n: f"0x{n:02X}"),
    "a bus as ..h": lambda v: bus(v, lambda n: f"{n:02X}h"),
    "a bus as 0b..": lambda v: bus(v, lambda n: f"0b{n:04b}"),
    "a bus in binary digits": lambda v: bus(v, lambda n: f"{n:04b}"),
    "a bus in decimal numbers": lambda v: bus(v, str),
    "date and time stamps": stamped,
    "events": long_form,
    "events grouped by line": grouped_by_line,
    "pulses": pulse_list,
    "voltages": volts,
}
ENCODED = {
    "UTF-8 with byte order mark": lambda text: text.encode("utf-8-sig"),
    "UTF-16": lambda text: text.encode("utf-16"),
    "UTF-16, big end first": lambda text: b"\xfe\xff" + text.encode("utf-16-be"),
    "gzip": lambda text: gzip.compress(text.encode()),
    "zip": zipped,
}


@st.composite
def recordings(draw):
    """Levels of two lines at every microsecond, low at both ends, each with a pulse or more."""
    middle = draw(st.lists(st.tuples(st.integers(0, 1), st.integers(0, 1)), max_size=60))
    both = [(0, 0), (1, 0), (0, 1), (1, 1), (0, 0), (0, 0)]
    return [(0, 0), (0, 0), *middle, *both]


def assert_edges(capture, levels, shift_ps=0):
    assert len(capture.lines) == 2
    for i, name in enumerate(sorted(capture.lines)):
        line = capture.lines[name]
        expected = edges(levels, i) * US - shift_ps
        np.testing.assert_array_equal(line.edges_ps, expected)
        assert line.initial_level == 0


@pytest.mark.parametrize("form", FORMS)
@settings(max_examples=12, deadline=None)
@given(levels=recordings(), batch_rows=st.integers(1, 70))
def test_every_form_gives_the_edges_back_however_batched(
    tmp_path_factory, form, levels, batch_rows
):
    file = tmp_path_factory.mktemp("form") / "recording"
    file.write_text(FORMS[form](levels))
    # A voltage crosses halfway between the samples that show its two levels.
    shift_ps = US // 2 if form == "voltages" else 0
    # Nothing but the person can tell the unit of bare decimals that show no servo pulse.
    hints = Hints(time_unit="s") if form == "samples without header" else Hints()
    whole = read_table(file, hints)
    assert_edges(whole, levels, shift_ps)
    cut = read_table(file, hints, batch_rows=batch_rows)
    assert_edges(cut, levels, shift_ps)
    assert cut.assumptions == whole.assumptions
    assert cut.duration_ps == whole.duration_ps


@pytest.mark.parametrize("encoding", ENCODED)
@settings(max_examples=5, deadline=None)
@given(levels=recordings())
def test_every_encoding_gives_the_edges_back(tmp_path_factory, encoding, levels):
    file = tmp_path_factory.mktemp("encoding") / "recording"
    file.write_bytes(ENCODED[encoding](sampled(levels)))
    assert_edges(read_table(file, Hints()), levels)


@settings(max_examples=40, deadline=None)
@given(
    noise=st.lists(st.floats(-0.2, 0.2), min_size=120, max_size=120),
    batch_rows=st.integers(1, 130),
)
def test_voltages_with_noise_give_the_same_edges_however_batched(
    tmp_path_factory, noise, batch_rows
):
    clean = [3.3 * (20 <= k % 60 < 40) for k in range(120)]
    rows = "".join(f"{k},{v + e:.6f}\n" for k, (v, e) in enumerate(zip(clean, noise, strict=True)))
    file = tmp_path_factory.mktemp("noise") / "recording"
    file.write_text("time_us,A\n" + rows)
    whole, cut = read_table(file, Hints()), read_table(file, Hints(), batch_rows=batch_rows)
    edges_ps = whole.lines["A"].edges_ps
    np.testing.assert_array_equal(edges_ps, cut.lines["A"].edges_ps)
    # Noise of 0.2 on a swing of 3.3 moves a crossing between two samples by little.
    np.testing.assert_allclose(edges_ps / US, [19.5, 39.5, 79.5, 99.5], atol=0.15)
