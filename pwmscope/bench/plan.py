"""The capture plan: what the hands do during a recording, step by step, and how fast to sample."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from typing import Final, Literal, TypeAlias, get_args

from pwmscope.bench.equipment import (
    CAUTIONS,
    DRIVES,
    INTO_MIXER,
    LINK_CAUTIONS,
    MOTION_CAUTIONS,
    BenchChannel,
    BenchSheet,
)
from pwmscope.errors import HintError
from pwmscope.model import CLOCK_TOLERANCE, COVERAGE

RATES_HZ: Final = (
    100e3, 200e3, 250e3, 500e3, 1e6, 2e6, 4e6, 5e6, 8e6, 10e6, 12e6, 16e6, 20e6, 24e6, 25e6, 50e6,
    100e6, 200e6, 250e6, 500e6, 1e9,
)  # fmt: skip
"""Rates that analysers offer (common practice, from memory)."""


def needed_rate_hz(
    within_us: float,
    *,
    pulses: int = 1,
    scatter_us: float = 0.0,
    width_us: float = 1500.0,
    in_step: bool = True,
) -> float | None:
    """Return the least sample rate at which a mean width is known well enough; None where none is.

    The width between two sampled edges has a triangular error of plus and minus Ts,
    so u = Ts / sqrt(6) (JCGM 100, 4.3.9). The mean's uncertainty adds in quadrature
    (5.1.2) the scatter, s / sqrt(n) (4.2.3), the sampling, and the analyser's clock,
    rectangular over 100 ppm of the width (4.3.7); the wanted half-width is twice that. Edges that
    keep step with the sampling clock repeat the same sampling error in each pulse, and averaging
    does not lessen it: that is the careful assumption, since nobody knows before recording.

    >>> round(needed_rate_hz(1.0)), needed_rate_hz(0.1) is None
    (829027, True)
    >>> round(needed_rate_hz(1.0, pulses=50, in_step=False))
    117242
    """
    _check(within_us, scatter_us, width_us)
    if pulses < 1:
        raise HintError(f"{pulses} pulses cannot be averaged; give 1 or more.")
    left = _left_us2(within_us, width_us) - scatter_us**2 / pulses
    if left <= 0.0:
        return None
    return 1e6 / math.sqrt(6.0 * left * (1 if in_step else pulses))


def needed_pulses(
    within_us: float,
    rate_hz: float,
    *,
    scatter_us: float = 0.0,
    width_us: float = 1500.0,
    in_step: bool = True,
) -> int | None:
    """Return how many pulses to average so that a mean width is known well enough.

    None where averaging cannot help: the clock is too much, or the sampling error, which the same
    in each pulse stays in the mean.

    >>> needed_pulses(1.0, 1e6, scatter_us=2.0), needed_pulses(1.0, 500e3, scatter_us=2.0)
    (53, None)
    >>> needed_pulses(1.0, 500e3, scatter_us=2.0, in_step=False)
    20
    """
    _check(within_us, scatter_us, width_us)
    if not 0.0 < rate_hz < math.inf:
        raise HintError(f"A sample rate of {rate_hz:g} Hz cannot be; give one above 0.")
    sampling_us2 = (1e6 / rate_hz) ** 2 / 6.0
    left = _left_us2(within_us, width_us) - (sampling_us2 if in_step else 0.0)
    averaged = scatter_us**2 + (0.0 if in_step else sampling_us2)
    if left <= 0.0 or averaged / left > 1e12:
        return None
    return max(1, math.ceil(averaged / left))


def offered_rate_hz(least_hz: float) -> float:
    """Return the lowest rate from `least_hz` on that analysers usually offer.

    >>> offered_rate_hz(829_000), offered_rate_hz(3e9)
    (1000000.0, 3000000000.0)
    """
    return next((rate_hz for rate_hz in RATES_HZ if rate_hz >= least_hz), least_hz)


def _left_us2(within_us: float, width_us: float) -> float:
    """Variance that the clock leaves for scatter and sampling."""
    clock_us = width_us * CLOCK_TOLERANCE / math.sqrt(3.0)
    return (within_us / COVERAGE) ** 2 - clock_us**2


def _check(within_us: float, scatter_us: float, width_us: float) -> None:
    for name, value, least in (
        ("wanted uncertainty", within_us, "above 0"),
        ("scatter", scatter_us, "of 0 or more"),
        ("width", width_us, "above 0"),
    ):
        if not (math.isfinite(value) and (value > 0.0 or (value == 0.0 and "0 or" in least))):
            raise HintError(f"A {name} of {value:g} us cannot be; give a number {least}.")


Axis: TypeAlias = Literal["aileron", "elevator", "throttle", "rudder"]
AXES: Final[tuple[Axis, ...]] = get_args(Axis)

Mode: TypeAlias = Literal[1, 2]
"""Which axes lie on which stick (common practice): in mode 2 throttle and rudder are on the
left stick, elevator and aileron on the right; in mode 1 throttle and elevator change places."""


@dataclass(frozen=True, slots=True)
class PlanStep:
    """One step of a capture plan."""

    name: str  # Its name, unique in the plan
    seconds: float  # How long it takes
    # Where each stick axis is held, from -1 to 1; right and forward are positive. An axis that is
    # left out rests. For a throttle that rests at its low end, 1 is its other end and it never goes
    # below 0.
    sticks: Mapping[Axis, float]
    hands: str = ""  # What the hands do, for a person
    shows: str = ""  # What the step will show
    transmitter_on: bool = True  # Whether the transmitter is on meanwhile
    # Whether another model memory is chosen, or another transmitter on in place of this one
    other_memory: bool = False
    # Where switches, dials and buttons stand, by the line that they move, from -1 to 1. One that is
    # left out rests.
    controls: Mapping[str, float] = field(default_factory=dict)
    # Who does it: one person with one hand or two, or two people; empty where that is no matter
    who: str = ""
    moves: tuple[Axis, ...] = ()  # Stick axes that are kept moving meanwhile

    @property
    def is_at_rest(self) -> bool:
        """Whether every stick and control rests."""
        return not self.sticks and not self.controls and not self.moves


@dataclass(frozen=True, slots=True)
class CapturePlan:
    """The steps of one recording, in order, one after the other.

    >>> plan = CapturePlan((PlanStep("rest", 3.0, {}), PlanStep("forward", 2.0, {"elevator": 1})))
    >>> plan.seconds, plan.starts_s
    (5.0, (0.0, 3.0))
    """

    steps: tuple[PlanStep, ...]  # At least one
    robot: str = ""  # Free text
    mode: Mode = 2  # Which axes lie on which stick
    marker: str = ""  # The line that shows whether the transmitter is on; empty where there is none
    within_us: float = 1.0  # Half-width of the 95 % interval that a measured width shall have
    sample_rate_hz: float = 1_000_000.0  # Least sample rate for that
    # Whether a rotation line shows what turns; it turns with power, in a test box only
    shows_motion: bool = False

    @property
    def cautions(self) -> tuple[str, ...]:
        """What to do before anything is powered; motion and a link record have more."""
        motion = MOTION_CAUTIONS if self.shows_motion else ()
        return (*motion, *(LINK_CAUTIONS if self.is_link_record else ()), *CAUTIONS)

    @property
    def is_link_record(self) -> bool:
        """Whether it shows what binding left behind: one of its steps has another memory."""
        return any(step.other_memory for step in self.steps)

    @property
    def is_marker_calibration(self) -> bool:
        """Whether it shows how late the marker is: sticks move on while the link goes."""
        return any(step.moves and not step.transmitter_on for step in self.steps)

    @property
    def moved_alone(self) -> tuple[Axis, ...]:
        """The stick axes that some step holds by themselves, the transmitter being on."""
        held = {tuple(s.sticks) for s in self.steps if s.transmitter_on and not s.controls}
        return tuple(axis for axis in AXES if (axis,) in held)

    @property
    def seconds(self) -> float:
        """How long the plan takes."""
        return sum(step.seconds for step in self.steps)

    @property
    def starts_s(self) -> tuple[float, ...]:
        """When each step begins, from the plan's own start."""
        return (0.0, *itertools.accumulate(step.seconds for step in self.steps[:-1]))


