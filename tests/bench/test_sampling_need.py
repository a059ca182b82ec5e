"""How fast to sample, and how many pulses to record, for a wanted uncertainty."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from pwmscope.bench import needed_pulses, needed_rate_hz, offered_rate_hz
from pwmscope.errors import HintError
from pwmscope.model import of_mean_us


@given(
    st.floats(0.3, 50), st.integers(1, 500), st.floats(0, 5), st.floats(500, 2500), st.booleans()
)
def test_rate_and_pulses_are_each_others_answer(within_us, pulses, scatter_us, width_us, in_step):
    rate_hz = needed_rate_hz(
        within_us, pulses=pulses, scatter_us=scatter_us, width_us=width_us, in_step=in_step
    )
    if rate_hz is None:
        return
    again = needed_pulses(
        within_us, rate_hz * 1.000001, scatter_us=scatter_us, width_us=width_us, in_step=in_step
    )
    assert again is not None
    assert again <= pulses


@given(st.floats(0.2, 20), st.floats(0.2, 20))
def test_the_findings_agree_that_the_rate_is_enough(within_us, scatter_us):
    pulses = 400
    rate_hz = needed_rate_hz(within_us, pulses=pulses, scatter_us=scatter_us)
    if rate_hz is None:
        assert 2 * of_mean_us(1500, scatter_us, pulses, 1e-9) >= within_us
    else:
        found_us = of_mean_us(1500, scatter_us, pulses, 1e6 / rate_hz)
        assert 2 * found_us == pytest.approx(within_us, rel=1e-9)


def test_averaging_cannot_replace_the_rate_where_edges_keep_step():
    assert needed_pulses(1.0, 500e3, scatter_us=1.0) is None
    assert needed_pulses(1.0, 500e3, scatter_us=1.0, in_step=False) == 7
    one, many = (needed_rate_hz(1.0, pulses=n) for n in (1, 10_000))
    assert one == many


def test_no_rate_is_finer_than_the_clock():
    assert needed_rate_hz(0.17) is None
    assert needed_rate_hz(0.18) > 1e6


@pytest.mark.parametrize("within_us", [0.0, -1.0, float("nan"), float("inf")])
def test_an_uncertainty_that_cannot_be_is_refused(within_us):
    with pytest.raises(HintError, match="wanted uncertainty"):
        needed_rate_hz(within_us)
    with pytest.raises(HintError, match="wanted uncertainty"):
        needed_pulses(within_us, 1e6)


def test_other_figures_that_cannot_be_are_refused():
    for keywords in ({"pulses": 0}, {"scatter_us": -1.0}, {"width_us": 0.0}):
        with pytest.raises(HintError):
            needed_rate_hz(1.0, **keywords)
    with pytest.raises(HintError, match="sample rate"):
        needed_pulses(1.0, 0.0)


def test_the_offered_rate_is_the_next_one_up():
    assert [offered_rate_hz(hz) for hz in (1.0, 1e6, 1_000_001, 2e9)] == [100e3, 1e6, 2e6, 2e9]
