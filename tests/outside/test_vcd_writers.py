"""Value change dumps as general-purpose programs write them, against what was simulated.

Sources: Icarus Verilog (Debian package ``iverilog``), GHDL (``ghdl``) and
Verilator (``verilator``) simulate small designs whose widths are stated in the
design's own text (IEEE Std 1364 and IEEE Std 1076) and write the dumps
themselves. pyvcd (package registry) writes dumps from drawn changes, and its
reader serves as an independent, slow decoder of all of them.
"""

import itertools
import subprocess

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from vcd import VCDWriter
from vcd.reader import TokenKind, tokenize

from pwmscope.capture import Hints
from pwmscope.capture.vcd import read_vcd

VERILOG = """
`timescale 1ns/100ps
module leaf(input wire pin); endmodule
module bench;
  reg rx1, rx2; reg [7:4] out; reg [0:2] up; real volts; integer n;
  leaf copy(.pin(rx1));
  initial begin
    $dumpfile("bench.vcd"); $dumpvars(0, bench);
    #1000.3 rx1 = 0; rx2 = 0; out = 0; up = 0; volts = 0.1; #100;
    for (n = 0; n < 3; n = n + 1) begin
      rx1 = 1; volts = 3.2; out = 4'b1010; #(1500000.2 + n);
      rx1 = 0; volts = 0.2; out = 4'b0010; #18500000;
    end
    #10 $dumpoff; #50 rx2 = 1; #20 $dumpon;
    #100 rx2 = 0; up = 3'b1xz; #300 up = 3'b100;
    #100 $dumpall; #100 $finish;
  end
endmodule
"""
VHDL = """
library ieee; use ieee.std_logic_1164.all;
entity bench is end;
architecture timed of bench is
  signal rx1 : std_logic; signal rx2 : bit := '0';
  signal bus4 : std_logic_vector(3 downto 0) := "0000"; signal volts : real := 0.0;
begin
  process begin
    wait for 1 us; rx1 <= '0'; wait for 1 us;
    for i in 1 to 3 loop
      rx1 <= '1'; rx2 <= '1'; volts <= 3.3; bus4 <= "10HL"; wait for 1500123 ps * i;
      rx1 <= '0'; rx2 <= '0'; volts <= 0.2; bus4 <= "000L"; wait for 20 us;
    end loop;
    rx1 <= 'H'; wait for 1 us; rx1 <= 'Z'; wait for 1 us; rx1 <= 'L'; wait for 1 us;
    wait;
  end process;
end;
"""
CLOCKED = """
`timescale 1ns/1ns
module servo(input logic clk, output logic rx1, output logic [3:0] frame);
  logic [14:0] count = 0;
  always_ff @(posedge clk) begin
    count <= count == 1999 ? 0 : count + 1;
    rx1 <= count < 1000 + 100 * 15'(frame);
    if (count == 1999) frame <= frame + 1;
  end
endmodule
"""
DRIVER = """
#include "Vservo.h"
#include "verilated_vcd_c.h"
int main() {
  VerilatedContext context; context.traceEverOn(true);
  Vservo servo(&context); VerilatedVcdC file;
  servo.trace(&file, 9); file.open("servo.vcd");
  for (int half = 0; half < 23600; half++) {
    context.time(half * 500LL); servo.clk = half % 2; servo.eval(); file.dump(context.time());
  }
  file.close();
}
"""


def run(*words, folder):
    subprocess.run(words, cwd=folder, check=True, timeout=300, capture_output=True)


def widths_ns(line):
    """Widths of the high pulses of a line that starts and ends low."""
    assert line.initial_level == 0
    return ((line.edges_ps[1::2] - line.edges_ps[0::2]) / 1000).tolist()


