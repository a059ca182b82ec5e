"""The shipped captures against the truth beside them."""

import json
from dataclasses import replace
from pathlib import Path

import pytest

from pwmscope import Verdict, analyse, examine, load, load_plan, load_sheet
from pwmscope.findings.link import examine_link

CAPTURES = Path(__file__).parents[2] / "captures"
HINTS = {"noisy-link": {"rate": "500kHz"}}
MARKER = {"holds-last": "tx-on", "preset": "tx-on"}


def examined(name):
    file = next(CAPTURES.glob(f"{name}.csv*"))
    return examine(load(file, **HINTS.get(name, {})), off_line=MARKER.get(name))


def truth_of(name):
    return json.loads((CAPTURES / f"{name}.truth.json").read_text())


@pytest.mark.parametrize(
    ("line", "low", "neutral", "high"),
    [
        ("RX1", 1012, 1500, 1988),
        ("RX2", 1010, 1504, 1992),
        ("RX3", 1000, None, 2000),
        ("RX4", 1100, 1498, 1900),
    ],
)
def test_clean_sweep_endpoints_and_neutral(line, low, neutral, high):
    travel = examined("clean-sweep").channels[line].travel
    for level, true in ((travel.low, low), (travel.high, high), (travel.neutral, neutral)):
        if true is None:
            assert level is None
        else:
            assert abs(level.width_us - true) < 3 * level.uncertainty_us
    assert travel.neutral_offset_us == (None if neutral is None else travel.neutral.width_us - 1500)


def test_clean_sweep_jitter_and_frames():
    for channel in examined("clean-sweep").channels.values():
        assert channel.timing.width_jitter_us.rms == pytest.approx(0.25, abs=0.02)
        assert channel.timing.period_jitter_us.rms == pytest.approx(0.8 * 2**0.5, rel=0.05)
        assert channel.timing.frame_rate_hz == pytest.approx(50, rel=1e-6)
        assert channel.timing.missing_frames == 0
        assert channel.timing.glitches == 0
        assert channel.losses.events == ()
        assert channel.losses.finding.verdict.value == "not shown"


def test_noisy_link_counts_what_was_put_in():
    truth = truth_of("noisy-link")["channels"]
    for line, channel in examined("noisy-link").channels.items():
        assert channel.timing.missing_frames == 25
        assert channel.timing.period_us.max < 20_200  # a gap is no period
        assert channel.timing.width_jitter_us.rms == pytest.approx(4, rel=0.25)
        assert abs(channel.timing.glitches - len(truth[line]["glitches"])) <= 1
    travel = examined("noisy-link").channels["RX1"].travel
    assert travel.high.width_us == pytest.approx(2043, abs=1)
    verdicts = {f.name: f.verdict.value for f in examined("noisy-link").channels["RX1"].judged}
    assert verdicts["high endpoint"] == "does not meet"
    assert verdicts["clean pulses"] == "does not meet"


def test_holds_last_is_seen_where_the_stick_was_off_rest():
    found = examined("holds-last").channels
    for line, held in (("RX1", (1720, 1340)), ("RX2", (1700, 1660)), ("RX3", (1600, 1400))):
        events = found[line].losses.events
        assert [e.behaviour.value for e in events] == ["holds last"] * 2
        assert [e.preset_us for e in events] == pytest.approx(held, abs=0.5)
        assert [e.lost_s for e in events] == pytest.approx([7.253, 16.41], abs=1e-3)
        assert found[line].losses.finding.verdict.value == "does not meet"
    for event, back_s in zip(found["RX1"].losses.events, (11.61, 20.34), strict=True):
        assert event.recovered_s == pytest.approx(back_s, abs=0.021)


def test_an_idle_stick_is_not_called_a_hold():
    for event in examined("holds-last").channels["RX4"].losses.events:
        assert event.behaviour is None
        assert "look alike" in event.reasons["class"]


def test_pulses_stop_is_inferred_on_every_line():
    for channel in examined("pulses-stop").channels.values():
        events = channel.losses.events
        assert [e.behaviour.value for e in events] == ["pulses stop"] * 2
        assert [e.lost_s for e in events] == pytest.approx([5.43, 13.24], abs=0.023)
        assert [e.recovered_s for e in events] == pytest.approx([9.46, 16.69], abs=0.023)
        assert all(e.settle_s is None and "not marked" in e.reasons["settle_s"] for e in events)
        assert channel.timing.missing_frames == 0
        assert channel.losses.finding.verdict.value != "meets"


def test_the_dwell_that_begins_with_the_recovery_counts():
    visits = examined("pulses-stop").channels["RX1"].travel.neutral.visits
    assert [visit.start_s for visit in visits] == pytest.approx([0.008, 9.464, 16.70], abs=0.05)


def test_the_inverted_line_is_recognised():
    channels = examined("pulses-stop").channels
    assert [c.table.inverted for c in channels.values()] == [False, False, False, True]
    assert channels["RX4"].travel.neutral.width_us == pytest.approx(1498, abs=0.5)


