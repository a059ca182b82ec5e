"""Servo pulses made in software while another interrupt competes, in a simulated chip.

Sources: the firmware in ``firmware/busy_servo.c`` is built with gcc for AVR (Debian packages
``gcc-avr``, ``avr-libc``) and run by the simulator simavr, which dumps the pin in units of
10 ns. The truth is worked out by NumPy from that dump, before an analyser samples it: standard
deviation of width and period, RMS change of the period (IEEE Std 2414, from memory), the
width farthest from the mean. What is stated of the sampled edges must hold it.
"""

import subprocess
from pathlib import Path

import numpy as np
import pytest

import pwmscope
from pwmscope.capture import Line

FIRMWARE = Path(__file__).parent / "firmware" / "busy_servo.c"
CLOCK_HZ = 16_000_000
FRAMES, PERIOD, WIDTH = 400, 40_000, 3_001


@pytest.fixture(scope="module")
def edges_ps(require_program, tmp_path_factory):
    """The pin's edges, without the first frame, in which the timer starts."""
    folder = tmp_path_factory.mktemp("busy")
    values = {
        "F_CPU": CLOCK_HZ, "FRAMES": FRAMES, "PERIOD": PERIOD, "WIDTH": WIDTH,
        "BUSY_TOP": 21, "BUSY_TURNS": 220,
    }  # fmt: skip
    defined = [f"-D{name}={value}" for name, value in values.items()]
    simulator = require_program("simavr")
    headers = Path(simulator).parents[1] / "include" / "simavr"
    include = ["-isystem", str(headers), "-isystem", str(headers / "avr")]
    build = [require_program("avr-gcc"), "-mmcu=atmega328p", "-Os", "-Wall", "-Werror", *defined,
             *include, "-o", "busy.elf", str(FIRMWARE)]  # fmt: skip
    subprocess.run(build, cwd=folder, check=True, timeout=60, capture_output=True)
    subprocess.run([simulator, "busy.elf"], cwd=folder, check=True, timeout=120,
                   capture_output=True)  # fmt: skip
    return pwmscope.load(folder / "busy.vcd").lines["out"].edges_ps[2:]


@pytest.fixture(scope="module")
def truth(edges_ps):
    rise_us, fall_us = edges_ps[0::2] / 1e6, edges_ps[1::2] / 1e6
    width_us, period_us = fall_us - rise_us[: fall_us.size], np.diff(rise_us)
    return {
        "width jitter": width_us.std(ddof=1),
        "period jitter": period_us.std(ddof=1),
        "cycle-to-cycle jitter": np.sqrt(np.mean(np.diff(period_us) ** 2)),
        "worst excursion while held": np.abs(width_us - width_us.mean()).max(),
    }


@pytest.fixture(scope="module", params=[1_000_000, 4_000_000, 24_000_000], ids="{}Hz".format)
def channel(request, edges_ps):
    """The pin as a sampling analyser has it: an edge shows in the first sample at or after it.

    The analyser's clock is 37 ppm fast: two crystals that agree exactly would repeat a few
    phases of the chip's cycle for ever.
    """
    rate_hz = request.param * (1 + 37e-6)
    ticks = np.ceil(edges_ps * (rate_hz / 1e12)).astype(np.int64)
    seen_ps = np.rint(ticks * (1e12 / request.param)).astype(np.int64)
    end_ps = int(seen_ps[-1]) + 10**10
    capture = pwmscope.Capture(
        {"out": Line("out", seen_ps, 0)}, end_ps, 1e12 / request.param, "busy firmware"
    )
    return pwmscope.examine(capture).channels["out"]


def test_the_other_interrupt_delays_a_few_edges_by_some_thirty_microseconds(truth):
    """What the firmware is for: most edges in time, few late by up to 520 cycles and more."""
    assert 30 < truth["worst excursion while held"] < 45
    assert 4 < truth["width jitter"] < 10


@pytest.mark.parametrize(
    "name",
    ["width jitter", "period jitter", "cycle-to-cycle jitter", "worst excursion while held"],
)
def test_each_figure_is_that_of_the_pins_own_edges(channel, truth, name):
    finding = channel[name]
    low_us, high_us = finding.interval
    assert low_us <= truth[name] <= high_us
    assert finding.value == pytest.approx(truth[name], rel=0.03)


@pytest.mark.parametrize("name", ["width jitter", "worst excursion while held", "clean pulses"])
def test_what_the_interrupt_does_is_not_left_out_of_the_verdict(channel, name):
    assert channel[name].verdict is pwmscope.Verdict.DOES_NOT_MEET


def test_no_pulse_is_called_wrong_that_is_not(channel):
    assert channel["late frames"].value == channel["dropped frames"].value == 0.0