@dataclass(frozen=True, slots=True)
class StepSpan:
    """Where one step of a plan was found in a recording."""

    step: PlanStep  # The step
    # From when to when its sticks were held, in seconds of the recording
    start_s: float
    end_s: float


NO_HAND: Final = "one person, no hand"
ONE_HAND: Final = "one person, one hand"
TWO_HANDS: Final = "one person, two hands"
TWO_PEOPLE: Final = "two people"


def plan_of(
    sheet: BenchSheet,
    steps: Iterable[PlanStep],
    mode: Mode,
    within_us: float = 1.0,
    sample_rate_hz: float = 1_000_000.0,
) -> CapturePlan:
    """Make a plan of steps, with what the sheet says of the robot, its marker and its motion."""
    steps, on = list(steps), True
    for place, step in enumerate(steps):
        has_hand = bool(step.sticks) or not step.transmitter_on or not on
        on = step.transmitter_on
        if not step.who:
            steps[place] = replace(step, who=ONE_HAND if has_hand else NO_HAND)
    marker = "" if sheet.marker is None else sheet.marker.line
    motion = sheet.shows_motion
    return CapturePlan(tuple(steps), sheet.robot, mode, marker, within_us, sample_rate_hz, motion)


POWER_UP_S: Final = 5.0
"""How long the outputs are seen before the transmitter is on, and how long the link may take."""
REST_S: Final = 5.0
HOLD_S: Final = 2.0
"""Shortest hold: a person can count it, and a dwell is seen from 0.4 s on."""
SETTLE_S: Final = 0.7
"""Part of each step that the hand takes to get there (own estimate)."""
SLOW_FRAME_S: Final = 0.022
"""The longest usual frame period (common practice, from memory)."""
OFF_S: Final = (2.0, 6.0)
"""Shortest and longest loss, where the failsafe limit leaves that open."""
SPREAD_S: Final = 3.5
"""The longest loss is at least so much longer than the shortest."""
PAST_LIMIT_S: Final = 0.5
"""So much longer than the failsafe limit each loss is at least."""
ON_S: Final = 4.0
RESTART_S: Final = 8.0
"""How long the robot's power takes to go and come, and its receiver to start."""
SOON_ON_S: Final = 2.0
"""So short is the link before a loss that comes within seconds of it."""
SCATTER_US: Final = 2.0
"""Scatter that a width is taken to have beside the sampling: half the 4 us that is the limit."""
USUAL_LOSSES: Final = 10
"""What ten losses of unlike length have in common is the receiver's, not the hands'."""
_PRIME: Final = 41
HALF: Final = 0.5
LITTLE: Final = 0.25

