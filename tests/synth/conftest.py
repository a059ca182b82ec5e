"""A bench with one plain channel, to be changed by each test."""

import pytest

from pwmscope.synth import Channel, Dwell, Frame, Script, build


def make_bench(*, channels=None, **changes):
    parts = {
        "duration_s": 10.0,
        "sample_rate_hz": 1_000_000,
        "seed": 20,
        "frame": Frame(20_000, first_frame_us=3_000),
        "channels": channels or (Channel("RX1", (Dwell(1500, 1),)),),
    }
    return build(Script(**(parts | changes)))


@pytest.fixture
def bench():
    return make_bench
