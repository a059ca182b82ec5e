"""Receivers that search long, leave a channel out or ramp, simulated in Verilog through ten losses.

Sources: receiver, link, transmitter and hands in ``loss_drill.v`` are written for
IEEE Std 1364 (Verilog) and run by Icarus Verilog (Debian package ``iverilog``), which
prints every pulse and every move of the switch; what each device was commanded is
worked out from these prints alone. That a drive stands at neutral and a weapon at its
low end, that both must stand within two seconds, and that some receivers search for
seconds, ramp to their presets, or hold a channel that the failsafe does not cover, is
common practice.
"""

import json
import subprocess
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

import pwmscope
from pwmscope.cli import main

BENCH = Path(__file__).parent / "loss_drill.v"
LIMIT_S = 2.0
STOPS_US = {"rx1": (1470.0, 1530.0), "rx2": (1470.0, 1530.0), "rx3": (0.0, 1040.0)}
SHEET = """
[limits]
failsafe_s = 2
[marker]
line = "tx_on"
on = "high"
kind = "switch"
[channels.rx1]
role = "drive-left"
neutral_us = 1500
deadband_us = 60
no_pulses = "stops"
no_pulses_after_s = 0.2
[channels.rx2]
role = "drive-right"
neutral_us = 1500
deadband_us = 60
no_pulses = "stops"
no_pulses_after_s = 0.2
[channels.rx3]
role = "weapon"
stop_us = [800, 1040]
no_pulses = "stops"
no_pulses_after_s = 0.3
"""
DRILLS = {
    "jumps at once": {"hold_ms": 500},
    "searches for 0.1 to 3 s": {"search_ms_min": 100, "search_ms_max": 3000, "seed": 2},
    "searches, 9 ms frames": {
        "search_ms_min": 100, "search_ms_max": 3000, "period_ns": 9_000_000, "hold_ms": 900,
        "seed": 3,
    },
    "weapon not covered": {"uncovered": 1, "seed": 4},
    "weapon not covered, taken down by hand": {
        "uncovered": 1, "flips": 1, "search_ms_min": 100, "search_ms_max": 900, "seed": 5,
    },
    "ramps for 0.8 s": {"hold_ms": 300, "ramp_ms": 800, "seed": 6},
    "ramps for 1.2 s, 14 ms frames": {
        "hold_ms": 250, "ramp_ms": 1200, "period_ns": 14_000_000, "seed": 7,
    },
    "ramps for 4 s": {"hold_ms": 300, "ramp_ms": 4000, "search_ms_min": 2500,
                      "search_ms_max": 2600, "seed": 8},
}  # fmt: skip
SAFE = (
    "jumps at once",
    "searches for 0.1 to 3 s",
    "searches, 9 ms frames",
    "ramps for 0.8 s",
    "ramps for 1.2 s, 14 ms frames",
)


@dataclass(frozen=True)
class Drill:
    """What the simulator printed and what the check said of its dump.

    Parameters
    ----------
    off_s, on_s, follows_s : ndarray of float64, shape (10,)
        When the switch went off and on, and when the receiver followed again.
    rise_s, width_us : dict of str to ndarray
        Every pulse by line.
    tables : dict of str to PulseTable
        The dump, decoded.
    told : dict
        The check's JSON.
    code : int
        Its exit code.
    """

    off_s: np.ndarray
    on_s: np.ndarray
    follows_s: np.ndarray
    rise_s: dict
    width_us: dict
    tables: dict
    told: dict
    code: int

    def stop_times_s(self, line):
        """From each loss until the line's pulses are in the stop range for good; inf if never."""
        rise_s, width_us = self.rise_s[line], self.width_us[line]
        low_us, high_us = STOPS_US[line]
        found = []
        for off_s, back_s in zip(self.off_s, self.follows_s, strict=True):
            lost = np.flatnonzero((rise_s >= off_s) & (rise_s < back_s))
            runs = (width_us[lost] < low_us) | (width_us[lost] > high_us)
            first = int(np.flatnonzero(runs)[-1]) + 1 if runs.any() else 0
            stops = first < lost.size
            found.append(rise_s[lost[first]] - off_s if stops else np.inf)
        return np.array(found)

    def line(self, name):
        return next(line for line in self.told["lines"] if line["line"] == name)

    def verdicts(self):
        return {line["line"]: line["verdict"] for line in self.told["lines"]}

    def jumps(self, line):
        """Say whether the line jumps to a width at which its device runs when the link is back."""
        low_us, high_us = STOPS_US[line]
        after = [int(np.searchsorted(self.rise_s[line], s + 0.03)) for s in self.follows_s]
        back_us = self.width_us[line][after]
        return bool(((back_us < low_us) | (back_us > high_us)).any())


@pytest.fixture(scope="session")
def ran(require_program, tmp_path_factory):
    """Give a function that runs a drill once and keeps what it gave."""
    folder = tmp_path_factory.mktemp("loss_drill")
    build = [require_program("iverilog"), "-g2005", "-Wall", "-o", "bench", str(BENCH)]
    subprocess.run(build, cwd=folder, check=True, timeout=60)
    (folder / "sheet.toml").write_text(SHEET)
    kept = {}

    def run(name):
        if name not in kept:
            kept[name] = run_drill(require_program("vvp"), folder, DRILLS[name])
        return kept[name]

    return run