LEFT_STICK: Final[dict[Mode, tuple[Axis, ...]]] = {
    1: ("elevator", "rudder"),
    2: ("throttle", "rudder"),
}
WAYS: Final[dict[Axis, tuple[str, str]]] = {
    "aileron": ("right", "left"),
    "elevator": ("forward", "back"),
    "throttle": ("up", "down"),
    "rudder": ("right", "left"),
}


def make_plan(
    sheet: BenchSheet,
    *,
    mode: Mode = 2,
    within_us: float = 1.0,
    scatter_us: float = SCATTER_US,
    losses: int = USUAL_LOSSES,
    power_up: bool | None = None,
    states: bool = False,
) -> CapturePlan:
    r"""Plan one recording that shows all that a sheet's channels can be asked.

    Power-up and rest first, then each stick axis to both ends and back, the drive moves, and the
    transmitter off and on again, ``losses`` times: from 2 s (or half a second more than the
    failsafe limit) to 6 s (or 3.5 s more than that), each another time.

    Parameters
    ----------
    sheet : BenchSheet
        Its roles decide about drive moves and the weapon, its marker about the
        wording of the last steps, its failsafe limit about their length.
    within_us, scatter_us : float, optional
        Wanted half-width of the 95 % interval of each width, and the standard deviation that the
        widths are expected to have.
    power_up : bool, optional
        Whether the robot gets its power first, the transmitter being off. By default it
        does where the sheet's marker shows it: a switch whose level for on is stated.
    states : bool, optional
        Whether it ends with one loss for each state of the link: a receiver that restarts
        meanwhile, a loss within seconds of linking, a return with sticks up and one at rest.

    Examples
    --------
    >>> from pwmscope.bench import parse_sheet
    >>> sheet = parse_sheet('[channels.A]\nrole = "weapon"')
    >>> plan = make_plan(sheet, losses=0)
    >>> [step.name for step in plan.steps][-2:], plan.sample_rate_hz
    (['weapon high', 'weapon low again'], 1000000.0)
    """
    if not 0 <= losses <= 20:
        raise HintError(
            f"{losses} losses of signal cannot be planned; give 0 to 20. `pwmscope inspect` counts "
            "those of several recordings together."
        )
    rate_hz, hold_s = _need(within_us, scatter_us)
    names = Wording(sheet, mode)
    steps = [
        *(_power_up_steps(names) if _begins_off(sheet, power_up) else ()),
        PlanStep(
            "rest", max(REST_S, hold_s), {}, names.rest,
            "neutral or the weapon's low end, jitter, frame period",
        ),
        *_axis_steps(names, hold_s),
        *(_drive_steps(names, hold_s) if names.drives else ()),
        *_weapon_steps(names, hold_s),
        *_other_steps(names, hold_s),
        *_loss_steps(names, hold_s, losses),
        *(_state_steps(names) if states else ()),
    ]  # fmt: skip
    return plan_of(sheet, steps, mode, within_us, rate_hz)


