"""A bench with something set wrongly, recorded by its plan; presets are sent before the link too.

The recordings are made here edge by edge, from the words alone: a receiver that sends its presets
while there is no link, hands that are late by 0.1 to 0.35 s and take 0.25 s for a move.
"""

import dataclasses
import json
from collections.abc import Callable

import numpy as np
import pytest

import pwmscope
from pwmscope.bench import make_plan, parse_sheet
from pwmscope.capture import Capture, Line
from pwmscope.report import make_one_page, write_report

FRAME_S, BACK_S, HOLD_S, TICK_PS = 0.018, 1.1, 0.75, 1e6 / 12.0
AXES = ("elevator", "aileron", "throttle", "rudder")
SHEET = parse_sheet("""
robot = "Sorrel"
[marker]
line = "TX"
on = "high"
kind = "switch"
[channels.CH1]
role = "drive-left"
neutral_us = 1500
deadband_us = 60
no_pulses = "stops"
no_pulses_after_s = 0.3
mixed_in = "transmitter"
[channels.CH2]
role = "drive-right"
neutral_us = 1500
deadband_us = 60
no_pulses = "stops"
no_pulses_after_s = 0.3
mixed_in = "transmitter"
[channels.CH3]
role = "weapon"
stop_us = [950, 1040]
no_pulses = "stops"
no_pulses_after_s = 0.3
[channels.CH4]
role = "servo"
control = "rudder"
stop_us = [1470, 1530]
no_pulses = "keeps going"
""")
PLAN = make_plan(SHEET, losses=6)


@dataclasses.dataclass(frozen=True)
class Bench:
    """What its lines give; `stick` is a column of each axis, from -1 to 1."""

    low_us: float = 1060.0
    neutral_us: float = 1500.0
    way: float = 1.0
    presets_us: tuple[float, ...] = (1508.0, 1492.0, 1000.0, 1512.0)
    names: tuple[str, ...] = ("CH1", "CH2", "CH3", "CH4")
    weapon_way: bool = True

    def widths_us(self, stick: dict[str, np.ndarray]) -> list[np.ndarray]:
        ahead, turn = stick["elevator"], stick["aileron"]
        up = (stick["throttle"] + 1.0) / 2.0
        up = up if self.weapon_way else 1.0 - up
        return [
            self.neutral_us + self.way * 450.0 * np.clip(ahead + turn, -1, 1),
            1500.0 + 450.0 * np.clip(ahead - turn, -1, 1),
            self.low_us + (2000.0 - self.low_us) * up,
            1500.0 + 400.0 * stick["rudder"],
        ]


@dataclasses.dataclass
class Hands:
    """Where each stick was put, when, and when the transmitter went off and on."""

    put: dict[str, list[tuple[float, float]]]
    switched_s: list[float]  # Alternately on and off
    power_s: float
    end_s: float

    def sticks(self, time_s: np.ndarray) -> dict[str, np.ndarray]:
        return {axis: self._stick(axis, time_s) for axis in AXES}

    def _stick(self, axis: str, time_s: np.ndarray) -> np.ndarray:
        at = -1.0 if axis == "throttle" else 0.0
        place = np.full(time_s.shape, at)
        for begun_s, to in self.put[axis]:
            part = np.clip((time_s - begun_s) / 0.25, 0.0, 1.0)
            place += (to - at) * part**2 * (3.0 - 2.0 * part)
            at = to
        return place


def by_plan(plan, seed):
    rng, time_s, is_on = np.random.default_rng(seed), 2.3, False
    hands = Hands({axis: [] for axis in AXES}, [], 2.9, 0.0)
    for step in plan.steps:
        late_s = rng.uniform(0.1, 0.35)
        if step.transmitter_on != is_on:
            is_on = step.transmitter_on
            hands.switched_s.append(time_s + late_s)
        for axis, own in hands.put.items():
            to = step.sticks.get(axis, -1.0 if axis == "throttle" else 0.0)
            if (own[-1][1] if own else (-1.0 if axis == "throttle" else 0.0)) != to:
                own.append((time_s + 0.8 * late_s, to))
        time_s += step.seconds
    hands.end_s = time_s + 3.0
    return hands


