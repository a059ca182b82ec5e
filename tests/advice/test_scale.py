"""What a percent of a setting is worth."""

import math

import pytest

from pwmscope.advice import PercentReading, solve_scale, stated_scale
from pwmscope.errors import HintError
from pwmscope.findings.travel import Amount


def readings(*pairs, uncertainty_us=0.1):
    return [PercentReading(percent, Amount(us, uncertainty_us)) for percent, us in pairs]


def test_two_settings_give_the_slope_between_them():
    scale = solve_scale(readings((100, 490.0), (112, 548.8)))
    assert scale.us_per_percent == pytest.approx(4.9, abs=1e-9)
    # The clock's part of each reading's 0.1 us is shared and stretches the slope by one factor.
    clock = 100e-6 / math.sqrt(3)
    own_us2 = 2 * 0.1**2 - (clock * 490.0) ** 2 - (clock * 548.8) ** 2
    expected_us = math.sqrt(own_us2 / 12**2 + (clock * 4.9) ** 2)
    assert scale.uncertainty_us == pytest.approx(expected_us, rel=1e-9)


def test_a_low_end_goes_down_as_its_setting_goes_up_and_the_scale_is_above_zero():
    assert solve_scale(readings((100, -490.0), (110, -539.0))).us_per_percent == pytest.approx(4.9)


def test_without_an_uncertainty_the_scale_has_none():
    assert solve_scale(readings((100, 490), (110, 539), uncertainty_us=None)).uncertainty_us is None


@pytest.mark.parametrize(
    "pairs", [[(100, 490.0)], [(100, 490.0), (100, 491.0)], [(math.nan, 490.0), (100, 491.0)]]
)
def test_one_setting_is_not_enough(pairs):
    with pytest.raises(HintError, match="two different percentages"):
        solve_scale(readings(*pairs))


def test_widths_alike_within_the_uncertainty_solve_nothing():
    with pytest.raises(HintError, match="do not differ beyond their uncertainty"):
        solve_scale(readings((100, 490.0), (101, 490.2)))
    with pytest.raises(HintError, match="do not differ"):
        solve_scale(readings((100, 490.0), (110, 490.0), uncertainty_us=None))


@pytest.mark.parametrize("stated", [0.0, -5.0, 101.0, math.nan, math.inf])
def test_a_percent_that_cannot_be_is_refused(stated):
    with pytest.raises(HintError, match="each percent"):
        stated_scale(stated)
