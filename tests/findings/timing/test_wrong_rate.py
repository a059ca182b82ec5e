"""Bench notes: times that fit a servo only at another sample rate give figures and no verdict."""

import numpy as np
import pytest

import pwmscope
from pwmscope.advice import SettingAction, advise_settings
from pwmscope.bench import parse_sheet


def recording(scale):
    """Rest, both ends, rest: 1516 us every 20 ms, read as if the rate were so many times higher."""
    rng = np.random.default_rng(3)
    start_us = 500.0 + 20_000.0 * np.arange(800)
    width_us = np.repeat([1516.0, 1005.0, 1995.0, 1516.0], 200) + rng.normal(0, 2.0, 800)
    edges_us = np.stack([start_us, start_us + width_us], axis=1).ravel() / scale
    line = pwmscope.Line("RX1", np.ceil(edges_us).astype(np.int64) * 10**6, 0)
    return pwmscope.Capture({"RX1": line}, round(16.1e12 / scale), 1e6, "x")


def test_frames_of_758_us_a_hundred_a_second_have_figures_and_no_verdict():
    findings = pwmscope.examine(recording(2.0))
    channel = findings["RX1"]
    assert np.median(channel.table.width_us) == pytest.approx(758.0, abs=2.0)
    assert {f.verdict for f in channel.judged} == {pwmscope.Verdict.NOT_SHOWN}
    jitter = channel["width jitter"]
    assert jitter.value == pytest.approx(1.0, abs=0.1)
    assert "no verdict is given" in jitter.sentence
    assert "0.5 MS/s would fit" in jitter.sentence
    assert any("Check the sample rate" in str(said) for said in findings.assumptions)


def test_at_the_right_rate_there_are_verdicts():
    sheet = parse_sheet('[channels.RX1]\nrole = "drive-left"\nneutral_us = 1516.0')
    channel = pwmscope.examine(recording(1.0), sheet=sheet)["RX1"]
    assert channel["neutral"].verdict is pwmscope.Verdict.MEETS


def test_no_setting_is_advised_on_times_that_look_wrong():
    sheet = parse_sheet('[channels.RX1]\nrole = "drive-left"')
    (channel,) = advise_settings(pwmscope.examine(recording(2.0)), sheet).channels
    assert {setting.action for setting in channel.settings} == {SettingAction.NOT_SHOWN}
    assert all("0.5 MS/s would fit" in setting.sentence for setting in channel.settings)