def record(bench, hands, *, keep=None, marked=True, seed=1):
    """The lines' edges: presets before the link and 0.75 s after each loss, until it is back."""
    rng = np.random.default_rng(seed)
    rise_s = np.arange(hands.power_s, hands.end_s - 0.1, FRAME_S)
    linked = np.zeros(rise_s.size, bool)
    held = linked.copy()
    switched_s = [*hands.switched_s, *([hands.end_s] if len(hands.switched_s) % 2 else [])]
    for on_s, off_s in zip(switched_s[::2], switched_s[1::2], strict=True):
        linked |= (rise_s >= on_s + BACK_S) & (rise_s < off_s)
        held |= (rise_s >= off_s) & (rise_s < off_s + HOLD_S)
    lines = {}
    stick = hands.sticks(rise_s)
    for name, put_us, followed_us in zip(
        bench.names, bench.presets_us, bench.widths_us(stick), strict=True
    ):
        last = np.maximum.accumulate(np.where(linked, np.arange(rise_s.size), 0))
        width_us = np.where(linked | held, followed_us[last], put_us)
        width_us += rng.normal(0.0, 0.35, rise_s.size)
        edges_s = np.stack([rise_s, rise_s + width_us / 1e6], axis=1).ravel()
        if keep is None or name in keep:
            lines[name] = line(name, edges_s)
    if marked:
        lines["TX"] = line("TX", np.array(hands.switched_s))
    return Capture(lines, round(hands.end_s * 1e12), TICK_PS, "made here")


def line(name, edges_s):
    ticks = np.ceil(edges_s * 1e12 / TICK_PS)
    return Line(name, np.round(ticks * TICK_PS).astype(np.int64), 0)


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize(
    "bench",
    [
        Bench(),
        Bench(low_us=1000.0),
        Bench(low_us=1035.0),
        Bench(low_us=1200.0),
        Bench(neutral_us=1560.0, presets_us=(1500.0, 1500.0, 1000.0, 1500.0)),
        Bench(way=-1.0),
        Bench(weapon_way=False),
        Bench(names=("CH3", "CH2", "CH1", "CH4")),
    ],
    ids=["low", "right", "a-little", "far", "neutral", "reversed", "weapon-reversed", "plugs"],
)
def test_what_is_set_wrongly_does_not_make_the_plan_unusable(bench, seed):
    found = pwmscope.analyse(record(bench, by_plan(PLAN, seed)), sheet=SHEET, plan=PLAN)
    (laid,) = found.alignments
    assert laid.fits
    assert not set(laid.steps_not_seen) - {"power up", "first link"}


def test_another_plan_of_as_many_losses_is_refused():
    other = dataclasses.replace(PLAN, steps=(*PLAN.steps[:3], *reversed(PLAN.steps[3:])))
    found = pwmscope.analyse(record(Bench(), by_plan(other, 1)), sheet=SHEET, plan=PLAN)
    assert not found.alignments[0].fits


def settings_of(found, name):
    channel = next(channel for channel in found.settings.channels if channel.line == name)
    return {setting.name: setting for setting in channel.settings}


@pytest.fixture(scope="module")
def hands() -> Callable[[], Hands]:
    made = by_plan(PLAN, 5)
    return lambda: dataclasses.replace(made)