def slow_edges_ps(path):
    """Decode a dump token by token with pyvcd: every bit's edges, by code and bit.

    Levels follow the same rules: unknown is the level before, and within
    $dumpoff nothing counts; of several levels at one time the last counts.
    """
    sizes, unit_fs, now_ps, is_off = {}, None, 0, False
    last: dict = {}
    with path.open("rb") as file:
        for token in tokenize(file):
            if token.kind is TokenKind.TIMESCALE:
                scale = {"s": 15, "ms": 12, "us": 9, "ns": 6, "ps": 3, "fs": 0}
                unit_fs = token.timescale.magnitude * 10 ** scale[token.timescale.unit.value]
            elif token.kind is TokenKind.VAR:
                sizes[token.var.id_code] = token.var.size
            elif token.kind is TokenKind.CHANGE_TIME:
                now_ps = (2 * token.time_change * unit_fs + 1000) // 2000
            elif token.kind is TokenKind.DUMPOFF:
                is_off = True
            elif token.kind is TokenKind.END:
                is_off = False
            elif is_off or token.kind not in (TokenKind.CHANGE_SCALAR, TokenKind.CHANGE_VECTOR):
                continue
            else:
                code, value = token.data
                size = sizes[code]
                digits = f"{value:b}" if isinstance(value, int) else value
                fill = digits[0] if digits[0] in "xXzZ" else "0"
                for bit, state in enumerate(digits.rjust(size, fill)):
                    level = {"0": 0, "L": 0, "1": 1, "H": 1}.get(state)
                    last.setdefault((code, bit), {})[now_ps] = level
    return {key: changes_of(levels) for key, levels in last.items()}


def changes_of(levels):
    times = sorted(time for time, level in levels.items() if level is not None)
    return [b for a, b in itertools.pairwise(times) if levels[a] != levels[b]]


def edges_of(capture):
    return sorted(line.edges_ps.tolist() for line in capture.lines.values())


@pytest.fixture(scope="module")
def icarus(require_program, tmp_path_factory):
    folder = tmp_path_factory.mktemp("icarus")
    (folder / "bench.v").write_text(VERILOG)
    run(require_program("iverilog"), "-g2005", "-o", "bench", "bench.v", folder=folder)
    run(require_program("vvp"), "-n", "bench", folder=folder)
    return folder / "bench.vcd"


def test_icarus_verilog(icarus):
    """Widths, bit selects, x and z, $dumpoff and reals, in units of 100 ps."""
    capture = read_vcd(icarus, Hints())
    lines = capture.lines
    bits = {f"out[{i}]" for i in (7, 6, 5, 4)} | {f"up[{i}]" for i in (0, 1, 2)}
    assert set(lines) == {"rx1", "rx2", "volts"} | bits
    for name in ("rx1", "out[7]", "volts"):
        assert widths_ns(lines[name]) == [1_500_000.2, 1_500_001.2, 1_500_002.2]
        assert lines[name].edges_ps[0] == 1_100_300
    assert widths_ns(lines["rx2"]) == [100]
    assert lines["up[0]"].edges_ps.size == 1
    said = " ".join(capture.assumptions)
    assert "units of 100 ps" in said
    assert "'bench.copy.pin' is the same wire as 'rx1'" in said
    assert "Line rx1 is unknown (x or z) for 1 stretch, 1.0003 us" in said
    assert "Line up[1] is unknown (x or z) for 2 stretches, 1.3003 us" in said
    off_s = (1_100.3 + 3 * 18_500_000 + 3 * 1_500_000.2 + 3 + 10) / 1e9
    assert f"switched off ($dumpoff) from {off_s:.9g} s to {off_s + 70e-9:.9g} s" in said


def test_ghdl(require_program, tmp_path):
    """Nine-state logic in femtoseconds: U and Z are unknown, H and L are levels."""
    ghdl = require_program("ghdl")
    (tmp_path / "bench.vhd").write_text(VHDL)
    run(ghdl, "-a", "bench.vhd", folder=tmp_path)
    run(ghdl, "-e", "bench", folder=tmp_path)
    run(ghdl, "-r", "bench", "--vcd=bench.vcd", folder=tmp_path)
    capture = read_vcd(tmp_path / "bench.vcd", Hints())
    lines = capture.lines
    expected = [1_500.123, 3_000.246, 4_500.369]
    for name in ("rx2", "bus4[3]", "bus4[1]", "volts"):
        assert widths_ns(lines[name]) == expected
    assert widths_ns(lines["rx1"]) == [*expected, 2_000]
    said = " ".join(capture.assumptions)
    assert "units of 1 fs" in said
    assert "Line rx1 is unknown (x or z) for 2 stretches, 2 us in all, the first at 0 s" in said
    slow = slow_edges_ps(tmp_path / "bench.vcd")
    named = [line.edges_ps.tolist() for line in lines.values() if line.name != "volts"]
    assert sorted(named) == sorted(slow.values())