def refuse_short_losses(plan: CapturePlan, sheet: BenchSheet) -> None:
    r"""Refuse a plan whose losses end before a sheet's failsafe limit can be shown.

    Link records and calibrations of the marker ask another question and pass.

    >>> from pwmscope.bench import parse_sheet
    >>> steps = (PlanStep("rest", 3.0, {}), PlanStep("off", 2.5, {}, transmitter_on=False))
    >>> refuse_short_losses(CapturePlan(steps), parse_sheet("[limits]\nfailsafe_s = 2"))
    """
    if plan.is_link_record or plan.is_marker_calibration:
        return
    least_s = sheet.failsafe_s + PAST_LIMIT_S
    for is_on, steps in itertools.groupby(plan.steps, key=lambda step: step.transmitter_on):
        own = list(steps)
        lasts_s = sum(step.seconds for step in own)
        if not is_on and own[0] is not plan.steps[0] and lasts_s < least_s:
            raise HintError(
                f"Step '{own[0].name}' switches off for {lasts_s:g} s, but the limit is "
                f"{sheet.failsafe_s:g} s. Give it {least_s:g} s or more."
            )


TABLE_S: Final = 3.0
"""How long each step at the table is held: a person can count it."""


TABLE_LEAD_S: Final = 15.0
TABLE_START_S: Final = 5.0
TABLE_READ_S: Final = 20.0
"""To plug the test lead in, start the recorder, save and read: own estimates, not yet timed."""


def table_handling(plan: CapturePlan) -> tuple[str, str, str]:
    """Say how long a test at the table takes, its parts in seconds, and what is estimated."""
    whole_s = TABLE_LEAD_S + TABLE_START_S + plan.seconds + TABLE_READ_S
    return (
        f"From lead to verdict: about {math.ceil(whole_s)} s, estimated.",
        f"The lead takes {TABLE_LEAD_S:g} s, starting {TABLE_START_S:g} s, the steps "
        f"{plan.seconds:g} s, saving and reading {TABLE_READ_S:g} s.",
        "All but the steps are own estimates. Time them with a watch at your table.",
    )