@pytest.mark.parametrize("keep", [None, ("CH3",)], ids=["four-lines", "weapon-alone"])
@pytest.mark.parametrize("marked", [True, False], ids=["marked", "unmarked"])
@pytest.mark.parametrize("power_s", [2.9, 9.0], ids=["before", "after"])
def test_the_preset_before_the_link_is_no_end_of_the_stick(hands, power_s, marked, keep):
    """The receiver gets its power before the transmitter is on, or after."""
    made = dataclasses.replace(hands(), power_s=power_s)
    if power_s > made.switched_s[0]:
        made.switched_s = [power_s, *made.switched_s[1:]]
    capture = record(Bench(), made, keep=keep, marked=marked)
    if marked and power_s == 9.0:
        capture.lines["TX"] = line("TX", np.array([2.0, *made.switched_s[1:]]))
    found = pwmscope.analyse(capture, sheet=SHEET)
    assert found["CH3"]["rest position"].verdict != "meets"
    if keep and not marked:  # Nothing tells the losses, nor their presets, from the stick.
        assert "Only a plan shows" in settings_of(found, "CH3")["low endpoint"].sentence
    else:
        assert found["CH3"]["low endpoint"].value == pytest.approx(1060.0, abs=0.2)


def test_the_preset_before_the_link_does_not_bias_neutral(hands):
    found = pwmscope.analyse(record(Bench(), hands()), sheet=SHEET, plan=PLAN)
    for name in ("CH1", "CH2", "CH4"):
        assert found[name]["neutral"].value == pytest.approx(1500.0, abs=0.05)
    assert found["CH3"]["rest position"].verdict == "does not meet"
    settings = settings_of(found, "CH3")
    assert settings["rest position"].action == "change"
    assert settings["low endpoint"].action == "not shown"  # The sheet states no low_us


def test_a_stick_that_rests_where_the_preset_is_counts_from_the_marker_on(hands):
    bench = Bench(low_us=1000.0, presets_us=(1500.0, 1500.0, 1000.0, 1500.0))
    found = pwmscope.analyse(record(bench, hands()), sheet=SHEET, plan=PLAN)
    record_of = found.findings[0].loss_analysis.found.records["CH3"]
    assert record_of.losses[0].end_s == pytest.approx(hands().switched_s[0], abs=FRAME_S)
    assert found["CH3"]["rest position"].verdict == "meets"


SWAPPED = "CH1 follows the throttle, CH3 the aileron and elevator"


def test_swapped_plugs_are_said_first_and_nothing_is_advised_for_their_lines(hands):
    bench = Bench(low_us=1000.0, names=("CH3", "CH2", "CH1", "CH4"))
    found = pwmscope.analyse(record(bench, hands()), sheet=SHEET, plan=PLAN)
    assert found.headline == f"PLUGS do not match the sheet: {SWAPPED}; failsafe does not meet"
    said = "Swap the plugs of CH1 and CH3, or their lines in the sheet. Record again."
    assert found.actions[0].sentence == said
    assert SWAPPED not in " ".join(found.answer.left_out)  # The headline says it once
    assert found.actions[0].lines == ("CH1", "CH3")
    others = [action for action in found.actions[1:] if {"CH1", "CH3"} & set(action.lines)]
    assert not [a for a in others if "rest position" in a.sentence or "the rest" in a.sentence]
    assert found.verdict == "does not meet"
    cards = {card.line: card for card in found.cards}
    assert cards["CH3"].verdict == cards["CH1"].verdict == "does not meet"
    assert found.mixing.arrangement.name == "plugs swapped"
    assert found.mixing.findings[0].sentence.startswith(SWAPPED)
    for name in ("CH1", "CH3"):
        assert {s.action.value for s in settings_of(found, name).values()} == {"not shown"}
    assert found.failsafe_answer.headline == found.headline


def test_a_line_in_its_right_plug_that_fails_is_said_before_swapped_plugs(hands):
    """CH4's servo stands at 1640 us in a loss; what swapped lines do is told of no device."""
    presets_us = (1500.0, 1500.0, 1000.0, 1640.0)
    bench = Bench(low_us=1000.0, presets_us=presets_us, names=("CH3", "CH2", "CH1", "CH4"))
    found = pwmscope.analyse(record(bench, hands()), sheet=SHEET, plan=PLAN)
    assert found.headline == (
        "FAILSAFE does not meet: the servo goes to 1640 us, outside its stop range; "
        f"plugs do not match the sheet: {SWAPPED}"
    )
    assert found.actions[0].sentence.startswith("Swap the plugs of CH1 and CH3")
    assert found.actions[1].sentence.startswith("Set CH4's failsafe to 1500 us")


