"""A receiver whose link loses packets, simulated in Verilog: its log says which.

Sources: receiver, air and hands are written for IEEE Std 1364 (Verilog) and run by Icarus Verilog
(Debian package ``iverilog``), which writes the dump (same standard). That a receiver without a
new packet repeats its last widths is common practice.
"""

import subprocess
from pathlib import Path

import numpy as np
import pytest

import pwmscope

BENCH = Path(__file__).parent / "stale_receiver.v"
LEAD_S = 4.000037e-3
AIRS = {
    "50 Hz, fades": {"period_ns": 20_000_013, "loss": 16, "fade": 8},
    "91 Hz, single": {"period_ns": 11_000_017, "loss": 20, "fade": 1},
    "45 Hz, 256 steps": {"period_ns": 22_000_003, "loss": 10, "fade": 8, "steps_ns": 3906},
}


class Bench:
    def __init__(self, require_program, folder, values):
        build = [require_program("iverilog"), "-g2005", "-Wall", "-o", "bench", str(BENCH)]
        subprocess.run(build, cwd=folder, check=True, timeout=60)
        run = [require_program("vvp"), "-n", "bench", *(f"+{k}={v}" for k, v in values.items())]
        done = subprocess.run(
            run, cwd=folder, check=True, timeout=60, capture_output=True, text=True
        )
        said = [line.split() for line in done.stdout.splitlines()]
        self.period_s = values["period_ns"] / 1e9
        self.findings = pwmscope.examine(pwmscope.load(folder / "stale_receiver.vcd", rate=1e9))
        frames = len(self.findings["rx1"].table)
        self.lost = np.zeros(frames + 1, bool)
        self.lost[[int(words[1]) for words in said if words[0] == "lost"]] = True

    def runs(self):
        """First and end of each run of frames for which no packet came."""
        edge = np.flatnonzero(np.diff(np.concatenate([[0], self.lost, [0]]).astype(int)))
        return edge.reshape(-1, 2)

    def frame(self, at_s):
        return np.rint((np.asarray(at_s) - LEAD_S) / self.period_s).astype(int)

    def is_moving(self, line, first, end):
        """Whether the width moves one way, clearly, in four frames on either side and across.

        After a tenth of a second a stick that was let go would look alike, and be home in some
        60 ms: there as many frames more must be fresh and moving.
        """
        table = self.findings[line].table
        after = 4 if (end - first) * self.period_s < 0.1 else 4 + round(0.1 / self.period_s)
        if first < 5 or end + after >= len(table):
            return False
        fresh = np.r_[first - 5 : first, end : end + after]
        if self.lost[fresh].any():
            return False
        step_us = np.diff(table.width_us[fresh])
        across_us = step_us[4] / (end - first + 1)
        beside = np.delete(step_us, 4)
        return bool(np.all(beside * np.sign(across_us) > 12.0) and abs(across_us) > 12.0)


@pytest.fixture(scope="module", params=AIRS.values(), ids=AIRS)
def bench(request, require_program, tmp_path_factory):
    return Bench(require_program, tmp_path_factory.mktemp("verilog"), request.param)


def test_the_dump_repeats_widths_where_the_log_says(bench):
    """The truth itself: no width is new in a frame without a packet."""
    for line in ("rx1", "rx2"):
        width_us = bench.findings[line].table.width_us
        new = np.abs(np.diff(width_us)) > 1e-6
        assert not np.any(new & bench.lost[1 : width_us.size])


@pytest.mark.parametrize("line", ["rx1", "rx2"])
def test_every_logged_loss_while_the_stick_moves_is_found(bench, line):
    found = bench.findings[line].freshness.renewals
    first, end = bench.frame(found.start_s), bench.frame(found.end_s)
    asked = [(a, b) for a, b in bench.runs() if bench.is_moving(line, a, b)]
    assert len(asked) >= 15
    seen = set(zip(first.tolist(), end.tolist(), strict=True))
    assert [run for run in asked if tuple(run) not in seen] == []


@pytest.mark.parametrize("line", ["rx1", "rx2"])
def test_no_freeze_is_found_that_is_not_logged(bench, line):
    found = bench.findings[line].freshness.renewals
    for first, end in zip(bench.frame(found.start_s), bench.frame(found.end_s), strict=True):
        assert bench.lost[first:end].all()
        assert not bench.lost[end]


@pytest.mark.parametrize("line", ["rx1", "rx2"])
def test_the_share_is_that_of_the_log(bench, line):
    low, high = bench.findings[line]["fresh frames"].interval
    assert low <= 100.0 * (1.0 - bench.lost.mean()) <= high


def test_a_stick_at_rest_shows_nothing(bench):
    finding = bench.findings["rx3"]["fresh frames"]
    assert finding.value is None
    assert bench.findings["rx3"].freshness.renewals.first.size == 0


def test_the_lines_share_their_freezes(bench):
    shared = bench.findings.shared_freezes
    assert shared.witnessed >= 20
    assert shared.shared >= 0.9 * shared.witnessed