def run_drill(vvp, folder, values):
    words = [f"+{key}={value}" for key, value in values.items()]
    done = subprocess.run(
        [vvp, "-n", "bench", *words], cwd=folder, check=True, timeout=120, capture_output=True,
        text=True,
    )  # fmt: skip
    said = [line.split() for line in done.stdout.splitlines()]
    switch = np.array([w[1:] for w in said if w[0] == "switch"], np.int64)
    states = np.array([w[1:] for w in said if w[0] == "state"], np.int64)
    pulses = np.array([w[1:] for w in said if w[0] == "pulse"], np.int64)
    asked = ["failsafe", str(folder / "loss_drill.vcd"), "--rate", "1GHz", "--sheet",
             str(folder / "sheet.toml"), "--json", "-"]  # fmt: skip
    result = CliRunner().invoke(main, asked, catch_exceptions=False)
    assert result.exit_code in (0, 1, 3), result.output
    own = {f"rx{n}": pulses[pulses[:, 0] == n] for n in (1, 2, 3)}
    return Drill(
        switch[switch[:, 1] == 0, 0] / 1e9,
        switch[switch[:, 1] == 1, 0] / 1e9,
        states[states[:, 1] == 1, 0] / 1e9,
        {line: p[:, 1] / 1e9 for line, p in own.items()},
        {line: p[:, 2] / 1e3 for line, p in own.items()},
        pwmscope.decode(pwmscope.load(folder / "loss_drill.vcd", rate=1e9)),
        json.loads(result.stdout),
        result.exit_code,
    )


@pytest.mark.parametrize("name", DRILLS)
def test_the_simulator_did_what_the_drill_says(ran, name):
    """The truth itself: ten losses of 2.5 to 6 s, and search, hold and ramp as set."""
    drill, values = ran(name), DRILLS[name]
    assert drill.off_s.size == drill.on_s.size == drill.follows_s.size == 10
    lengths_s = drill.on_s - drill.off_s
    assert 2.5 <= lengths_s.min() < lengths_s.max() <= 6.0
    searched_s = drill.follows_s - drill.on_s
    least_s, most_s = values.get("search_ms_min", 250) / 1e3, values.get("search_ms_max", 350) / 1e3
    assert least_s - 2e-3 <= searched_s.min() <= searched_s.max() <= most_s + 2e-3
    takes_s = (values.get("hold_ms", 500) + values.get("ramp_ms", 0)) / 1e3
    frame_s = values.get("period_ns", 20_000_000) / 1e9
    for line in ("rx1", "rx2"):
        stops_s = drill.stop_times_s(line)
        assert stops_s.max() <= takes_s + frame_s + 5e-3
        assert (stops_s.max() <= LIMIT_S) == (takes_s < LIMIT_S)
    held = "uncovered" in values and "flips" not in values
    assert np.isinf(drill.stop_times_s("rx3")).all() == held


@pytest.mark.parametrize("name", DRILLS)
def test_the_decoder_reads_every_pulse_that_was_printed(ran, name):
    """Instants and widths to two nanoseconds, whatever the receiver did."""
    drill = ran(name)
    for line in STOPS_US:
        table = drill.tables[line]
        np.testing.assert_allclose(table.rise_s, drill.rise_s[line], atol=2e-9)
        np.testing.assert_allclose(table.width_us[:-1], drill.width_us[line][:-1], atol=2e-3)


@pytest.mark.parametrize("name", DRILLS)
def test_every_loss_is_counted_on_every_line(ran, name):
    drill = ran(name)
    trials = {line["line"]: line["trials"] for line in drill.told["lines"]}
    for line in ("rx1", "rx2", "rx3"):
        counted = trials[line]
        assert counted["meets"] + counted["does_not_meet"] + counted["not_shown"] == 10


@pytest.mark.parametrize("name", SAFE)
def test_a_receiver_that_stops_every_device_in_time_meets(ran, name):
    """However long it searches and however it goes to its presets."""
    drill = ran(name)
    slowest_s = {line: drill.stop_times_s(line).max() for line in STOPS_US}
    assert max(slowest_s.values()) < LIMIT_S
    assert drill.verdicts() == dict.fromkeys(STOPS_US, "meets")
    assert drill.code == 0
    for line, slow_s in slowest_s.items():
        told_s = max(drill.line(line)["trials"]["stop_s"])
        # A stop is told at most as early as it was, and within two frames of it.
        assert slow_s - 1e-3 <= told_s <= slow_s + 0.05


@pytest.mark.parametrize("name", SAFE)
def test_a_jump_back_to_held_sticks_is_a_hazard_and_changes_no_verdict(ran, name):
    drill = ran(name)
    assert all(drill.jumps(line) for line in STOPS_US)
    assert "azard" in json.dumps(drill.told)


def test_a_channel_that_is_not_covered_does_not_meet_while_the_others_do(ran):
    """One proven failure governs, and hides no other line's answer."""
    drill = ran("weapon not covered")
    assert np.isinf(drill.stop_times_s("rx3")).all()
    assert drill.verdicts() == {"rx1": "meets", "rx2": "meets", "rx3": "does not meet"}
    assert drill.told["verdict"] == "does not meet"
    assert drill.code == 1


def test_a_weapon_taken_down_by_hand_is_no_preset(ran):
    """The stick went down before each loss and up after it: the failsafe did nothing."""
    drill = ran("weapon not covered, taken down by hand")
    assert drill.stop_times_s("rx3").max() < LIMIT_S
    verdicts = drill.verdicts()
    assert verdicts["rx3"] != "meets"
    assert (verdicts["rx1"], verdicts["rx2"]) == ("meets", "meets")
    assert drill.told["verdict"] != "meets"
    assert drill.code != 0


def test_a_ramp_that_ends_too_late_does_not_meet(ran):
    drill = ran("ramps for 4 s")
    assert min(drill.stop_times_s(line).max() for line in STOPS_US) > LIMIT_S
    assert drill.verdicts() == dict.fromkeys(STOPS_US, "does not meet")
    assert drill.code == 1