def make_table_plan(sheet: BenchSheet, *, mode: Mode = 2) -> CapturePlan:
    r"""Plan the shortest recording with one loss, for a table at an event.

    Rest, hold, transmitter off, transmitter on, let go. With the sticks up at the return that is a
    step of its own; a transmitter that refuses it gets its sticks at rest first.

    >>> from pwmscope.bench import parse_sheet
    >>> plan = make_table_plan(parse_sheet('[channels.A]\nrole = "weapon"'))
    >>> [step.name for step in plan.steps][2:], plan.seconds
    (['transmitter off', 'link back with sticks up', 'let go'], 16.5)
    """
    names = Wording(sheet, mode)
    loss = _Loss.of(names)
    down = not sheet.transmitter.starts_with_sticks_up
    on_s = ON_S + sheet.transmitter.boot_s
    off_s = sheet.failsafe_s + 3.0 * PAST_LIMIT_S
    steps = [
        PlanStep("rest", TABLE_S, {}, f"Transmitter on the table. {names.rest}",
                 "where each output rests", who=NO_HAND),
        loss.step("hold", TABLE_S, loss.hold, "each output off its rest"),
        loss.step("transmitter off", off_s, f"Transmitter off, {loss.still}.",
                  f"whether each output stops within {names.failsafe_s:g} s", transmitter_on=False),
    ]  # fmt: skip
    if down:
        steps += [
            names.rest_before_link("rest before the link"),
            PlanStep("link back at rest", on_s, {}, "Transmitter on. Touch nothing.",
                     "the recovery", who=ONE_HAND),
        ]  # fmt: skip
    else:
        steps += [
            loss.step("link back with sticks up", on_s,
                      f"Keep clear: outputs may jump. Transmitter on, {loss.still}.",
                      "what the outputs do as the link comes back"),
            PlanStep("let go", TABLE_S, {}, names.rest, "that everything is at rest again",
                     who=ONE_HAND),
        ]  # fmt: skip
    return plan_of(sheet, steps, mode)


@dataclass(frozen=True, slots=True)
class _Loss:
    """How the controls are held in a loss, in words, and by whom."""

    sticks: Mapping[Axis, float]
    controls: Mapping[str, float]
    hold: str
    still: str
    who: str

    def step(
        self, name: str, seconds: float, hands: str, shows: str, *, transmitter_on: bool = True
    ) -> PlanStep:
        """Make a step in which all is held so."""
        return PlanStep(
            name, seconds, self.sticks, hands, shows, transmitter_on, controls=self.controls,
            who=self.who,
        )  # fmt: skip

    @classmethod
    def of(cls, names: Wording) -> _Loss:
        """Choose it: each output that moves is off its rest."""
        sticks, controls = _off_rest(names), names.others_held
        told = [names.hold(sticks)] if sticks else []
        told += [names.set_to(line, to) for line, to in controls.items()]
        held = "both sticks" if _both(names, sticks) else "the stick"
        still = f"still holding {held}" if sticks else "everything left as it is"
        # What springs back needs a thumb, and the switch a hand.
        sprung = [axis for axis in sticks if axis != "throttle" or not names.throttle_rests_low]
        who = TWO_PEOPLE if _both(names, sprung) else TWO_HANDS if sprung else ONE_HAND
        return cls(sticks, controls, " ".join(told), still, who)


def wired_axes(sheet: BenchSheet) -> tuple[Axis, ...]:
    r"""List the stick axes that may move something, by the sheet; all where it does not say.

    >>> from pwmscope.bench import parse_sheet
    >>> wired_axes(parse_sheet('[channels.A]\nrole = "drive-left"\n[channels.B]\nrole = "weapon"'))
    ('aileron', 'elevator', 'throttle')
    """
    moved = [axes for line in sheet.channels.values() if (axes := _axes_of(line)) is not None]
    return tuple(axis for axis in AXES if not moved or any(axis in axes for axes in moved))


def _axes_of(channel: BenchChannel) -> tuple[Axis, ...] | None:
    """Axes that may move one line; None where it is no line that a control moves."""
    axis = next(
        (a for a in AXES if a in {channel.control, channel.role.removeprefix("stick-")}), ""
    )
    if axis:
        return (*(("elevator", "aileron") if channel.role in DRIVES else ()), axis)
    if not channel.is_device:
        return None
    if channel.role in (*DRIVES, *INTO_MIXER):
        return ("elevator", "aileron")
    if channel.control is not None or channel.role == "kill":
        return ()
    return ("throttle",) if channel.role == "weapon" else AXES


def _begins_off(sheet: BenchSheet, power_up: bool | None) -> bool:
    """Whether the recording begins with the transmitter off."""
    marker = sheet.marker
    can_tell = marker is not None and marker.on is not None and marker.kind != "button"
    if power_up and marker is not None and not can_tell:
        raise HintError(
            f"Line {marker.line} cannot show power-up. The sheet needs marker.on and a marker "
            "that no hand presses."
        )
    return can_tell if power_up is None else power_up