def test_verilator(require_program, tmp_path):
    """A clocked design: 1000, 1100, ... clock periods of 1 us."""
    (tmp_path / "servo.sv").write_text(CLOCKED)
    (tmp_path / "driver.cpp").write_text(DRIVER)
    for tool in ("make", "g++"):
        require_program(tool)
    fast_build = "OPT_FAST=-O0 OPT_SLOW=-O0 OPT_GLOBAL=-O0"
    run(require_program("verilator"), "--cc", "--exe", "--build", "--trace", "-j", "2",
        "-MAKEFLAGS", fast_build, "servo.sv", "driver.cpp", folder=tmp_path)  # fmt: skip
    run(str(tmp_path / "obj_dir" / "Vservo"), folder=tmp_path)
    dump = tmp_path / "servo.vcd"
    capture = read_vcd(dump, Hints())
    assert widths_ns(capture.lines["rx1"]) == [1e6, 1.1e6, 1.2e6, 1.3e6, 1.4e6, 1.5e6]
    assert capture.lines["clk"].edges_ps.size == 23_599
    np.testing.assert_array_equal(np.diff(capture.lines["clk"].edges_ps), 500_000)
    assert capture.sample_interval_ps == 500_000
    assert edges_of(capture) == sorted(slow_edges_ps(dump).values())


changes = st.lists(
    st.tuples(
        st.integers(1, 10**5), st.integers(0, 2), st.sampled_from("01xz"), st.integers(0, 15)
    ),
    min_size=2,
    max_size=60,
)


@settings(max_examples=100, deadline=None)
@given(changes, st.sampled_from(["1 s", "10 ms", "100 us", "1 ns", "10 ps", "100 fs"]),
       st.integers(3, 300))  # fmt: skip
def test_what_pyvcd_writes_is_read_back(tmp_path_factory, steps, timescale, block_bytes):
    """Drawn changes of two wires and a bus, against the drawing and against pyvcd's own reader."""
    path = tmp_path_factory.getbasetemp() / "pyvcd.vcd"
    drawn = {0: {0: 0}, 1: {0: 0}}
    time = 0
    with path.open("w") as file, VCDWriter(file, timescale=timescale, date="") as writer:
        wires = [writer.register_var("bench.rx", n, "wire", size=1, init=0) for n in ("a", "b")]
        bus = writer.register_var("bench", "bus", "reg", size=4, init=0)
        for step, which, state, number in steps:
            time += step
            if which == 2:
                writer.change(bus, time, number)
            else:
                writer.change(wires[which], time, state)
                drawn[which][time] = {"0": 0, "1": 1}.get(state)
        for level in (0, 1):
            for wire in wires:
                writer.change(wire, time + 100 + 100 * level, level)
        writer.close(time + 900)
    for levels in drawn.values():
        levels |= {time + 100: 0, time + 200: 1}
    capture = read_vcd(path, Hints(), block_bytes=block_bytes)
    magnitude, unit = timescale.split()
    unit_fs = int(magnitude) * {"s": 10**15, "ms": 10**12, "us": 10**9, "ns": 10**6, "ps": 10**3,
                                "fs": 1}[unit]  # fmt: skip
    for which, name in enumerate("ab"):
        instants = [(2 * t * unit_fs + 1000) // 2000 for t in changes_of(drawn[which])]
        if unit != "fs":
            assert capture.lines[name].edges_ps.tolist() == instants
    slow = sorted(slow_edges_ps(path).values())
    assert edges_of(capture) == slow
    assert capture.duration_ps == (2 * (time + 900) * unit_fs + 1000) // 2000
