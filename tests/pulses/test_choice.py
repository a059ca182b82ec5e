"""Conventions: given these widths and this frame rate, this convention."""

import numpy as np
import pytest

from pwmscope import examine
from pwmscope.capture import Capture, Line
from pwmscope.pulses import CONVENTIONS, STANDARD_SERVO, choose_convention


def line_of(widths_us, period_us, level=0):
    rise = 1000.0 + period_us * np.arange(len(widths_us))
    edges = np.stack([rise, rise + np.asarray(widths_us)], axis=1).ravel()
    return Line("M1", np.rint(edges * 1e6).astype(np.int64), level)


def sweep(low_us, high_us, pulses=400):
    return np.concatenate([np.linspace(low_us, high_us, pulses), np.full(100, high_us)])


@pytest.mark.parametrize("level", [0, 1])
@pytest.mark.parametrize(
    ("low_us", "high_us", "period_us", "name"),
    [
        (1000, 2000, 20_000, "standard servo"),
        (900, 2100, 14_000, "standard servo"),
        (1000, 2000, 2_500, "fast servo"),
        (1000, 2000, 5_000, "fast servo"),
        (125, 250, 500, "eighth width"),
        (125, 250, 2_000, "eighth width"),
        (42, 83, 250, "twenty-fourth width"),
        (42, 83, 1_000, "twenty-fourth width"),
    ],
)
def test_width_and_rate_give_the_convention(low_us, high_us, period_us, name, level):
    assert choose_convention(line_of(sweep(low_us, high_us), period_us, level)).name == name


def test_nothing_speaks_against_the_standard_with_few_pulses():
    assert choose_convention(line_of([180] * 10, 1000)) is STANDARD_SERVO


def test_a_half_and_half_line_stays_standard():
    assert choose_convention(line_of([180, 1500] * 50, 20_000)) is STANDARD_SERVO


def test_an_inferred_convention_is_said_and_its_limits_are_scaled():
    widths = np.concatenate([np.full(300, 190.0), sweep(190, 250), np.full(300, 250.0)])
    capture = Capture({"M1": line_of(widths, 4_000)}, 5 * 10**12, 1e5, "test")
    found = examine(capture)
    channel = found.channels["M1"]
    assert any("'eighth width'" in sentence for sentence in found.assumptions)
    assert channel.table.convention.name == "eighth width"
    assert channel.travel.neutral.width_us == pytest.approx(190, abs=0.1)
    assert channel.travel.neutral_offset_us == pytest.approx(2.5, abs=0.1)
    neutral = next(f for f in channel.findings if f.name == "neutral")
    assert "187.5" in neutral.sentence
    assert neutral.verdict is None, "a convention is no limit"
    chosen = examine(capture, convention=STANDARD_SERVO)
    assert chosen.channels["M1"].not_servo is not None


@pytest.mark.parametrize("convention", CONVENTIONS.values(), ids=lambda c: c.name)
def test_every_convention_is_in_order(convention):
    c = convention
    assert c.glitch_us < c.accepted_low_us < c.low_us < c.neutral_us < c.high_us
    assert c.high_us < c.accepted_high_us
    assert c.period_low_us < c.period_us < c.period_high_us
    assert "common practice" in c.source
