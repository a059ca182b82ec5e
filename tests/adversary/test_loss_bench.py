"""The adversary's own bench and truth, held against cases worked out by hand."""

import numpy as np
import pytest
from loss_bench import (
    Accident,
    Kind,
    Output,
    Phase,
    Planned,
    Receiver,
    Recording,
    Script,
    record,
    sampled_ps,
)
from loss_families import FAMILIES, WELL, draw
from loss_truth import still_and_outside, stop_margin_us, truth_of

HOLD = Phase(0.0, Kind.HOLD)


def bench(*phases: Phase, **device) -> Recording:
    """A stick held at +0.5 (1750 us); the carrier dies at 2 s and is heard again at 5 s."""
    moves = device.pop("moves", [])
    extra = {k: device.pop(k) for k in ("accidents", "sum_train", "inverted") if k in device}
    output = Output(
        "RX1", "drive-left", 1500.0, {"a": 500.0}, (1470.0, 1530.0), responses=(phases,), **device
    )
    receiver = Receiver(
        frame_s=0.02, packet_s=0.01, jitter_us=0.0, skew_us=0.0, heard=[(0.0, 2.0), (5.0, 7.0)]
    )
    script = Script(
        duration_s=7.0,
        planned=[Planned(2.0, 2.0, 4.5, 5.0, {"a": 0.5}, 2.0, 4.5)],
        outputs=[output],
        receivers=[receiver],
        moves={"a": moves},
        start_at={"a": 0.5},
        marker=[(2.0, False), (4.5, True)],
        **extra,
    )
    return record(script, np.random.default_rng(1))


