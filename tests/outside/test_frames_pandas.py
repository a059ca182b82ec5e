"""The frames are what pandas makes of the decoded pulses, by the definitions in docs/methods.md.

Nothing here is pwmscope's but `load`, `decode` and what is to be checked: a pulse leads a frame
unless it is a glitch (under a tenth of the shortest endpoint), no servo pulse, or cut by the start;
the frame period is from one leading edge to the next; a gap of about k usual periods holds k - 1
missing frames.
"""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import pwmscope

CAPTURES = Path(__file__).parents[2] / "captures"
RECORDINGS = {
    "clean-sweep.csv": {},
    "noisy-link.csv.gz": {"rate": "500kHz"},
    "holds-last.csv.gz": {},
    "unmixed-drive.csv.gz": {},
}
CUT, GLITCH, NOTCHED, FOREIGN = 1, 2, 4, 8


@pytest.fixture(scope="module", params=RECORDINGS)
def recording(request):
    capture = pwmscope.load(CAPTURES / request.param, **RECORDINGS[request.param])
    return capture, pwmscope.examine(capture)


def frames_of(table):
    """Pulses that lead a frame, with the time to the next, in pandas alone."""
    pulses = table.to_pandas()
    at_start = (pulses.index == 0) & ((pulses["flags"] & CUT) > 0)
    leads = ((pulses["flags"] & (GLITCH | FOREIGN)) == 0) & ~at_start
    frames = pulses.loc[leads].copy()
    frames["period_us"] = (frames["rise_s"].shift(-1) - frames["rise_s"]) * 1e6
    notched = (frames["flags"] & NOTCHED) > 0
    frames.loc[notched | notched.shift(-1, fill_value=False), "period_us"] = np.nan
    return frames


def test_periods_are_differences_of_leading_edges(recording):
    capture, findings = recording
    for line, table in pwmscope.decode(capture).items():
        if findings[line].not_servo is not None:
            continue
        frames = frames_of(table)
        decoded = table.to_pandas()["period_us"]
        # A pulse cut by the end leads a frame only if what was seen of it fits; pandas drops it.
        wanted = frames["period_us"].dropna()
        got = decoded.loc[wanted.index]
        pd.testing.assert_series_equal(got, wanted, check_exact=False, rtol=0, atol=2e-3)


def test_frame_rate_and_period_summary(recording):
    """Median, mean and spread of the whole frames outside losses."""
    _, findings = recording
    for channel in findings.servo.values():
        periods = frames_of(channel.table)
        for span in channel.loss_spans:
            inside = (periods["rise_s"] >= span.start_s) & (periods["rise_s"] < span.end_s)
            periods = periods.loc[~inside]
        usual_us = periods["period_us"].median()
        whole = periods.loc[periods["period_us"].between(0.5 * usual_us, 1.5 * usual_us)]
        summary = channel.timing.period_us
        assert summary.median == pytest.approx(whole["period_us"].median(), abs=0.5)
        assert summary.mean == pytest.approx(whole["period_us"].mean(), rel=2e-4)


def test_missing_frames_are_the_gaps_of_whole_periods(recording):
    _, findings = recording
    for channel in findings.servo.values():
        if channel.loss_spans:
            continue
        frames = frames_of(channel.table)
        usual_us = frames["period_us"].median()
        gaps = (frames["period_us"] / usual_us).round().clip(lower=1) - 1
        assert channel.timing.missing_frames == int(gaps.sum())


def test_widths_are_differences_of_edges(recording):
    """Pulse width: trailing minus leading edge, of pulses that are neither cut nor bridged."""
    capture, findings = recording
    for channel in findings.servo.values():
        pulses = channel.table.to_pandas()
        edges = pd.Series(capture.lines[channel.line].edges_ps)
        width_us = (edges.shift(-1) - edges) / 1e6
        by_rise = pd.Series(width_us.to_numpy(), index=edges.to_numpy())
        whole = pulses.loc[(pulses["flags"] & (CUT | NOTCHED)) == 0]
        rise_ps = (whole["rise_s"] * 1e12).round().astype("int64")
        at = np.searchsorted(by_rise.index.to_numpy(), rise_ps - 1000)
        np.testing.assert_allclose(by_rise.to_numpy()[at], whole["width_us"], rtol=0, atol=1e-6)
        measured = whole.loc[(whole["flags"] & (GLITCH | FOREIGN)) == 0]
        assert channel.pulses == len(measured)
