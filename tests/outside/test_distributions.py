"""Distributions in plain arithmetic, held against scipy.special and printed tables."""

import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from scipy import special

from pwmscope.model import (
    beta_quantile,
    chi_squared_above,
    gamma_above,
    normal_below,
    normal_quantile,
    poisson_reaches,
    student_beyond,
    student_quantile,
)

CHANCES = (0.001, 0.025, 0.3, 0.5, 0.9, 0.975, 0.99999)
FREEDOMS = (1, 1.3, 2, 3, 4.5, 10, 33.3, 120, 3000, 20_000, 1e6)
CAPTURES = Path(__file__).parents[2] / "captures"
SWEEP, DRILL, HUNT, SHEET = (
    str(CAPTURES / name)
    for name in ("clean-sweep.csv", "drill.csv.gz", "fault-hunt.csv.gz", "bench.toml")
)


@pytest.mark.parametrize("chance", [1e-300, 1e-12, *CHANCES, 0.0, 1.0])
def test_normal_quantile(chance):
    assert normal_quantile(chance) == pytest.approx(special.ndtri(chance), rel=1e-12, abs=1e-15)


@pytest.mark.parametrize("shape", [(), (7, 3), (1_000_001,)])
def test_normal_below(shape):
    """A million are left to scipy itself."""
    z = np.linspace(-37.0, 9.0, int(np.prod(shape))).reshape(shape)
    np.testing.assert_allclose(normal_below(z), special.ndtr(z), rtol=1e-12)
    ends = np.array([-np.inf, np.inf, np.nan])
    np.testing.assert_array_equal(normal_below(ends), [0.0, 1.0, np.nan])


@pytest.mark.parametrize("expected", [0.0, 1e-9, 0.01, 0.7, 3.0, 40.0, 2500.0])
def test_poisson(expected):
    counts = (1, 2, 3, 10, 45, 400, 2600)
    got = [poisson_reaches(count, expected) for count in counts]
    np.testing.assert_allclose(got, special.pdtrc(np.array(counts) - 1, expected), rtol=1e-10)


@pytest.mark.parametrize("shape", [0.5, 1, 2.5, 10, 300, 9999, 10_001, 3e4, 1e6, 1e9])
def test_gamma(shape):
    """scipy keeps 14 digits; the expansion that large shapes are left with keeps eight."""
    near = 1 + np.array([-4, -1, -0.1, 0, 1e-3, 0.5, 3, 6]) / shape**0.5
    for value in shape * np.concatenate([near[near > 0], [0.0, 0.01, 3.0, np.inf]]):
        wanted = special.gammaincc(shape, value)
        rel = 1e-7 if shape > 1e4 else 1e-10
        assert gamma_above(shape, value) == pytest.approx(wanted, rel=rel, abs=1e-14)


@pytest.mark.parametrize("freedom", FREEDOMS)
def test_chi_squared(freedom):
    got = [chi_squared_above(chance, freedom) for chance in CHANCES]
    np.testing.assert_allclose(got, special.chdtri(freedom, CHANCES), rtol=1e-8)


@pytest.mark.parametrize("freedom", [0.5, *FREEDOMS, np.inf])
def test_student(freedom):
    got = [student_quantile(chance, freedom) for chance in CHANCES]
    np.testing.assert_allclose(got, special.stdtrit(freedom, CHANCES), rtol=1e-10, atol=1e-12)


@pytest.mark.parametrize("freedom", [0.5, *FREEDOMS])
def test_student_beyond(freedom):
    distances = np.array([0.0, 1e-4, 0.1, 1.0, 2.5, 12.0, 90.0, 4000.0])
    got = [student_beyond(distance, freedom) for distance in distances]
    np.testing.assert_allclose(got, 2 * special.stdtr(freedom, -distances), rtol=1e-9)
    np.testing.assert_allclose(got, special.fdtrc(1, freedom, distances**2), rtol=1e-9)


@pytest.mark.parametrize("a", [0.3, 0.5, 1, 9, 100, 4321, 2e5])
@pytest.mark.parametrize("b", [0.5, 1, 3, 77.7, 5000])
def test_beta(a, b):
    got = [beta_quantile(chance, a, b) for chance in CHANCES]
    np.testing.assert_allclose(got, special.betaincinv(a, b, CHANCES), rtol=1e-9)


def test_printed_tables():
    """NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.6.7 (from memory)."""
    assert round(normal_quantile(0.975), 3) == 1.960
    assert round(student_quantile(0.975, 5), 3) == 2.571
    assert round(student_quantile(0.95, 30), 3) == 1.697
    assert round(chi_squared_above(0.05, 3), 3) == 7.815
    assert round(chi_squared_above(0.975, 10), 3) == 3.247


@pytest.mark.parametrize(
    "words",
    [
        ["measure", SWEEP],
        ["failsafe", DRILL, "--sheet", SHEET],
        ["compare", DRILL, HUNT],
    ],
)
def test_a_short_recording_is_measured_without_the_large_libraries(words):
    """scipy and polars take as long to import as all else takes together."""
    code = (
        "import sys; from pwmscope.cli import main\n"
        f"try: main({words})\n"
        "except SystemExit: pass\n"
        "print('LOADED', *{m.partition('.')[0] for m in sys.modules})"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    loaded = set(done.stdout.rpartition("LOADED")[2].split())
    assert "numpy" in loaded
    assert not loaded & {"scipy", "polars", "pandas", "matplotlib", "pyarrow"}
    assert "pydantic" not in loaded or "--sheet" in words