def test_preset_is_reached_after_the_hold():
    found = examined("preset").channels
    for line, preset in (("RX1", 1500), ("RX2", 1500), ("RX3", 1000)):
        for event in found[line].losses.events:
            assert event.behaviour.value == "goes to preset"
            assert event.preset_us == pytest.approx(preset, abs=0.5)
            assert event.settle_s == pytest.approx(0.8, abs=0.0141)
    first, second = found["RX4"].losses.events
    assert first.behaviour.value == "holds last"
    assert second.behaviour is None


def test_preset_without_its_marker_never_says_more_than_it_shows():
    findings = examine(load(CAPTURES / "preset.csv.gz"))
    assert findings.channels["tx-on"].not_servo is not None
    assert "`marker='tx-on'`" in findings.channels["tx-on"].not_servo
    for line in ("RX1", "RX2", "RX3"):
        for event in findings.channels[line].losses.events:
            assert event.behaviour.value == "goes to preset"
            assert event.settle_s is None
            assert not event.is_marked


def test_unmixed_drive_follows_one_stick_each():
    channels = examined("unmixed-drive").channels
    for channel in channels.values():
        assert channel.travel.low.width_us == pytest.approx(1150, abs=4.1 * 3)
        assert channel.travel.high.width_us == pytest.approx(1850, abs=4.1 * 3)
        assert channel.travel.neutral.width_us == pytest.approx(1500, abs=4.1 * 3)


def test_spin_down_tells_command_and_motion_apart():
    truth = json.loads((CAPTURES / "spin-down.truth.json").read_text())["rotors"][0]
    sheet = load_sheet(CAPTURES / "spin-down.toml")
    findings = examine(load(CAPTURES / "spin-down.csv.gz"), sheet=sheet)
    motion = findings.channels["RX3"].losses.motion
    assert motion.finding.verdict.value == "meets"
    assert len(motion.stops) == 10
    for stop, slow_s in zip(motion.stops, truth["slow_s"], strict=True):
        least_s, most_s = stop.slow_s
        # A transmitter may send on for 0.1 s, and no mark tells more than its pitch of 0.25 s.
        assert least_s - 0.01 <= slow_s <= most_s + 0.01
        assert most_s - least_s < 0.8
    (marks, top, *_) = findings.sensors["D6"].findings
    assert marks.value == truth["marks"]
    assert top.value == pytest.approx(truth["top_per_minute"], rel=0.01)
    assert findings.channels["RX3"].losses.trials.meets == 10


def test_a_drive_without_a_pin_is_judged_by_its_rotor_and_the_marker():
    truth = truth_of("one-board")["rotors"][0]
    capture, sheet = load(CAPTURES / "one-board.csv.gz"), load_sheet(CAPTURES / "one-board.toml")
    (line,) = (own for own in analyse(capture, sheet=sheet).failsafe.lines if own.line == "left")
    assert line.verdict is Verdict.MEETS
    assert line.trials.meets == 10
    for (_, event), slow_s in zip(line.rotor_losses, truth["slow_s"], strict=True):
        least_s, most_s = event.stop.slow_s
        assert least_s - 0.01 <= slow_s <= most_s + 0.01
    for left_out in ("D6", "tx-on", "RX1"):
        lines = {name: own for name, own in capture.lines.items() if name != left_out}
        less = analyse(replace(capture, lines=lines), sheet=sheet)
        assert less["left"].failsafe.verdict is Verdict.NOT_SHOWN


def test_supply_sag_is_found_sag_by_sag_with_its_cause():
    truth = truth_of("supply-sag")["supplies"][0]
    sheet = load_sheet(CAPTURES / "supply-sag.toml")
    findings = examine(load(CAPTURES / "supply-sag.csv.gz"), sheet=sheet)
    answer = findings.sensors["A0"].answer
    sags = answer.supply.sags
    assert len(sags) == len(truth["sags"])
    for k, sag in enumerate(truth["sags"]):
        assert sags.begin_s[k] == pytest.approx(sag["begin_s"], abs=3e-3)
        assert sags.end_s[k] == pytest.approx(sag["end_s"], abs=3e-3)
        assert sags.depth_v[k] == pytest.approx(sag["depth_v"], abs=0.015)
    found = {finding.name: finding for finding in answer.findings}
    assert found["causes of sags"].value == "RX1 moves in 3, RX4 moves in 4"
    assert found["source resistance"].value == pytest.approx(truth["source_ohm"], rel=0.05)
    assert found["brown-out margin"].verdict.value == "meets"


def test_the_link_record_shows_the_map_and_the_wrong_plug():
    sheet = load_sheet(CAPTURES / "link-record.toml")
    plan = load_plan(CAPTURES / "link-record.plan.toml")
    found = examine(load(CAPTURES / "link-record.csv.gz"), sheet=sheet)
    told = examine_link(found.capture, found.servo_tables, plan, sheet)
    moved = {row.control: [f.line for f in row.followers] for row in told.rows}
    assert moved == {
        "aileron": ["RX2"], "elevator": ["RX1"], "throttle": ["RX3"], "rudder": ["RX4"],
    }  # fmt: skip
    assert [plug.line for plug in told.wrong_plugs] == ["RX2"]
    assert told["other memory"].verdict is Verdict.MEETS
    assert 0.3 <= told["time to the first frame"].value <= 0.325
    # RX1 to RX4 are sent again 0.3 s after the transmitter, a frame of 20 ms later at most.
    assert truth_of("link-record")["channels"]
