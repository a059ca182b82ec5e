"""A mixing converter simulated in Verilog: its matrix, ends and delay come back.

Sources: the bench is written for IEEE Std 1364 (Verilog), run by Icarus Verilog (Debian package
``iverilog``), and dumps a value-change dump by the same standard. Its matrix is of whole
numbers over 128, its outputs clip at known widths and follow the sticks by one frame.
"""

import subprocess
from pathlib import Path

import numpy as np
import pytest

import pwmscope
from pwmscope.findings.mixing import examine_mixing, find_lines

BENCH = Path(__file__).parent / "mixer_bench.v"
SIDES = {"left": "left", "right": "right"}
AXES = {"elevator": "elevator", "aileron": "aileron"}
BENCHES = {
    "mixed, as wanted": ((96, 71, 88, -67), (1120, 1880), "mixed"),
    "without clipping": ((64, 48, 64, -48), (1000, 2000), "mixed"),
    "outputs swapped": ((70, -70, 70, 70), (1200, 1800), "mixed, outputs swapped"),
    "one output reversed": ((-90, -90, 90, -90), (1150, 1850), "mixed, left output reversed"),
    "unmixed": ((120, 0, 0, 128), (1150, 1850), "unmixed"),
}


def simulated(require_program, folder, matrix, ends_us):
    values = dict(zip("ABCD", matrix, strict=True)) | dict(
        zip(("LOW_US", "HIGH_US"), ends_us, strict=True)
    )
    options = [f"-Pmixer_bench.{name}={value}" for name, value in values.items()]
    build = [require_program("iverilog"), "-g2005", "-Wall", *options, "-o", "bench", str(BENCH)]
    subprocess.run(build, cwd=folder, check=True, timeout=60)
    run = [require_program("vvp"), "-n", "bench"]
    done = subprocess.run(run, cwd=folder, check=True, timeout=60, capture_output=True, text=True)
    frames = [line.split()[1:] for line in done.stdout.splitlines() if line.startswith("frame ")]
    return folder / "mixer_bench.vcd", np.array(frames, dtype=float)


@pytest.fixture(scope="module", params=BENCHES)
def bench(request, require_program, tmp_path_factory):
    matrix, ends_us, name = BENCHES[request.param]
    folder = tmp_path_factory.mktemp("mixer")
    dump, commanded_us = simulated(require_program, folder, matrix, ends_us)
    tables = pwmscope.decode(pwmscope.load(dump))
    found = examine_mixing(tables, find_lines(tables, sides=SIDES, axes=AXES))
    return np.array(matrix).reshape(2, 2) / 128, ends_us, name, tables, commanded_us, found


def test_the_dump_holds_what_the_bench_commanded(bench):
    *_, tables, commanded_us, _ = bench
    for at, line in enumerate(("elevator", "aileron", "left", "right")):
        np.testing.assert_allclose(tables[line].width_us, commanded_us[:, at], atol=0.002)


def test_the_matrix_lies_within_its_uncertainty(bench):
    """Within two standard uncertainties (about 95 %), all four elements at once."""
    matrix, _, _, _, _, found = bench
    assert np.all(np.abs(found.fit.matrix - matrix) <= 2 * found.fit.uncertainty)
    assert found.fit.uncertainty.max() < 0.01


def test_the_outputs_follow_one_frame_later(bench):
    assert bench[-1].fit.samples.delay_frames == 1


def test_the_ends_are_found_where_the_outputs_reach_them(bench):
    _, ends_us, _, _, commanded_us, found = bench
    for at, output in enumerate(found.fit.outputs):
        reached = commanded_us[:, 2 + at]
        if np.count_nonzero(reached == ends_us[1]) > 20:
            assert output.high_us == pytest.approx(ends_us[1], abs=0.01)
        elif reached.max() < ends_us[1]:
            assert output.high_us is None


def test_the_arrangement_is_named(bench):
    _, _, name, _, _, found = bench
    assert found.arrangement.name == name
