"""Mean, standard deviation and lag-1 autocorrelation against certified values.

Source: NIST Statistical Reference Datasets, univariate summary statistics: Lew,
Lottery, Mavro, Michelso, and NumAcc1 to NumAcc4, whose certified values are exact by
construction. Data and certified values were read in stored public copies of the NIST
files (nist/README.md); the NIST pages themselves were not open to us.

Accuracy is the log relative error, LRE = -log10(|found - true| / |true|), the
number of correct significant digits. A value such as 10000000.1 is itself
rounded on becoming a float64, by up to 9.3e-10, which alone limits the standard
deviation of NumAcc4 to about 8.3 digits however it is computed; so the same
figures are held, more sharply, against the exact rational mean, standard
deviation and autocorrelation of the float64 values (Python's ``fractions`` and ``decimal``).
"""

import decimal
import itertools
import math
import statistics
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from pwmscope.model import lag_one, mean_of, std_of, summarise


def around(centre, low, high):
    return np.array([centre] + [low, high] * 500)


FOLDER = Path(__file__).parent / "nist"


def printed(name):
    return (FOLDER / f"{name}.txt").read_text().split()


DATA = {
    **{name: np.array(printed(name), float) for name in ("Lew", "Lottery", "Mavro", "Michelso")},
    "NumAcc1": np.array([10000001.0, 10000003.0, 10000002.0]),
    "NumAcc2": around(1.2, 1.1, 1.3),
    "NumAcc3": around(1000000.2, 1000000.1, 1000000.3),
    "NumAcc4": around(10000000.2, 10000000.1, 10000000.3),
}
# Mean, standard deviation, lag-1 autocorrelation, as printed.
CERTIFIED = {
    "Lew": ("-177.435000000000", "277.332168044316", "-0.307304800605679"),
    "Lottery": ("518.958715596330", "291.699727470969", "-0.120948622967393"),
    "Mavro": ("2.00185600000000", "0.000429123454003053", "0.937989183438248"),
    "Michelso": ("299.852400000000", "0.0790105478190518", "0.535199668621283"),
    "NumAcc1": ("10000002", "1", "-0.5"),
    "NumAcc2": ("1.2", "0.1", "-0.999"),
    "NumAcc3": ("1000000.2", "0.1", "-0.999"),
    "NumAcc4": ("10000000.2", "0.1", "-0.999"),
}
# Digits demanded. Where they are fewer than the 15 printed ones, so are those of the exact
# figures of the float64 data: no method gets further.
DIGITS = {
    "Lew": (15.0, 15.0, 14.8),
    "Lottery": (15.0, 15.0, 14.8),
    "Mavro": (15.0, 13.0, 13.8),
    "Michelso": (15.0, 13.8, 13.4),
    "NumAcc1": (15.0, 15.0, 15.0),
    "NumAcc2": (15.0, 15.0, 15.0),
    "NumAcc3": (15.0, 9.4, 12.1),
    "NumAcc4": (15.0, 8.2, 10.9),
}


def digits(found, true):
    """Log relative error; 16 where nothing is wrong, the most a float64 can show."""
    error = abs(Fraction(found) - Fraction(true))
    return 16.0 if error == 0 else -math.log10(error / abs(Fraction(true)))


def exact_moments(values):
    """Mean, standard deviation (to 50 digits) and lag-1 autocorrelation, by definition."""
    exact = [Fraction(value) for value in values]
    mean = sum(exact) / len(exact)
    away = [value - mean for value in exact]
    squares = sum(value**2 for value in away)
    with decimal.localcontext(prec=50):
        variance = squares / (len(exact) - 1)
        std = (decimal.Decimal(variance.numerator) / decimal.Decimal(variance.denominator)).sqrt()
    lag = sum(one * other for one, other in itertools.pairwise(away))
    return mean, Fraction(std), lag / squares if squares else None