def test_drives_swapped_among_themselves_are_the_mixings(hands):
    bench = Bench(low_us=1000.0, names=("CH2", "CH1", "CH3", "CH4"))
    found = pwmscope.analyse(record(bench, hands()), sheet=SHEET, plan=PLAN)
    assert found.mixing.arrangement.name == "mixed, outputs swapped"
    assert "PLUGS" not in found.headline


def test_a_right_bench_has_no_swapped_plugs(hands):
    found = pwmscope.analyse(record(Bench(low_us=1000.0), hands()), sheet=SHEET, plan=PLAN)
    assert "PLUGS" not in found.headline
    assert found.mixing.verdict != "does not meet"
    assert not found.failsafe.left_out


def test_a_plan_that_is_not_used_is_told_on_every_output(hands, tmp_path):
    other = dataclasses.replace(PLAN, steps=(*PLAN.steps[:3], *reversed(PLAN.steps[3:])))
    found = pwmscope.analyse(record(Bench(), hands()), sheet=SHEET, plan=other)
    said = (
        "The plan was not used: made here does not follow it. Name the plan that it was made by, "
        "or record again by it."
    )
    for answer in (found.answer, found.failsafe_answer):
        assert said in answer.left_out
        assert said in [action.sentence for action in answer.actions]
    written = write_report(found, tmp_path / "report")
    for path in (written.page, written.markdown, written.check):
        assert "The plan was not used" in path.read_text(encoding="utf-8")
    assert json.loads(written.data.read_text(encoding="utf-8"))["plan"]["fits"] is False
    assert said in make_one_page(found).announced
    # It changes no verdict.
    assert found.verdict == pwmscope.analyse(found.captures[0], sheet=SHEET).verdict


OTHERS = ("Ch 0", "Ch 1", "Ch 2", "Ch 3")


@pytest.mark.parametrize(
    ("plan", "which"),
    [
        (PLAN, "Ch 0 for CH1 (drive-left), Ch 1 for CH2 (drive-right), Ch 2 for CH3 (weapon), "
         "Ch 3 for CH4 (servo)."),
        (None, "Ch 2 for CH3 (weapon)."),
    ],
    ids=["plan", "widths"],
)  # fmt: skip
def test_names_that_differ_from_the_sheets_are_one_action(hands, plan, which):
    bench = Bench(low_us=1000.0, names=OTHERS)
    found = pwmscope.analyse(record(bench, hands()), sheet=SHEET, plan=plan)
    assert found.verdict == "not shown"
    assert found.headline == "FAILSAFE not shown: no line of the sheet is in the recording"
    said = found.actions[0].sentence
    assert said.startswith("The sheet's CH1, CH2, CH3 and CH4 are not in made here; it has Ch 0, ")
    assert said.endswith(f"Write the recording's names into the sheet: {which}")
    sentences = [action.sentence for action in found.actions]
    assert "unused" not in " ".join(sentences)
    assert sum("sheet" in sentence for sentence in sentences) == 1


def test_one_name_that_differs_is_told_with_its_own(hands):
    bench = Bench(low_us=1000.0, names=("CH1", "CH2", "Ch 2", "CH4"))
    found = pwmscope.analyse(record(bench, hands()), sheet=SHEET, plan=PLAN)
    said = "The sheet's CH3 is not in made here; it has Ch 2. Write the recording's names into the "
    assert f"{said}sheet: Ch 2 for CH3 (weapon)." in found.answer.left_out
    assert found.actions[1].sentence == f"{said}sheet: Ch 2 for CH3 (weapon)."
