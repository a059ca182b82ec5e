"""However a dump is cut into blocks, the capture is the same; and it is the true one."""

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from pwmscope.capture import Hints
from pwmscope.capture.vcd import read_vcd

HEAD = (
    "$timescale 1 ns $end\n$var wire 1 ! a $end\n$var wire 1 b b $end\n$var wire 3 # v $end\n"
    "$var real 64 r real $end\n$var wire 1 longer l $end\n$enddefinitions $end\n"
)
state = st.sampled_from("01xz")
words = st.one_of(
    st.builds("{}!".format, state),
    st.builds("{}b".format, state),
    st.builds("{}longer".format, state),
    st.builds(lambda s: f"b{s} #", st.text("01xz", min_size=1, max_size=3)),
    st.builds(lambda s: f"b{s} b", state),
    st.builds(lambda x: f"r{x} r", st.sampled_from(["0", "1.5", "1.6", "1.4", "3e0", "NaN"])),
    st.builds("$comment {} $end".format, st.sampled_from(["", "b", "1! #7", "$dumpoff"])),
    st.sampled_from(["$dumpoff x! xb bx # $end", "$dumpon 1! b0 b $end", "$dumpall 0! $end"]),
)
instants = st.lists(
    st.tuples(st.integers(0, 9), st.lists(words, max_size=5), st.sampled_from(["\n", " ", "\r\n"])),
    min_size=1,
    max_size=30,
)


def written(steps):
    time, parts = 0, [HEAD]
    for step, values, space in steps:
        time += step
        parts.append(space.join([f"#{time}", *values]) + space)
    return "".join(parts) + f"#{time + 1}\n0!\n#{time + 3}\n1!\n#{time + 9}\n"


def read(file, block_bytes):
    """Everything that a reading gives, so that two can be compared."""
    capture = read_vcd(file, Hints(), block_bytes=block_bytes)
    lines = [(n, line.initial_level, line.edges_ps.tolist()) for n, line in capture.lines.items()]
    return lines, capture.duration_ps, capture.sample_interval_ps, capture.assumptions


@settings(max_examples=120, deadline=None)
@given(instants, st.integers(1, 80))
def test_any_block_size_gives_the_same_capture(tmp_path_factory, steps, block_bytes):
    file = tmp_path_factory.getbasetemp() / "blocks.vcd"
    file.write_bytes(written(steps).encode())
    assert read(file, block_bytes) == read(file, 1 << 20)


pulses = st.lists(st.integers(1, 3000), min_size=4, max_size=60)


@settings(max_examples=60, deadline=None)
@given(pulses, pulses, pulses, st.integers(1, 200))
def test_the_edges_are_those_that_were_written(tmp_path_factory, a_ns, b_ns, l_ns, block_bytes):
    edges = {"!": np.cumsum(a_ns), "b": np.cumsum(b_ns), "longer": np.cumsum(l_ns)}
    listed = sorted((t, code, (i + 1) % 2) for code in edges for i, t in enumerate(edges[code]))
    body = "#0\n0!\n0b\n0longer\n"
    body += "".join(f"#{t}\n{level}{code}\n" for t, code, level in listed)
    file = tmp_path_factory.getbasetemp() / "pulses.vcd"
    file.write_text(HEAD + body + "#200000\n")
    capture = read_vcd(file, Hints(), block_bytes=block_bytes)
    for name, code in (("a", "!"), ("b", "b"), ("l", "longer")):
        np.testing.assert_array_equal(capture.lines[name].edges_ps, edges[code] * 1000)
    assert capture.duration_ps == 200_000_000
