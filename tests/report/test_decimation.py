"""Whatever is left out of a picture, no extreme is."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as npst

from pwmscope.plot.style import keep_extremes

WIDTHS_US = st.floats(0.0, 5000.0, allow_nan=False)


@st.composite
def points(draw):
    value = draw(npst.arrays(np.float64, st.integers(1, 400), elements=WIDTHS_US))
    steps = draw(npst.arrays(np.float64, value.size, elements=st.floats(0.0, 10.0)))
    return np.cumsum(steps), value


@given(points(), st.integers(1, 60))
def test_every_columns_extremes_stay(drawn, columns):
    time_s, value = drawn
    kept = keep_extremes(time_s, value, columns)
    assert np.all(np.diff(kept) > 0)
    if value.size <= 2 * columns:
        assert kept.size == value.size
        return
    assert kept.size <= 2 * columns
    span_s = time_s[-1] - time_s[0]
    place = np.zeros(value.size, int)
    if span_s > 0:
        place = np.minimum(((time_s - time_s[0]) / span_s * columns).astype(int), columns - 1)
    for column in np.unique(place):
        inside = value[place == column]
        shown = value[kept[place[kept] == column]]
        assert (shown.min(), shown.max()) == (inside.min(), inside.max())


@given(st.integers(0, 99_999), st.sampled_from([-1.0, 1.0]))
def test_a_single_glitch_among_a_hundred_thousand_pulses_stays(at, sense):
    value = np.full(100_000, 1500.0) + 0.25 * np.sin(np.arange(100_000))
    value[at] += sense * 700.0
    assert at in keep_extremes(np.arange(100_000) * 0.02, value, 600)


def test_nothing_to_draw():
    assert keep_extremes(np.zeros(0), np.zeros(0), 10).size == 0