def _need(within_us: float, scatter_us: float) -> tuple[float, float]:
    """Sample rate and length of a hold for a wanted uncertainty, the sampling in step."""
    # As many pulses as leave the scatter a tenth of the wanted variance.
    pulses = max(1, round(40.0 * (scatter_us / within_us) ** 2)) if within_us > 0.0 else 1
    least_hz = needed_rate_hz(within_us, pulses=pulses, scatter_us=scatter_us)
    if least_hz is None:
        raise HintError(
            f"No sample rate gives a width within {within_us:g} us: the analyser's clock alone, "
            "100 ppm, is more. Give a larger `within_us`."
        )
    rate_hz = offered_rate_hz(least_hz)
    enough = needed_pulses(within_us, rate_hz, scatter_us=scatter_us) or pulses
    hold_s = round(max(HOLD_S, SETTLE_S + enough * SLOW_FRAME_S), 1)
    if hold_s > 60.0:
        raise HintError(
            f"A scatter of {scatter_us:g} us leaves a width within {within_us:g} us only after "
            f"{hold_s:.0f} s of holding still. Give a larger `within_us`."
        )
    return rate_hz, hold_s


class Wording:
    """What the hands do, in words, for one sheet and mode."""

    def __init__(self, sheet: BenchSheet, mode: Mode) -> None:
        roles = [channel.role for channel in sheet.channels.values()]
        weapons = [c for c in sheet.channels.values() if c.role == "weapon"]
        self.others = {c.line: c for c in sheet.devices if c.other_control}
        sticks = [c for c in weapons if c.line not in self.others]
        self.wired = wired_axes(sheet)
        self.drives = any(role in (*DRIVES, *INTO_MIXER) for role in roles)
        self.weapon = bool(sticks)
        self.throttle_rests_low = not any(w.neutral_us is not None for w in sticks)
        self.marker = sheet.marker
        self.failsafe_s = sheet.failsafe_s
        self.boot_s = sheet.transmitter.boot_s
        self.refuses = not sheet.transmitter.starts_with_sticks_up
        self._mode = mode
        down = ", the throttle all the way down" if self.throttle_rests_low else ""
        off = " Switches and dials off." if self.others else ""
        self.let_go = f"Let go of both sticks{down}.{off}"
        self.rest = f"{self.let_go} Touch nothing."

    @property
    def others_held(self) -> dict[str, float]:
        """Where what is no stick stands in a loss: switches on, dials half way."""
        return {line: HALF if c.control == "dial" else 1.0 for line, c in self.others.items()}

    def set_to(self, line: str, to: float) -> str:
        """Say how to set what is no stick."""
        channel = self.others[line]
        what = channel.other_control
        device = channel.device or f"{channel.role} ({line})"
        if channel.role == "kill":
            return f"Set the kill switch ({line}) to power {'on' if to > 0.0 else 'off'}."
        if what == "button":
            return f"Hold the button of the {device}."
        place = "half way" if abs(to) < 1.0 else "off" if to < 0.0 else "on"
        return f"Set the {what} of the {device} {'to ' if place == 'half way' else ''}{place}."

    def stick(self, axis: Axis) -> str:
        """Name the stick that an axis lies on."""
        return "left stick" if axis in LEFT_STICK[self._mode] else "right stick"

    def go(self, axis: Axis, to: float) -> str:
        """Say how to move one axis off its rest."""
        way = WAYS[axis][0 if to > 0 else 1]
        far = "half way" if abs(to) < 1 else "all the way"
        return f"{self.stick(axis).capitalize()} {far} {way}, and hold it."

    def hold(self, sticks: Mapping[Axis, float]) -> str:
        """Say where both sticks are held, one sentence for each."""
        ways: dict[str, list[str]] = {}
        for axis, to in sticks.items():
            far = "a little" if abs(to) < HALF else "half way"
            ways.setdefault(self.stick(axis), []).append(f"{far} {WAYS[axis][0 if to > 0 else 1]}")
        return " ".join(
            f"{stick.capitalize()} {' and '.join(moves)}, and hold it."
            for stick, moves in ways.items()
        )

    def rest_before_link(self, name: str) -> PlanStep:
        """Bring all to rest while the transmitter is still off."""
        return PlanStep(
            name, TABLE_S, {}, f"Still off. {self.rest}", "that the outputs stay as they are",
            transmitter_on=False, who=ONE_HAND,
        )  # fmt: skip

    def back(self, axis: Axis) -> str:
        """Say how to bring one axis back to its rest."""
        if axis == "throttle" and self.throttle_rests_low:
            return f"{self.stick(axis).capitalize()} all the way down, and leave it."
        return f"Let go of the {self.stick(axis)}."