@pytest.mark.parametrize("name", ["Lew", "Lottery", "Mavro", "Michelso"])
def test_the_stored_data_are_the_published_ones(name):
    """Exact arithmetic on the printed decimals gives every certified digit."""
    for exact, certified in zip(exact_moments(printed(name)), CERTIFIED[name], strict=True):
        last_digit = Fraction(10) ** decimal.Decimal(certified).as_tuple().exponent
        assert abs(exact - Fraction(certified)) <= last_digit / 2


@pytest.mark.parametrize("name", DATA)
def test_the_certified_values_are_reached(name):
    """NIST StRD certified mean, standard deviation and lag-1 autocorrelation."""
    values = DATA[name]
    found = (mean_of(values), std_of(values), lag_one(values))
    for figure, certified, least in zip(found, CERTIFIED[name], DIGITS[name], strict=True):
        # The certified decimal, not its float64, is the truth.
        assert digits(figure, certified) >= least


@pytest.mark.parametrize("name", DATA)
def test_the_exact_values_are_reached(name):
    """Exact rational arithmetic on the same float64 values: at least 14 digits."""
    values = DATA[name]
    mean, std, lag = exact_moments(values.tolist())
    assert digits(mean_of(values), mean) >= 15
    assert digits(std_of(values), std) >= 14
    assert digits(lag_one(values), lag) >= 14


@pytest.mark.parametrize("name", DATA)
def test_a_library_of_time_series_agrees(name, library):
    """statsmodels' ``acf`` has the same definition; it loses digits at large offsets."""
    acf = library("statsmodels.tsa.stattools").acf
    theirs = acf(DATA[name], nlags=1, fft=False)[1]
    assert digits(lag_one(DATA[name]), float(theirs)) >= 7


@pytest.mark.parametrize("name", DATA)
def test_the_standard_library_agrees(name):
    """Python's ``statistics``, which sums exactly and rounds once."""
    values = DATA[name].tolist()
    assert digits(mean_of(DATA[name]), statistics.mean(values)) >= 15
    assert digits(std_of(DATA[name]), statistics.stdev(values)) >= 14


@pytest.mark.parametrize("name", DATA)
def test_a_summary_is_the_same_and_numpy_agrees(name):
    """NumPy's mean, standard deviation (n - 1), median and extremes."""
    values = DATA[name]
    found = summarise(values)
    assert found.count == values.size
    assert (found.mean, found.std) == (mean_of(values), std_of(values))
    assert (found.median, found.min, found.max) == (np.median(values), values.min(), values.max())
    assert digits(found.mean, float(np.mean(values))) >= 14
    assert digits(found.std, float(np.std(values, ddof=1))) >= 14


def test_the_textbook_formula_would_fail():
    """The data sets bite: sum of squares minus n times the squared mean loses every digit."""
    values = DATA["NumAcc4"]
    squares = float(np.sum(values**2)) - values.size * float(np.mean(values)) ** 2
    wrong = math.sqrt(max(squares, 0.0) / (values.size - 1))
    assert digits(wrong, "0.1") < 2


@given(
    offset=st.floats(-1e8, 1e8),
    parts=st.lists(st.integers(-50_000_000, 50_000_000), min_size=2, max_size=60),
)
def test_any_values_reach_the_exact_ones(offset, parts):
    """Exact rational arithmetic, for any offset and scatter of a bench's size."""
    values = offset + np.array(parts) / 1e6
    mean, std, lag = exact_moments(values.tolist())
    size = float(np.abs(values).max())
    assert abs(Fraction(mean_of(values)) - mean) <= Fraction(2 * math.ulp(size))
    spread = float(np.ptp(values))
    assert abs(Fraction(std_of(values)) - std) <= Fraction(1e-12 * spread)
    if lag is None:
        assert lag_one(values) is None
    else:
        assert abs(Fraction(lag_one(values)) - lag) <= Fraction(1e-12)


def test_too_few_or_equal_values_have_no_autocorrelation():
    assert lag_one(np.zeros(0)) is None
    assert lag_one(np.array([1500.0])) is None
    assert lag_one(np.full(1000, 1500.1)) is None
