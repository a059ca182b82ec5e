"""Servo pulses made by a microcontroller's hardware timer, in a simulated chip.

Sources: the firmware in ``firmware/`` is built with gcc for AVR (Debian
packages ``gcc-avr``, ``avr-libc``) and run by the simulator simavr (``simavr``,
``libsimavr-dev``), which writes the pins to a value change dump in units of
10 ns. The arithmetic is the chip's data sheet's, from memory: in fast PWM with
TOP in ICR1 a pin is high for OCR + 1 counts of a frame of ICR1 + 1 counts.

The chip runs at 16 MHz here, so a cycle is 62.5 ns, which the dump's unit does
not divide; it cuts instants to the unit. Counts of the prescaled timer are
500 ns or 4 us, whole multiples of the unit, so every edge is cut alike and
widths and periods are exact. The first frame is left out: its first edge falls
while the CPU executes instructions, between which the simulator looks at the timer.
"""

import subprocess
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest

import pwmscope
from pwmscope.findings.sensors import count_speeds, find_marks

FIRMWARE = Path(__file__).parent / "firmware" / "servo_timer.c"
CLOCK_HZ = 16_000_000
FRAMES = 25


@dataclass(frozen=True)
class Timer:
    """The timer's registers; `prescaler` divides the clock, `clock_select` is its code."""

    top: int
    compare_a: int
    compare_b: int
    prescaler: int = 8
    clock_select: int = 0b010

    def counts_ps(self, counts):
        ps, rest = divmod(counts * self.prescaler * 10**12, CLOCK_HZ)
        assert rest == 0
        return ps


TIMERS = {
    "neutral and low, 50 Hz": Timer(39_999, 2_999, 1_999),
    "high and odd counts, 50 Hz": Timer(39_999, 3_999, 3_210),
    "one count apart, 111 Hz": Timer(17_999, 3_000, 3_001),
    "beyond the endpoints, 50 Hz": Timer(39_999, 1_599, 4_399),
    "slower clock, 50 Hz": Timer(4_999, 374, 249, prescaler=64, clock_select=0b011),
}


@pytest.fixture(scope="module", params=TIMERS.values(), ids=TIMERS)
def recording(request, require_program, tmp_path_factory):
    timer = request.param
    folder = tmp_path_factory.mktemp("firmware")
    values = {
        "F_CPU": CLOCK_HZ, "FRAMES": FRAMES, "TOP": timer.top, "COMPARE_A": timer.compare_a,
        "COMPARE_B": timer.compare_b, "CLOCK_SELECT": timer.clock_select,
    }  # fmt: skip
    defined = [f"-D{name}={value}" for name, value in values.items()]
    simulator = require_program("simavr")
    headers = Path(simulator).parents[1] / "include" / "simavr"
    include = ["-isystem", str(headers), "-isystem", str(headers / "avr")]
    build = [require_program("avr-gcc"), "-mmcu=atmega328p", "-Os", "-Wall", "-Werror", *defined,
             *include, "-o", "servo.elf", str(FIRMWARE)]  # fmt: skip
    subprocess.run(build, cwd=folder, check=True, timeout=60, capture_output=True)
    subprocess.run([simulator, "servo.elf"], cwd=folder, check=True, timeout=60,
                   capture_output=True)  # fmt: skip
    return timer, pwmscope.load(folder / "servo.vcd")


def test_both_pins_are_read(recording):
    _, capture = recording
    assert set(capture.lines) == {"oc1a", "oc1b"}
    assert "units of 10 ns, as the file states" in capture.assumptions[0]


def test_every_width_is_the_timers_arithmetic(recording):
    """Data sheet: high for OCR + 1 counts; to the picosecond, edge by edge."""
    timer, capture = recording
    for name, compare in (("oc1a", timer.compare_a), ("oc1b", timer.compare_b)):
        line = capture.lines[name]
        falls = line.falls_ps()
        widths_ps = falls - line.rises_ps()[: falls.size]
        assert widths_ps.size >= FRAMES
        np.testing.assert_array_equal(widths_ps[1:], timer.counts_ps(compare + 1))


def test_every_period_is_the_timers_arithmetic(recording):
    """Data sheet: a frame is ICR1 + 1 counts, and both pins rise at its beginning."""
    timer, capture = recording
    a_ps, b_ps = (capture.lines[name].rises_ps() for name in ("oc1a", "oc1b"))
    np.testing.assert_array_equal(np.diff(a_ps)[1:], timer.counts_ps(timer.top + 1))
    np.testing.assert_array_equal(a_ps, b_ps)


def test_the_decoded_pulses_say_the_same(recording):
    """The whole chain to the pulse table, in microseconds."""
    timer, capture = recording
    tables = pwmscope.decode(capture)
    for name, compare in (("oc1a", timer.compare_a), ("oc1b", timer.compare_b)):
        table = tables[name]
        widths_us = table.width_us[table.measured][1:]
        assert widths_us.size >= FRAMES - 2
        np.testing.assert_allclose(widths_us, timer.counts_ps(compare + 1) / 1e6, rtol=0, atol=1e-9)


def test_a_pin_taken_as_a_rotors_marks_gives_the_speed_of_the_counts(recording):
    """A mark each ICR1 + 1 counts, three of them a turn; JCGM 100, 4.3.7, for its interval."""
    timer, capture = recording
    turn_s = 3 * timer.counts_ps(timer.top + 1) / 1e12
    for edge in ("rising", "falling"):
        speeds = count_speeds(find_marks(capture.lines["oc1b"], edge, 10_000.0), 3)
        # The first count begins with the first frame, which is left out.
        held_hz, u_hz = speeds.hz[1:], speeds.u_hz[1:]
        assert held_hz.size >= 1
        np.testing.assert_allclose(held_hz, 1.0 / turn_s, rtol=1e-9)
        assert (np.abs(held_hz - 1.0 / turn_s) <= 2.0 * u_hz).all()
