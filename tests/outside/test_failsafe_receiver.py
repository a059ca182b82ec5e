"""A receiver with link and failsafe, simulated in Verilog: what it did is known.

Sources: the receiver's state machine, its transmitter and the hands on the sticks
are written for IEEE Std 1364 (Verilog) and run by Icarus Verilog (Debian package
``iverilog``), which writes the dump (same standard). That a receiver holds for a
while and then goes to presets or stops its pulses, that a drive stops at neutral
and a weapon at its low end, and that motors must stand within a second or two of
the transmitter's going off is common practice.
"""

import subprocess
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest

import pwmscope

BENCH = Path(__file__).parent / "failsafe_receiver.v"
LINES = ("rx1", "rx2", "rx3", "rx4")
PRESETS_US = {"rx1": 1500.250, "rx2": None, "rx3": 1000.125}
FOLLOWS, HOLDS, LOST = 1, 2, 3
PACKET_S, WATCH_S = 5.003e-3, 1e-3
WATCHED = {
    "50 Hz, holds 0.4 s": {"hold_ms": 400, "period_ns": 20_000_013, "relink": 60},
    "71 Hz, holds 0.8 s": {"hold_ms": 800, "period_ns": 14_000_037, "relink": 90},
    "143 Hz, holds 1.1 s": {"hold_ms": 1100, "period_ns": 7_000_021, "relink": 30},
    "50 Hz, holds 2.3 s": {"hold_ms": 2300, "period_ns": 20_000_013, "relink": 60},
}


@dataclass(frozen=True)
class TrueLoss:
    """One loss: switch and states in seconds, widths in microseconds by line."""

    off_s: float
    on_s: float
    holds_s: float
    over_s: float
    follows_s: float
    held_us: dict
    stick_us: dict


@dataclass(frozen=True)
class Bench:
    capture: pwmscope.Capture
    losses: tuple
    hold_s: float
    frame_s: float
    relink_s: float


def run_bench(require_program, folder, values):
    build = [require_program("iverilog"), "-g2005", "-Wall", "-o", "bench", str(BENCH)]
    subprocess.run(build, cwd=folder, check=True, timeout=60)
    run = [require_program("vvp"), "-n", "bench", *(f"+{k}={v}" for k, v in values.items())]
    done = subprocess.run(run, cwd=folder, check=True, timeout=60, capture_output=True, text=True)
    said = [line.split() for line in done.stdout.splitlines()]
    switch = [tuple(map(int, words[1:])) for words in said if words[0] == "switch"]
    states = [tuple(map(int, words[1:])) for words in said if words[0] == "state"]

    def losses():
        for off, on in zip(switch[0::2], switch[1::2], strict=True):
            after = [state for state in states if state[0] >= off[0]]
            holds, over, follows = (
                next(state for state in after if state[1] == wanted)
                for wanted in (HOLDS, LOST, FOLLOWS)
            )
            yield TrueLoss(
                *(words[0] / 1e9 for words in (off, on, holds, over, follows)),
                held_us=dict(zip(LINES, np.array(holds[2:]) / 1e3, strict=True)),
                stick_us=dict(zip(LINES, np.array(follows[2:]) / 1e3, strict=True)),
            )

    return Bench(
        pwmscope.load(folder / "failsafe_receiver.vcd"),
        tuple(losses()),
        values["hold_ms"] / 1e3,
        values["period_ns"] / 1e9,
        values["relink"] * PACKET_S,
    )


@pytest.fixture(scope="module", params=WATCHED.values(), ids=WATCHED)
def bench(request, require_program, tmp_path_factory):
    return run_bench(require_program, tmp_path_factory.mktemp("verilog"), request.param)


def test_the_machine_kept_its_times(bench):
    """The truth itself: hold, and the delay after the link is back, as set."""
    assert len(bench.losses) == 3
    for loss in bench.losses:
        assert -PACKET_S <= loss.over_s - loss.off_s - bench.hold_s <= WATCH_S
        assert -PACKET_S <= loss.follows_s - loss.on_s - bench.relink_s <= WATCH_S


def test_the_dump_shows_what_the_machine_did(bench):
    """Held widths, presets and silence, pulse by pulse, where the states say so."""
    tables = pwmscope.decode(bench.capture)
    for loss in bench.losses:
        for line in LINES:
            table = tables[line]
            held = (table.rise_s > loss.holds_s) & (table.rise_s < loss.over_s)
            np.testing.assert_allclose(table.width_us[held], loss.held_us[line], atol=1e-3)
            frames = (loss.over_s - loss.holds_s) / bench.frame_s
            assert abs(np.count_nonzero(held) - frames) <= 1
            then = (table.rise_s > loss.over_s + 1e-5) & (table.rise_s < loss.follows_s)
            preset_us = PRESETS_US.get(line, loss.held_us[line])
            if preset_us is None:
                assert not then.any()
            else:
                np.testing.assert_allclose(table.width_us[then], preset_us, atol=1e-3)
