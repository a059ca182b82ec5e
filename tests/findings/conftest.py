"""A bench for signal losses: a receiver with two lines, a marker and a bench sheet."""

from dataclasses import replace

import pytest

from pwmscope.bench import BenchChannel, BenchSheet, Marker
from pwmscope.findings.failsafe import find_losses, reference_of
from pwmscope.findings.segmentation import find_servo_lines
from pwmscope.synth import Channel, Dwell, Frame, Loss, Script, Sweep, Width, build


class LossBench:
    """Off at 6 s, on again at 10 s, following at 10.3 s; drives stand still at 1475 to 1525 us."""

    OFF_S, ON_S, PERIOD_S = 6.0, 10.0, 0.02
    HELD = (Dwell(1500, 4), Sweep(1700, 1), Dwell(1700, 8), Sweep(1500, 0.5), Dwell(1500, 2))
    HELD_LOW = (Dwell(1500, 4), Sweep(1300, 1), Dwell(1300, 8), Sweep(1500, 0.5), Dwell(1500, 2))
    RELEASED = (Dwell(1500, 4), Sweep(1700, 1), Dwell(1700, 2), Sweep(1500, 0.3), Dwell(1500, 8))
    IDLE = (Dwell(1500, 16),)

    @staticmethod
    def device(line, **changes):
        drive = BenchChannel(
            line, "drive-left", "", 1000.0, 1500.0, 2000.0, 50.0, "stops", None, None,
            no_pulses_after_s=0.2,
        )  # fmt: skip
        return replace(drive, **changes)

    @staticmethod
    def sheet(*channels, marker="tx-on", limit_s=2.0):
        marked = None if marker is None else Marker(marker, "high", "switch")
        return BenchSheet("bench", "", "", limit_s, "", marked, {c.line: c for c in channels})

    @property
    def drives(self):
        return self.sheet(self.device("RX1"), self.device("RX2"))

    def record(self, behaviour, *, moves=HELD, other=None, other_moves=HELD_LOW, losses=None,
               duration_s=16, marker="tx-on", **more):  # fmt: skip
        """Record a receiver whose first line, and the second unless told otherwise, behaves so."""
        channels = [Channel("RX1", moves, when_lost=behaviour)]
        if other is not False:
            channels.append(Channel("RX2", other_moves, skew_us=3.1, when_lost=other or behaviour))
        parts = {"width": Width(jitter_us=0.7), "losses": losses or (Loss(6.0, 10.0, 0.3),)}
        frame = Frame(20_000, first_frame_us=4_321, jitter_us=1.0)
        return build(
            Script(
                duration_s, 1_000_000, 11, frame, tuple(channels), marker=marker, **(parts | more)
            )
        ).capture

    def line_losses(self, capture, *, sheet="drives", off_line=None, off_at_s=()):
        """Say what the lines did, without the figures that are not about losses."""
        sheet = self.drives if sheet == "drives" else sheet
        if off_at_s and sheet is not None:
            sheet = replace(sheet, marker=None)
        reference = reference_of(capture, off_line, off_at_s, sheet)
        lines = find_servo_lines(capture, "tx-on")
        return find_losses(lines, reference, reference.limits).line_losses

    def event(self, capture, line="RX1", **options):
        (event,) = self.line_losses(capture, **options)[line].events
        return event


@pytest.fixture(scope="session")
def bench():
    return LossBench()