def widths(recording: Recording, line: str = "RX1") -> tuple[np.ndarray, np.ndarray]:
    """Fall times in seconds and widths in microseconds, decoded from the recorded edges."""
    edges, level = recording.lines[line]
    assert level == 0
    pairs = edges[: edges.size // 2 * 2].reshape(-1, 2)
    return pairs[:, 1] / 1e12, np.diff(pairs, axis=1)[:, 0] / 1e6


def test_hold_then_preset_stops_with_the_first_preset_pulse():
    recording = bench(HOLD, Phase(0.5, Kind.WIDTH, 1500.0))
    fall, width = widths(recording)
    assert set(np.round(width[fall < 2.4])) == {1750}
    assert set(np.round(width[(fall > 2.6) & (fall < 5.0)])) == {1500}
    truth = truth_of([recording], 1.0)["RX1"]
    first = fall[(fall > 2) & (width < 1530)][0]
    assert truth.moves_until_s == pytest.approx(first - 2.0, abs=2e-6)
    assert 0.48 < truth.moves_until_s < 0.53
    assert not truth.unsafe
    assert (truth.losses, truth.meant) == (1, 1)
    assert truth_of([recording], 0.4)["RX1"].exhibited


def test_device_runs_on_after_the_last_pulse():
    recording = bench(HOLD, Phase(0.3, Kind.SILENT), runs_on_s=0.7)
    fall, _ = widths(recording)
    last = fall[fall < 4.9][-1]
    truth = truth_of([recording], 0.9)["RX1"]
    assert truth.moves_until_s == pytest.approx(last + 0.7 - 2.0, abs=2e-6)
    assert truth.exhibited
    assert not truth_of([recording], 1.05)["RX1"].unsafe


def test_device_that_keeps_going_moves_until_the_link_is_back():
    recording = bench(HOLD, Phase(0.3, Kind.SILENT), stops_without_pulses=False)
    assert truth_of([recording], 1.0)["RX1"].moves_until_s == pytest.approx(3.0)


def test_hold_with_the_hand_at_rest_is_unsafe_by_nature_only():
    recording = bench(HOLD, moves=[(1.5, 0.0, 0.05), (4.0, 0.5, 0.05)])
    truth = truth_of([recording], 1.0)["RX1"]
    assert not truth.exhibited
    assert truth.by_nature


def test_following_output_moves_with_the_hand_while_the_carrier_is_gone():
    recording = bench(Phase(0.0, Kind.FOLLOW), moves=[(2.2, 0.0, 0.05)])
    fall, width = widths(recording)
    assert set(np.round(width[(fall > 2.3) & (fall < 7)])) == {1500}
    truth = truth_of([recording], 1.0)["RX1"]
    assert (truth.exhibited, truth.by_nature) == (False, True)


def test_probe_that_falls_off_does_not_stop_the_device():
    recording = bench(HOLD, accidents=[Accident("RX1", 2.3, 4.9, "probe")])
    fall, _ = widths(recording)
    assert not ((fall > 2.31) & (fall < 4.9)).any()
    assert truth_of([recording], 1.0)["RX1"].exhibited


def test_plug_that_is_pulled_stops_it_but_not_by_nature():
    recording = bench(HOLD, accidents=[Accident("RX1", 2.3, 5.01, "plug")])
    truth = truth_of([recording], 1.0)["RX1"]
    assert (truth.exhibited, truth.by_nature) == (False, True)


@pytest.mark.parametrize("kind", [Kind.HIGH, Kind.NOISE])
def test_line_stuck_high_or_undriven_is_no_stop(kind):
    recording = bench(HOLD, Phase(0.3, kind))
    assert truth_of([recording], 1.0)["RX1"].exhibited
    edges, _ = recording.lines["RX1"]
    inside = edges[(edges > 2.35e12) & (edges < 4.95e12)]
    assert inside.size == 0 if kind is Kind.HIGH else inside.size > 100


def test_ramp_enters_the_stop_range_where_the_slope_says():
    # From 1750 to 1500 us in 1 s, begun at 0.2 s: 1530 us is reached after 0.2 + 220/250 s.
    recording = bench(HOLD, Phase(0.2, Kind.RAMP, 1500.0, ramp_s=1.0))
    assert truth_of([recording], 1.0)["RX1"].moves_until_s == pytest.approx(1.08, abs=0.025)


def test_active_width_before_the_link_is_unsafe_and_counts_as_one():
    recording = bench(HOLD, Phase(0.3, Kind.WIDTH, 1500.0))
    script = recording.script
    script.receivers[0].heard = [(5.0, 7.0)]
    script.outputs[0].before_link = (Phase(0.0, Kind.WIDTH, 1900.0),)
    assert truth_of([record(script, np.random.default_rng(1))], 1.0)["RX1"].exhibited


def test_sum_train_has_the_widths_as_distances_between_marks():
    recording = bench(HOLD, Phase(0.3, Kind.WIDTH, 1500.0))
    script = recording.script
    script.outputs.append(Output("two", "unused", 1234.0, {}, (0, 3000), responses=((HOLD,),)))
    script.receivers[0].align = "sequence"
    script.sum_train = "S"
    edges, _ = record(script, np.random.default_rng(1)).lines["S"]
    rises = edges[::2] / 1e6
    assert np.allclose(edges[1::2] / 1e6 - rises, 300, atol=1.01)
    first = np.diff(rises)[:3]
    assert np.allclose(first[:2], [1750, 1234], atol=1.01)
    assert first[2] > 15_000


def test_sampling_keeps_what_a_sample_sees():
    script = bench(HOLD).script
    script.sample_s, script.clock_ppm = 10e-6, 0.0
    edges = np.array([12e-6, 31e-6, 52e-6, 55e-6])  # the second pulse falls between two samples
    assert sampled_ps(edges, script).tolist() == [20_000_000, 40_000_000]
    script.clock_ppm = 100_000.0  # a sample lasts 11 us and is stored as 10 us
    assert sampled_ps(edges[:2], script).tolist() == [20_000_000, 30_000_000]


@pytest.mark.parametrize("family", FAMILIES)
def test_every_cause_draws_recordings_that_can_be_stored(family):
    for kind in ("late stop", "noise", "preset then leaves"):
        first, again = draw(family, kind, 3), draw(family, kind, 3)
        for a, b in zip(first.recordings, again.recordings, strict=True):
            for name, (edges, _) in a.lines.items():
                assert np.array_equal(edges, b.lines[name][0])
                assert (np.diff(edges) > 0).all()
                assert edges.size == 0 or 0 < edges[0] <= edges[-1] <= a.duration_ps
        assert first.sheet == again.sheet


@pytest.mark.parametrize("family", WELL)
@pytest.mark.parametrize("kind", ["preset", "stop then preset", "ramp", "holds last"])
def test_well_performed_tests_are_what_they_are_called(family, kind):
    test = draw(family, kind, 5)
    (recording,) = test.recordings
    script = recording.script
    assert still_and_outside(script, recording.pulses)
    assert len(script.planned) == 10
    assert all(p.on_s - p.off_s > test.limit_s + 0.5 for p in script.planned)
    truth = truth_of(test.recordings, test.limit_s)
    assert all(t.unsafe == (kind == "holds last") for t in truth.values())
    assert all(t.losses == 10 for t in truth.values())
    if kind != "holds last":
        margin = stop_margin_us(script, recording.pulses, test.limit_s)
        assert margin >= 3e6 * script.sample_s
    assert {"on", "kind"} <= set(test.sheet.get("marker", {"on": 1, "kind": 1}))
