"""Plans of recordings made once: what binding left behind, and how late the marker is."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Final

from pwmscope.bench.equipment import BenchChannel, BenchSheet
from pwmscope.bench.plan import (
    AXES,
    LEFT_STICK,
    NO_HAND,
    TWO_HANDS,
    WAYS,
    Axis,
    CapturePlan,
    Mode,
    PlanStep,
    Wording,
    plan_of,
    wired_axes,
)
from pwmscope.errors import HintError

ALONE_S: Final = 8.0
LINK_S: Final = 6.0
STIR_S: Final = 1.2
"""How long both sticks stay in a corner: a person gets there and counts one."""
PUSH_S: Final = (4.0, 1.2)
"""The long end and the short one. One control begins with the long end, the next with the short
one, so that a hand that falls behind is noticed."""
ONE_PUSH_S: Final = 3.5
"""A push one way only lasts longer than a stick that is bumped into."""
REST_S: Final = 6.0
LET_GO_S: Final = 6.3
"""Between two controls nothing moves for so long, so that late hands mistake none for another."""
CHOOSE_S: Final = 15.0
"""Enough to find another model memory, or to switch transmitters."""
CHECK_S: Final = 2.0
"""How long both sticks stay in a corner that tells the axes apart."""
STROKE_S: Final = 3.0
"""How long a switch, a dial or a button is off its rest; half as long where it goes there twice."""
BETWEEN_S: Final = 0.8
"""How long it rests between both."""


def make_link_plan(sheet: BenchSheet, *, mode: Mode = 2) -> CapturePlan:
    r"""Plan the recording that shows what binding left behind.

    The receiver alone, the first link, each control once between two stirs of both sticks, four
    corners that tell the axes apart, another model memory, and the own one again.

    >>> from pwmscope.bench import parse_sheet
    >>> plan = make_link_plan(parse_sheet('[channels.RX1]\nrole = "servo"'))
    >>> plan.is_link_record, plan.steps[0].name, round(plan.seconds)
    (True, 'receiver alone', 141)
    """
    names = Wording(sheet, mode)
    rest, rests_low = names.let_go, names.throttle_rests_low
    steps = (
        PlanStep(
            "receiver alone", ALONE_S, {},
            f"Transmitter off. {rest} Give the robot its power now.",
            "what each output does without the link", transmitter_on=False,
        ),
        PlanStep(
            "first link", LINK_S, {}, "Transmitter on. Leave both sticks alone.",
            "how long the link takes, and that nothing runs",
        ),
        *_stir("before", rests_low=rests_low),
        PlanStep("rest before", REST_S, {}, f"{rest} Touch nothing."),
        *(step for axis in AXES for step in _control(axis, mode, rest, rests_low=rests_low)),
        *_others(names.others),
        *_stir("after", rests_low=rests_low),
        PlanStep("rest after", REST_S, {}, f"{rest} Touch nothing."),
        *_check(mode, rests_low=rests_low),
        PlanStep("rest checked", REST_S, {}, f"{rest} Touch nothing."),
        PlanStep(
            "another memory", CHOOSE_S, {},
            "Choose another model memory. Or switch off, and another bound transmitter on.",
            "that the link belongs to one memory", other_memory=True,
        ),
        *_stir("other", rests_low=rests_low, other_memory=True),
        PlanStep(
            "own memory again", CHOOSE_S, {}, f"{rest} Choose this robot's own memory again.",
            "that the link comes back",
        ),
        *_stir("again", rests_low=rests_low),
        PlanStep("rest at the end", REST_S, {}, f"{rest} Touch nothing."),
    )  # fmt: skip
    return plan_of(sheet, steps, mode)


def _stir(when: str, *, rests_low: bool, other_memory: bool = False) -> Iterator[PlanStep]:
    """Both sticks to two corners, twice: no single control looks like it."""
    for number in (1, 2):
        for where, to in (("far right", 1.0), ("near left", -1.0)):
            sticks: dict[Axis, float] = dict.fromkeys(AXES, to)
            if to < 0 and rests_low:
                del sticks["throttle"]
            yield PlanStep(
                f"stir {when} {number} {where}", STIR_S, sticks,
                f"Both sticks to the {where} corner.",
                "" if other_memory or number == 2 or to < 0 else "when the controls begin and end",
                other_memory=other_memory,
            )  # fmt: skip


def _control(axis: Axis, mode: Mode, rest: str, *, rests_low: bool) -> Iterator[PlanStep]:
    on_left = axis in LEFT_STICK[mode]
    stick = "Left stick" if on_left else "Right stick"
    shows = f"which outputs follow the {axis}, and which way"
    one_way = axis == "throttle" and rests_low
    pushes_s = (ONE_PUSH_S,) if one_way else PUSH_S[:: (-1) ** AXES.index(axis)]
    for to, way, lasts_s in zip((1.0, -1.0), WAYS[axis], pushes_s, strict=False):
        hands = f"{stick} all the way {way}, and hold it for {lasts_s:g} s."
        yield PlanStep(f"{axis} {way}", lasts_s, {axis: to}, hands, shows if to > 0 else "")
    yield PlanStep(f"{axis} let go", LET_GO_S + sum(PUSH_S) - sum(pushes_s), {}, rest)


def _check(mode: Mode, *, rests_low: bool) -> Iterator[PlanStep]:
    """Both sticks to four corners: no two axes go the same ways in them."""
    for name, left, right in (
        ("far left", (-1.0, 1.0), (-1.0, 1.0)),
        ("near right", (1.0, -1.0), (1.0, -1.0)),
        ("right far", (-1.0, -1.0), (1.0, 1.0)),
        ("left far", (1.0, 1.0), (-1.0, -1.0)),
    ):
        sticks: dict[Axis, float] = {}
        for axis in AXES:
            side = left if axis in LEFT_STICK[mode] else right
            to = side[0 if axis in {"aileron", "rudder"} else 1]
            if axis != "throttle" or to > 0.0 or not rests_low:
                sticks[axis] = to
        corners = [f"the {_corner(side)} corner" for side in (left, right)]
        hands = f"Both sticks to {corners[0]}."
        if left != right:
            hands = f"Left stick to {corners[0]}, right stick to {corners[1]}."
        shows = "that no two controls were exchanged" if name == "far left" else ""
        yield PlanStep(f"check {name}", CHECK_S, sticks, hands, shows)


def _corner(to: tuple[float, float]) -> str:
    return f"{'far' if to[1] > 0.0 else 'near'} {'right' if to[0] > 0.0 else 'left'}"


def _others(others: Mapping[str, BenchChannel]) -> Iterator[PlanStep]:
    """Each switch, dial and button alone: the first once, the next twice, and so on in turn."""
    for number, (line, channel) in enumerate(others.items(), 1):
        kind = channel.other_control
        control = f"{kind} of {line}"
        device = channel.device or channel.role
        what = f"kill switch ({line})" if channel.role == "kill" else f"{kind} of {device} ({line})"
        middle = kind == "dial" or (kind == "switch" and channel.positions == 3)
        places = [("half way", 0.0)] * middle + [("on", 1.0)]
        strokes = 2 - number % 2
        stay_s = STROKE_S / strokes
        for stroke in range(1, strokes + 1):
            for place, to in places:
                first = stroke == 1 and place == places[0][0]
                shows = f"which outputs follow the {control}" if first else ""
                hands = f"Hold the {what}." if kind == "button" else f"Set the {what} {place}."
                yield PlanStep(
                    f"{control} {stroke} {place}", stay_s / len(places), {}, hands, shows,
                    controls={line: to},
                )  # fmt: skip
            off = f"Let go of the {what}." if kind == "button" else f"Set the {what} off."
            lasts_s = BETWEEN_S if stroke < strokes else LET_GO_S
            yield PlanStep(f"{control} {stroke} off", lasts_s, {}, off)


CIRCLE_S: Final = 3.0
OFF_S: Final = 4.0
ON_S: Final = 3.0
MIN_OFFS: Final = 5
USUAL_OFFS: Final = 10


def make_marker_plan(sheet: BenchSheet, *, mode: Mode = 2, losses: int = USUAL_OFFS) -> CapturePlan:
    """Plan the recording that shows how late the marker is.

    One stick is circled all the time, while the transmitter goes off and on again.

    >>> from pwmscope.bench import parse_sheet
    >>> sheet = parse_sheet('''
    ... [marker]
    ... line = "lamp"
    ... on = "high"
    ... kind = "light"
    ... late_s = 5
    ... [channels.RX1]
    ... role = "drive-left"
    ... ''')
    >>> plan = make_marker_plan(sheet, losses=5)
    >>> plan.steps[2].name, plan.steps[2].moves, plan.seconds
    ('transmitter off 1', ('aileron', 'elevator'), 53.0)
    """
    marker = sheet.marker
    if marker is None:
        raise HintError(
            "The sheet names no marker, so there is nothing to calibrate. Add [marker] with its "
            "line, on and kind; without one, losses are only inferred."
        )
    if marker.on is None:
        raise HintError(
            f'The sheet does not say which level of {marker.line} means on. Write on = "high" or '
            'on = "low" under [marker].'
        )
    if not MIN_OFFS <= losses <= 20:
        raise HintError(f"{losses} times off cannot be planned; give {MIN_OFFS} to 20.")
    moves, hands = _circled(sheet, mode)
    up = sheet.transmitter.starts_with_sticks_up
    lasts_s = ON_S + sheet.transmitter.boot_s
    press = " Press the button as you switch." if marker.kind == "button" else ""
    steps = [
        PlanStep(
            "rest", CIRCLE_S, {}, "Transmitter on. Let go of both sticks. Touch nothing.",
            "how much the widths scatter", who=NO_HAND,
        )
    ]  # fmt: skip
    for number in range(1, losses + 1):
        steps += [
            PlanStep(f"circle {number}", CIRCLE_S, {}, hands, who=TWO_HANDS, moves=moves),
            PlanStep(
                f"transmitter off {number}", OFF_S, {},
                f"Transmitter off with the other hand. Do not stop the stick.{press}",
                f"how long after the last fresh frame line {marker.line} changes",
                transmitter_on=False, who=TWO_HANDS, moves=moves,
            ),
            PlanStep(
                f"transmitter on {number}", lasts_s, {},
                f"Transmitter on{'. Move on.' if up else ', the stick let go. Then move it again.'}"
                f"{press}",
                "how late it is on again", who=TWO_HANDS, moves=moves,
            ),
        ]  # fmt: skip
    return plan_of(sheet, steps, mode)


def _circled(sheet: BenchSheet, mode: Mode) -> tuple[tuple[Axis, ...], str]:
    """Choose the stick that moves most outputs, a drive's before a weapon's, and how to move it."""
    wired = wired_axes(sheet)
    left = tuple(axis for axis in wired if axis in LEFT_STICK[mode])
    right = tuple(axis for axis in wired if axis not in left)
    if not wired:
        raise HintError(
            "No stick of this sheet moves an output, so no frame shows when the link goes. Put a "
            "servo on a stick for the calibration."
        )

    def worth(axes: tuple[Axis, ...]) -> tuple[int, bool]:
        return len(axes) - ("throttle" in axes), "elevator" in axes

    moves = max(right, left, key=worth)
    stick = "left stick" if moves is left else "right stick"
    if len(moves) > 1:
        return moves, f"Circle the {stick}, about one turn a second, and do not stop."
    ways = " and ".join(WAYS[moves[0]])
    return moves, f"Move the {stick} {ways}, about once a second, and do not stop."