def _other_steps(names: Wording, hold_s: float) -> Iterator[PlanStep]:
    """Move each switch, dial and button alone, from place to place."""
    for line, channel in names.others.items():
        places = [1.0]
        if channel.control == "dial":
            places = [HALF, 1.0]
        elif channel.positions == 3:
            places = [0.0, 1.0]
        for to in places:
            yield PlanStep(
                f"{channel.other_control} of {line} {'half way' if to < 1.0 else 'on'}", hold_s, {},
                names.set_to(line, to or HALF), "the width of this place",
                controls={line: to or LITTLE}, who=ONE_HAND,
            )  # fmt: skip
        off = "Let go of the button." if channel.control == "button" else names.set_to(line, -1.0)
        name = f"{channel.other_control} of {line} off"
        yield PlanStep(name, hold_s, {}, off, "the way back", who=ONE_HAND)


def _power_up_steps(names: Wording) -> Iterator[PlanStep]:
    yield PlanStep(
        "power up", POWER_UP_S, {},
        f"Transmitter off. {names.let_go} Give the robot its power now.",
        "what each output does before the link", transmitter_on=False,
    )  # fmt: skip
    yield PlanStep(
        "first link", POWER_UP_S + names.boot_s, {}, "Transmitter on. Leave both sticks alone.",
        "that nothing runs as the link comes",
    )  # fmt: skip


def _axis_steps(names: Wording, hold_s: float) -> Iterator[PlanStep]:
    for axis in AXES:
        if axis == "throttle" or axis not in names.wired:
            continue
        plus, minus = WAYS[axis]
        shows = f"which outputs follow the {axis}, how far, and which way"
        yield PlanStep(f"{axis} {plus}", hold_s, {axis: 1.0}, names.go(axis, 1.0), shows)
        yield PlanStep(
            f"{axis} {minus}", hold_s, {axis: -1.0}, names.go(axis, -1.0), "the other end"
        )
        yield PlanStep(f"{axis} let go", hold_s, {}, names.back(axis), "the way back to neutral")
    if names.weapon or "throttle" not in names.wired:
        return
    shows = "which outputs follow the throttle, how far, and which way"
    yield PlanStep("throttle up", hold_s, {"throttle": 1.0}, names.go("throttle", 1.0), shows)
    yield PlanStep("throttle back", hold_s, {}, names.back("throttle"), "the way back")


def _drive_steps(names: Wording, hold_s: float) -> Iterator[PlanStep]:
    moves: tuple[tuple[str, Axis, float], ...] = (
        ("forward", "elevator", 1.0),
        ("back", "elevator", -1.0),
        ("left", "aileron", -1.0),
        ("right", "aileron", 1.0),
    )
    for name, axis, to in moves:
        hands = f"Drive {name}: {names.go(axis, to)[0].lower()}{names.go(axis, to)[1:]}"
        shows = "whether both drives turn as this move needs, from rest and back to it"
        yield PlanStep(f"drive {name}", hold_s, {axis: to}, hands, shows)
        yield PlanStep(f"stop after {name}", hold_s, {}, names.back(axis), "the stop")


def _weapon_steps(names: Wording, hold_s: float) -> Iterator[PlanStep]:
    if not names.weapon:
        return
    up, down = names.go("throttle", 1.0), names.go("throttle", -1.0)
    if names.throttle_rests_low:
        yield PlanStep("weapon low", hold_s, {}, names.back("throttle"), "the weapon's low end")
        yield PlanStep("weapon high", hold_s, {"throttle": 1.0}, up, "the weapon's high end")
        back = names.back("throttle")
        yield PlanStep("weapon low again", hold_s, {}, back, "the way back to the low end")
        return
    yield PlanStep("weapon high", hold_s, {"throttle": 1.0}, up, "the weapon's high end")
    yield PlanStep("weapon low", hold_s, {"throttle": -1.0}, down, "the weapon's low end")
    yield PlanStep("weapon stop", hold_s, {}, names.back("throttle"), "the weapon's stop")


def _loss_steps(names: Wording, hold_s: float, losses: int) -> Iterator[PlanStep]:
    loss, marker = _Loss.of(names), names.marker
    seen = "" if marker is None else f" Line {marker.line} must change with the switch."
    on_s = ON_S + names.boot_s
    for number, off_s in enumerate(_off_lengths_s(names.failsafe_s, losses), 1):
        yield loss.step(
            f"held half way {number}", hold_s, loss.hold, "where the outputs are before the loss"
        )
        yield loss.step(
            f"transmitter off {number}", off_s, f"Transmitter off, {loss.still}.{seen}",
            f"what each output does, and whether it stops within {names.failsafe_s:g} s",
            transmitter_on=False,
        )  # fmt: skip
        if names.refuses:
            yield names.rest_before_link(f"rest before the link {number}")
            yield PlanStep(
                f"transmitter on {number}", on_s, {}, "Transmitter on. Touch nothing.",
                "the recovery",
            )  # fmt: skip
            continue
        hands = f"Transmitter on, {loss.still}."
        yield loss.step(f"transmitter on {number}", on_s, hands, "the recovery")
        yield PlanStep(
            f"let go {number}", hold_s, {}, names.rest, "that everything is at rest again"
        )


def _state_steps(names: Wording) -> Iterator[PlanStep]:
    """Bring the link into each state: lost, restarted, back sticks up, lost soon, back at rest."""
    loss = _Loss.of(names)
    off_s = names.failsafe_s + 3.0 * PAST_LIMIT_S
    up = loss
    if names.refuses:
        up = replace(loss, sticks={}, controls={}, still="touching nothing")
    yield loss.step("states: hold", TABLE_S, loss.hold, "each output off its rest")
    yield loss.step("states: lost", off_s, f"Transmitter off, {loss.still}.",
                    "what each output does", transmitter_on=False)  # fmt: skip
    if names.refuses:
        yield names.rest_before_link("states: rest")
    yield replace(up, who=TWO_PEOPLE).step(
        "states: receiver restarted", RESTART_S,
        "Still off. Take the robot's power away for 2 s and give it back.",
        "what each output does after a restart without the link", transmitter_on=False,
    )  # fmt: skip
    yield up.step(
        "states: link back with sticks up", SOON_ON_S + names.boot_s,
        f"Keep clear: outputs may jump. Transmitter on, {up.still}.",
        "what the outputs do as the link comes back",
    )  # fmt: skip
    yield up.step("states: lost soon", off_s, f"Transmitter off again at once, {up.still}.",
                  "whether presets are there within seconds of linking",
                  transmitter_on=False)  # fmt: skip
    yield names.rest_before_link("states: rest before the link")
    yield PlanStep(
        "states: link back at rest", ON_S + names.boot_s, {}, "Transmitter on. Touch nothing.",
        "that nothing runs", who=ONE_HAND,
    )  # fmt: skip


def _off_lengths_s(failsafe_s: float, losses: int) -> list[float]:
    """Spread the lengths of the losses evenly, in an order without a rhythm.

    Up to half a prime's worth of squares leave unlike remainders, in no rhythm.
    """
    least_s = max(OFF_S[0], failsafe_s + PAST_LIMIT_S)
    most_s = max(OFF_S[1], least_s + SPREAD_S)
    if losses == 1:
        return [most_s]
    turns = [k * k % _PRIME for k in (*range(7, 21), *range(1, 7))][:losses]
    ranks = {turn: rank for rank, turn in enumerate(sorted(turns))}
    step_s = (most_s - least_s) / max(losses - 1, 1)
    return [round(least_s + step_s * ranks[turn], 1) for turn in turns]


def _off_rest(names: Wording) -> dict[Axis, float]:
    """Choose where the sticks are held in a loss: each output that moves is off its rest.

    Forward and right are held unequally, so that neither side of a mixed drive is
    at neutral, nor one of an unmixed.
    """
    order: tuple[Axis, ...] = ("elevator", "aileron", "throttle", "rudder")
    held = {axis: HALF for axis in order if axis in names.wired}
    return {**held, "aileron": LITTLE} if names.drives else held


def _both(names: Wording, axes: Iterable[Axis]) -> bool:
    return len({names.stick(axis) for axis in axes}) > 1
