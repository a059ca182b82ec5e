"""The shapes of the JSON documents: what each field of schema 1 holds.

The schemas in docs/ are generated from these types (`python docs/make_schemas.py`); a text below
a field is its description there. Fields are only added.
"""

from __future__ import annotations

from typing import Annotated, Literal, NotRequired, TypeAlias

from annotated_types import Ge, Gt, Le, Len, MinLen
from typing_extensions import TypedDict

from pwmscope.advice import SettingAction, SettingName, Trend
from pwmscope.findings.failsafe import (
    Cause,
    Ground,
    Known,
    LeftOutKind,
    LinkState,
    LossClass,
    PhaseKind,
    Polarity,
)
from pwmscope.model import HazardKind, Verdict

Number: TypeAlias = float | None
NotNegative: TypeAlias = Annotated[float, Ge(0)]
Count: TypeAlias = Annotated[int, Ge(0)]
Sentence: TypeAlias = Annotated[str, MinLen(1)]
Interval: TypeAlias = Annotated[list[float], Len(2, 2)]
Bounds: TypeAlias = Annotated[list[NotNegative], Len(2, 2)]
AxisName: TypeAlias = Literal["aileron", "elevator", "throttle", "rudder"]
SideName: TypeAlias = Literal["left", "right", "forward", "turn"]

# --- findings ---


class Evidence(TypedDict):
    """Where in the recording an answer rests."""

    start_s: float
    end_s: float
    pulses: Count
    first_pulse: Count | None
    """Row of the first pulse used in the line's pulse table."""
    last_pulse: Count | None


class Finding(TypedDict):
    """One answer."""

    name: str
    value: float | str | None
    unit: str
    uncertainty: NotNegative | None
    """Standard uncertainty (k = 1) in the value's unit."""
    limit: str
    verdict: Verdict | None
    """Null for a value that has no limit to be held against."""
    sentence: Sentence
    to_do: NotRequired[Sentence]
    """What to do so that it is shown; the sentence ends with it."""
    interval: Interval | None
    """95 % coverage interval in the value's unit, where it is not the value plus and minus twice
    the uncertainty."""
    evidence: list[Evidence]


class Convention(TypedDict):
    """What a line is held against."""

    name: str
    low_us: float
    neutral_us: float
    high_us: float
    source: str


class Summary(TypedDict):
    """Moments of a column; null where too few pulses were measured."""

    median: Number
    mean: Number
    min: Number
    max: Number
    std: Number


class Jitter(TypedDict):
    """Jitter, with the scatter that sampling alone gives."""

    rms: Number
    peak_to_peak: Number
    sampling_floor_rms: Number


class Endpoints(TypedDict):
    """Outermost widths."""

    low: Number
    high: Number


class Moment(TypedDict):
    """How, and how well, the moment of a loss is known."""

    known: Known
    within_s: NotNegative | None
    """Marked: the sample interval. Stated: the half-width of the person's uncertainty."""
    last_following_s: NotNegative | None
    """Inferred: when an output was last seen to follow, the earliest the signal can have gone."""


class Phase(TypedDict):
    """One step of what an output did."""

    kind: PhaseKind
    start_s: NotNegative
    end_s: NotNegative
    level_us: NotRequired[float]


class Recovery(TypedDict):
    """What an output did when the link came back."""

    relink_s: NotNegative | None
    """From the transmitter's return, where a marker tells it, until the output was seen to
    follow."""
    jump: bool
    """Whether the output jumped out of its stop range within one frame."""
    jump_to_us: NotRequired[float]
    odd_pulses: Count
    outside_convention: Count


_Class = TypedDict("_Class", {"class": LossClass | None})
"""The field that is a word of Python."""


class Loss(_Class):
    """One loss as one line shows it."""

    lost_s: NotNegative
    settle_s: NotNegative | None
    settle_bounds_s: Bounds | None
    """Least and most that the settle time can be; where the moment is inferred, the least is 0."""
    recovered_s: NotNegative | None
    settled_us: Number
    stop_s: NotNegative | None
    """Seconds from the loss until the device on the line was commanded to stand still, for
    good."""
    stop_bounds_s: Bounds | None
    marked: bool
    restart: bool
    """True where all lines went quiet while the transmitter was on: a supply or receiver restart,
    not a loss."""
    moment: Moment
    phases: list[Phase]
    """What the output did, step by step."""
    verdict: Verdict | None
    reason: Sentence
    to_do: NotRequired[Sentence]
    """What to do so that it is shown; the reason ends with it."""
    recovery: Recovery
    known_from: str
    sentence: str


class Channel(TypedDict):
    """What was found about one line."""

    pulses: Count
    convention: Convention
    width_us: Summary
    period_us: Summary
    frame_rate_hz: Number
    jitter_us: Jitter
    period_jitter_us: Jitter
    endpoints_us: Endpoints
    neutral_us: Number
    neutral_offset_us: Number
    outside_convention: Count | None
    glitches: Count | None
    missing_frames: Count | None
    inverted: bool | None
    signal_loss: list[Loss]
    verdict: Verdict
    findings: list[Finding]
    notes: dict[str, Sentence]
    """Path of a null, 'signal_loss' where no loss was seen, or 'line': the reason."""


class Capture(TypedDict):
    """The recording."""

    source: str
    start_s: NotRequired[NotNegative]
    """Where the examined part begins, in seconds since the recording's start."""
    duration_s: Annotated[float, Gt(0)]
    sample_interval_ps: Annotated[float, Gt(0)] | None
    """Null where neither the file nor the person states it and the change times do not show it;
    the assumptions say so."""
    assumptions: list[Sentence]


class Limits(TypedDict):
    """What the figures were held against."""

    neutral_us: float
    overshoot_us: float
    jitter_us: float
    failsafe_s: float
    source: str
    excursion_us: NotRequired[float]
    """Farthest a single width may stray while the stick is held."""
    weapon_motion_s: NotRequired[float]
    """Longest time from signal loss until a weapon turns slowly."""
    drive_motion_s: NotRequired[float]


class Sensor(TypedDict):
    """What was found about a rotation or supply line, or in a link record."""

    role: Literal["rotation", "supply", "link"]
    of: str | None
    """The line of the device that turns; null for a supply and a link record."""
    findings: list[Finding]


class FindingsDocument(TypedDict):
    """What `pwmscope measure --json` and `pwmscope report` write.

    Times are seconds since the capture's start, widths and periods microseconds. A null has its
    reason in the channel's notes, under its own path (such as signal_loss[0].settle_s) or under
    'line' where the whole line could not be measured.
    """

    schema: Literal[1]
    capture: Capture
    limits: Limits
    recording: NotRequired[list[Finding]]
    """Findings about the lines together."""
    channels: dict[str, Channel]
    sensors: NotRequired[dict[str, Sensor]]
    """The bench sheet's rotation and supply lines."""
    plan: NotRequired[LaidPlan]
    """How the recording goes with the plan that was given."""


class LaidPlan(Finding):
    """A plan laid over a recording; where it does not fit it was not used."""

    fits: bool


# --- failsafe check ---


class FailsafeLimit(TypedDict):
    """What the stop times are held against."""

    failsafe_s: Annotated[float, Gt(0)]
    source: str


class SheetName(TypedDict):
    """The bench sheet."""

    source: str
    robot: str


class FailsafeRecording(TypedDict):
    """One recording of the check."""

    source: str
    start_s: float
    duration_s: NotNegative
    sample_interval_ps: Number
    marker: str | None
    """The line that marks the transmitter's switch."""
    marker_kind: Literal["switch", "button"] | None
    """Null where it is not stated; it then counts as a button."""
    marker_late_s: NotNegative | None
    """How late it is taken to change at most; null without a marker."""
    marker_polarity: Polarity | None
    """How it is known which level means on; null without a marker."""


class StopRange(TypedDict):
    """The widths at which a device stands still."""

    low_us: float
    high_us: float
    source: str


class Trials(TypedDict):
    """What all losses of a line say together."""

    meets: Count
    does_not_meet: Count
    not_shown: Count
    failure_rate_below: Annotated[float, Ge(0), Le(1)] | None
    """One-sided 95 % bound."""
    stop_s: Annotated[list[float], Len(3, 3)] | None
    """Shortest, median and longest stop time, each the most that it may be."""


class FindingOfRecording(TypedDict):
    """A finding with its recording."""

    source: str
    finding: Finding


class OtherCause(TypedDict):
    """Another cause of what a loss shows."""

    cause: Cause
    refuted: bool
    ground: Ground
    """What refutes it, or leaves it open."""
    lines: list[str]
    """Other lines that show it."""
    at_s: float | None
    odds: NotNegative | None
    """That it was so all the same, where that was reckoned."""
    losses: Count | None
    """In how many losses, where that counts."""


class LossOfRecording(TypedDict):
    """A loss with its recording."""

    source: str
    loss: Loss
    reasons: dict[str, str]
    """For each field that is null, why."""
    alternatives: list[OtherCause]
    """Every other cause, and what refutes it or leaves it open."""


class MotionStop(TypedDict):
    """What a rotor did after one loss."""

    lost_s: float
    verdict: Verdict
    reason: str
    slow_s: Bounds | None
    """Least and most time from the loss until it was slower than stated; null where not seen."""
    before_per_minute: Number
    """Turns a minute before the loss; null where it was not faster than stated."""
    silent_s: float
    """How long no mark came before the link was back."""
    below_per_minute: Number
    """So it turned more slowly than this; null where the marks in a turn are not stated."""
    slowed_s: NotRequired[Number]
    """Of a device without a pin: most time from the loss until it ran down; null where not seen."""
    again_s: NotRequired[Number]
    """Of such a device: time from the transmitter's return until it turned again."""
    alternatives: NotRequired[list[OtherCause]]
    """Of such a device: every other cause, and what refutes it or leaves it open."""


class MotionOfRecording(TypedDict):
    """What a rotor did after each loss of a recording."""

    source: str
    line: str
    """The rotation line."""
    stops: list[MotionStop]


class FailsafeLine(TypedDict):
    """The check of one line."""

    line: str
    role: str | None
    device: str
    verdict: Verdict | None
    """Null for a line without a device to stop."""
    sentence: str
    to_do: NotRequired[Sentence]
    """What to do so that it is shown; not there where it is, or where nobody knows."""
    hazards: list[str]
    stop_range: StopRange | None
    """The widths at which the device stands still; null where not known."""
    no_pulses_stop: bool | None
    """Whether the device stands still without pulses; null where not known."""
    trials: Trials
    findings: list[FindingOfRecording]
    losses: list[LossOfRecording]
    motion: NotRequired[list[MotionOfRecording]]
    """What the device itself did, where the sheet names a rotation line of it."""


class JumpHazard(TypedDict):
    """Where devices are commanded to run around the return of the link, or turn unasked."""

    kind: HazardKind
    lines: list[str]
    at_s: float
    width_us: float | None
    """Null of a device without a pin."""
    from_us: float | None
    """Null where there were no pulses."""
    times: Count
    losses: Count
    source: str
    sentence: str
    per_minute: NotRequired[float]
    """Of motion without a command: the highest speed in turns a minute."""


class LeftOut(TypedDict):
    """What the check does not rest on."""

    kind: LeftOutKind
    what: str
    from_s: float | None
    to_s: float | None
    level_us: float | None
    """The width that an unused line, or a stick's, carried while the signal was lost."""
    weighs: bool
    """Whether the check is not shown because of it, unless a failure is proven."""
    sentence: str


class StateOfLine(TypedDict):
    """What one device was shown to do in one state of the link."""

    state: LinkState
    line: str
    verdict: Verdict | None
    """Null where nothing is held against it: link back, sticks up."""
    seen: Count
    """How often the recordings hold the state; 0 for never, and it is not shown."""
    sentence: str


class FailsafeDocument(TypedDict):
    """What `pwmscope failsafe --json` writes.

    Times in seconds since each recording's start, widths in microseconds.
    """

    schema: Literal[1]
    verdict: Verdict
    headline: str
    """The answer in one line."""
    sentence: str
    """The whole check in one sentence."""
    hazards: list[JumpHazard]
    left_out: list[LeftOut]
    actions: list[str]
    """What to do next, the most dangerous first."""
    limit: FailsafeLimit
    sheet: SheetName | None
    """The bench sheet; null without one."""
    recordings: Annotated[list[FailsafeRecording], MinLen(1)]
    assumptions: list[str]
    lines: list[FailsafeLine]
    link_states: NotRequired[list[StateOfLine]]
    """For each device all states of the link; empty without a bench sheet."""


# --- settings ---


class Setting(TypedDict):
    """One setting of one channel."""

    name: SettingName
    action: SettingAction
    sentence: Sentence
    target_us: Number
    tolerance_us: Number
    change_percent: Number
    """In the transmitter's steps; for an endpoint, above 0 is farther from neutral."""
    measured_us: Number
    measured_uncertainty_us: NotNegative | None
    change_us: Number
    """Change of the width, after the settings before it in the order."""
    change_uncertainty_us: NotNegative | None
    predicted_us: Number
    predicted_uncertainty_us: NotNegative | None


class SettingsOfChannel(TypedDict):
    """The settings of one channel."""

    role: str
    device: str
    settings: list[Setting]
    """In the order in which they are changed."""
    warnings: list[Sentence]


class Compared(TypedDict):
    """One setting beside what it was."""

    line: str
    name: SettingName
    trend: Trend
    sentence: Sentence
    before_us: Number
    before_uncertainty_us: NotNegative | None
    after_us: Number
    after_uncertainty_us: NotNegative | None
    gain_us: Number
    """By how much it came nearer to what the device expects."""
    gain_uncertainty_us: NotNegative | None


class SettingsDocument(TypedDict):
    """What `pwmscope calibrate --json` writes.

    Widths are microseconds; uncertainties are standard uncertainties (k = 1).
    """

    schema: Literal[1]
    capture: str
    before: str | None
    """The earlier recording; null without one."""
    sheet: str
    robot: str
    answer: Sentence
    changes: Count
    """How many settings, or devices, need a change; above 0 with exit code 1."""
    not_shown: Count
    cautions: Annotated[list[str], MinLen(1)]
    order: Annotated[list[str], MinLen(1)]
    channels: dict[str, SettingsOfChannel]
    not_recorded: list[str]
    """Devices of the sheet whose lines are not in the recording."""
    notes: list[Sentence]
    plan_fits: bool | None
    """Whether the recording follows the plan; null without a plan."""
    compared: list[Compared]


# --- mixing ---


class MixingCapture(TypedDict):
    """The recording."""

    source: str
    start_s: NotNegative
    duration_s: Annotated[float, Gt(0)]
    sample_interval_ps: Annotated[float, Gt(0)] | None


class OutputName(TypedDict):
    """A drive output."""

    line: str
    side: SideName


class StickName(TypedDict):
    """A recorded stick."""

    line: str
    axis: AxisName


class DriveLines(TypedDict):
    """The lines that the question is about."""

    outputs: list[OutputName]
    sticks: Annotated[list[StickName], Len(0, 2)]


class Arrangement(TypedDict):
    """How the outputs follow the sticks."""

    name: str | None
    kind: (
        Literal["mixed", "unmixed", "mixed twice", "both outputs alike", "no known arrangement"]
        | None
    )
    faults: list[
        Literal[
            "outputs swapped",
            "left output reversed",
            "right output reversed",
            "elevator and aileron swapped",
            "elevator reversed",
            "aileron reversed",
        ]
    ]
    also: list[str]
    """Other arrangements that make exactly the same outputs."""
    reason: str


class MatrixRow(TypedDict):
    """What one output does, in half travels and microseconds."""

    line: str
    side: SideName
    per_half_travel: list[float]
    uncertainty: list[float]
    us: list[float]
    rest_us: float
    clips_low_us: Number
    clips_high_us: Number
    scatter_us: NotNegative


class Matrix(TypedDict):
    """The fitted matrix."""

    axes: Annotated[list[AxisName], Len(2, 2)]
    source: Literal["recorded sticks", "plan"]
    delay_frames: int | None
    frames: Annotated[int, Ge(20)]
    rows: Annotated[list[MatrixRow], Len(2, 2)]


class Response(TypedDict):
    """What the robot does at one position of the sticks."""

    stick: Literal["forward", "right", "forward-right"]
    left: float
    right: float
    motion: Sentence


class Change(TypedDict):
    """One change."""

    kind: Literal[
        "swap plugs",
        "set neutral",
        "reverse channel",
        "swap sticks",
        "mixing on",
        "mixing off",
        "equalise gains",
        "reduce travel",
    ]
    words: Sentence
    place: Literal["plugs", "ESC", "transmitter", "converter", "gyro"]
    """Where it is made; its proof holds for that place alone."""
    line: str | None
    """The output that it changes; null where it changes both."""


class Predicted(TypedDict):
    """What the changes lead to, by the recorded data."""

    name: str | None
    as_wanted: bool
    per_half_travel: Annotated[list[list[float]], Len(2, 2)]
    responses: list[Response]


class Way(TypedDict):
    """Changes to make together."""

    needed: bool
    changes: Annotated[list[Change], MinLen(1)]
    """In order of effort; all of them together."""
    predicted: Predicted


class MixingEvidence(TypedDict):
    """Where in the recording an answer rests."""

    start_s: float
    end_s: float
    pulses: Count
    first: int | None
    last: int | None


class MixingFinding(TypedDict):
    """One answer about the mixing."""

    name: Literal[
        "arrangement", "straight line", "gain balance", "clipped corners", "stick to output delay"
    ]
    value: str | float | None
    unit: str
    uncertainty: Number
    limit: str
    verdict: Verdict | None
    evidence: list[MixingEvidence]
    sentence: Sentence


class PathEnd(TypedDict):
    """One path and where it ends."""

    name: str
    seconds: float
    ahead_m: float
    left_m: float
    turned_deg: float
    """Counter-clockwise positive."""
    length_m: float
    sentence: str


class StraightLineError(TypedDict):
    """How far a straight command turns."""

    deg_per_m: float
    """Counter-clockwise positive."""
    uncertainty: float
    command: float


class StraightLine(TypedDict):
    """The same before and after the change."""

    before: StraightLineError | None
    after: StraightLineError | None


class Course(TypedDict):
    """Where the robot would go."""

    planned: bool
    """Whether the paths are those of a plan's steps; otherwise of five moves at half stick, a
    second each."""
    change: str
    before: list[PathEnd]
    after: list[PathEnd]
    straight_line_error: StraightLine


class MixingDocument(TypedDict):
    """What `pwmscope mixing --json` writes.

    Positions and gains are in half travels: 1 is full travel of an output, or of a stick. Widths
    are microseconds, times seconds since the capture's start. A null name or matrix has its reason
    in arrangement.reason and in the finding's sentence.
    """

    schema: Literal[1]
    capture: MixingCapture
    lines: DriveLines
    verdict: Verdict
    arrangement: Arrangement
    matrix: Matrix | None
    responses: list[Response]
    findings: Annotated[list[MixingFinding], MinLen(1)]
    advice: list[Way]
    """The best first, then other ways to the same, then what is optional."""
    assumptions: list[Sentence]
    course: Course | None
    """Where the robot would go; null where no matrix was fitted."""


# --- delay ---


class LagCapture(TypedDict):
    """The recording."""

    source: str
    duration_s: Annotated[float, Gt(0)]
    sample_interval_ps: Annotated[float, Gt(0)] | None
    """Null where it is not known; the assumptions say so."""
    assumptions: list[Sentence]


class Delay(TypedDict):
    """How late the output is."""

    by: Literal["content", "edges"]
    """content: each output pulse is paired with the input pulse whose width it carries. edges:
    with the newest input pulse that had begun, because the widths do not tell."""
    pulses: Annotated[int, Ge(1)]
    median_us: float
    least_us: float
    greatest_us: float
    interval_us: Interval
    """The 2.5th and the 97.5th percentile."""
    uncertainty_us: NotNegative | None
    """Standard uncertainty of the median; null where the sample interval is not known."""
    frames_late: int | None
    """Newer input pulses that had begun; null by edges."""
    starts: Literal[
        "a fixed time after the input pulse ends",
        "a fixed time after the input pulse begins",
        "on its own clock",
        "in step with the input",
        "not shown",
    ]
    """What the output pulse waits for."""


class Pair(TypedDict):
    """Two lines of which one follows the other."""

    input: str
    output: str
    delay_us: float
    unexplained: Annotated[float, Ge(0), Le(1)]
    """Part of the output's variance that the input's width leaves."""
    together: bool
    """Whether the two lines' pulses overlap, so that neither is made from the other."""


class DelayDocument(TypedDict):
    """The delay from one line to another."""

    schema: Literal[1]
    capture: LagCapture
    input: str
    """The line before the device."""
    output: str
    """The line after the device."""
    mixed_with: list[str]
    """Further inputs that were taken as mixed into the output."""
    delay: Delay | None
    """Null where the lines have too few pulses; the findings say so."""
    findings: Annotated[list[Finding], MinLen(1)]


class FollowsDocument(TypedDict):
    """Which line follows which."""

    schema: Literal[1]
    capture: LagCapture
    follows: list[Pair]
    """Pairs of lines of which the one's width explains the other's."""
    findings: Annotated[list[Finding], MinLen(1)]


LagDocument: TypeAlias = DelayDocument | FollowsDocument

# --- stretches ---


class StretchSpan(TypedDict):
    """A part of the recording in which one thing was done."""

    name: str
    from_s: NotNegative
    to_s: NotNegative


class StretchRate(TypedDict):
    """How often one kind of fault came on one line in one stretch."""

    stretch: str
    count: Annotated[int, Ge(0)]
    watched_s: NotNegative
    """For how long one could have shown."""
    per_minute: NotNegative | None
    """Null where nothing could have shown."""
    interval_per_minute: Interval | None
    """The exact 95 % Poisson interval (Garwood)."""
    ratio: NotNegative | None
    """Over the first stretch's rate; null for the first, where that counted nothing, or unknown."""
    ratio_low: NotNegative | None
    ratio_high: NotNegative | None
    """The ends of its exact 95 % interval; null at the top where it has no end."""
    chance: Annotated[float, Ge(0), Le(1)] | None
    """That equal rates give counts as unequal, in any comparison of the document (exact conditional
    binomial test, Holm)."""
    change: Literal["more", "fewer", "no difference shown", "not shown"] | None
    """Against the first stretch; null for that."""


class FaultRates(TypedDict):
    """One kind of fault on one line."""

    line: str
    kind: Literal["glitches", "freezes", "restarts"]
    rates: list[StretchRate]


class StretchesDocument(TypedDict):
    """Faults in stretches of a recording, held against those of the first."""

    schema: Literal[1]
    capture: LagCapture
    answer: Sentence
    stretches: Annotated[list[StretchSpan], MinLen(2)]
    faults: list[FaultRates]
    cautions: Annotated[list[Sentence], MinLen(1)]


# --- comparison ---


class ComparedRow(TypedDict):
    """One finding of one line in each recording."""

    line: str
    name: str
    unit: str
    findings: list[Finding | None]
    """One for each recording; null where it does not hold the line."""
    differs: list[bool | None]
    """Whether it differs from the first recording by more than the uncertainty of both; null where
    that cannot be told."""


class ComparisonDocument(TypedDict):
    """What `pwmscope compare --json` writes."""

    schema: Literal[1]
    recordings: Annotated[list[str], MinLen(2)]
    rows: list[ComparedRow]


# --- wiring ---


class WiringAnswer(TypedDict):
    """Whether exactly one source powers the receiver."""

    verdict: Verdict
    sentence: Sentence


class WiringRule(TypedDict):
    """One rule held against the sheet."""

    name: Sentence
    verdict: Verdict
    sentence: Sentence
    reason: Sentence
    advice: str
    """Empty where the rule is met."""
    source: Sentence
    at: list[Sentence]
    """The tables of the sheet that the answer is about."""


class WiringSource(TypedDict):
    """Something that may power the receiver."""

    name: str
    at: Sentence
    cable: str | None
    powers_receiver: bool | None
    voltage_v: Annotated[float, Ge(1), Le(60)] | None
    continuous_a: Annotated[float, Gt(0)] | None


class WiringDocument(TypedDict):
    """What `pwmscope sheet check --json` writes: the wiring rules held against one bench sheet.

    Voltages are in volts, currents in amperes. A null is what the sheet does not state.
    """

    schema: Literal[1]
    sheet: str
    """The file, as the person named it."""
    robot: str
    verdict: Verdict
    """Over all rules: one that is not met governs, then one not shown."""
    answer: WiringAnswer
    rules: Annotated[list[WiringRule], MinLen(1)]
    sources: list[WiringSource]
    """Everything on the sheet that may power the receiver."""
    cautions: Annotated[list[Sentence], MinLen(1)]


# --- analysis ---


class DeviceCard(TypedDict):
    """One device, or one line where no bench sheet names the devices."""

    line: str
    role: str
    device: str
    verdict: Verdict
    figure: Sentence
    """What decides."""
    action: str
    """What to do; empty where there is nothing."""
    link: NotRequired[str]
    """How fresh its frames are; empty where no recording shows it. It has no verdict."""


class ToDo(TypedDict):
    """One thing to do next."""

    doing: Literal["set", "do", "record"]
    lines: list[str]
    """The lines it is about; empty where it is about the bench."""
    sentence: Sentence
    value: float | None
    """What to set it to; null where there is nothing to set."""
    unit: str


class MixingAnswer(TypedDict):
    """What two drive outputs do with the sticks."""

    verdict: Verdict
    arrangement: str | None
    findings: list[Finding]
    changes: list[Annotated[list[Sentence], MinLen(1)]]
    """Ways to mend it, each the changes to make together."""


class MovedOutput(TypedDict):
    """An output that follows a control."""

    line: str
    direction: Literal[1, -1]
    """1 where the control's first end (right, forward or up) makes its pulses longer."""
    role: str
    device: str


class MappedControl(TypedDict):
    """What one stick axis, switch, dial or button moves."""

    control: str
    """The stick axis; or "switch of RX5", after the line that it moves by the sheet."""
    line: NotRequired[str]
    """That line; empty of a stick axis."""
    seen: bool
    """Whether a move was seen where the plan has it."""
    moves: list[MovedOutput]
    unsure: list[str]
    """Lines that it moves a little, by itself or by a hand that moved the other axis too."""
    sentence: Sentence


class WrongPlug(TypedDict):
    """An output that follows controls which its role does not name."""

    line: str
    controls: list[str]
    swap_with: str | None
    """The output whose cable to swap it with; null where no swap mends it, or several would."""
    swaps: NotRequired[list[str]]
    """Every output with which a swap would mend it."""
    can_mix: bool
    sentence: Sentence


class LinkDocument(TypedDict):
    """What `pwmscope link --json` writes."""

    schema: Literal[1]
    capture: MixingCapture
    verdict: Verdict
    mode: Literal[1, 2]
    map: list[MappedControl]
    """Empty where the channel map is not shown; the finding says why."""
    wrong_plugs: list[WrongPlug]
    hazards: list[JumpHazard]
    findings: Annotated[list[Finding], MinLen(1)]
    assumptions: list[Sentence]
    headline: NotRequired[Sentence]
    """The answer in one line."""
    unseen_exchanges: NotRequired[list[list[str]]]
    """Pairs of controls that the hands may have exchanged unnoticed."""


class LineSetting(Setting):
    """One setting of one line."""

    line: str


class AnalysisDocument(TypedDict):
    """What `Analysis.to_json` writes: the answer, then the details it is made of."""

    schema: Literal[1]
    headline: Sentence
    """The answer in one line."""
    verdict: Verdict
    """The worst over everything that was held against a limit."""
    sheet: SheetName | None
    """The bench sheet; null without one."""
    hazards: list[JumpHazard]
    """They change neither verdict nor exit code."""
    cards: list[DeviceCard]
    actions: Annotated[list[ToDo], Len(0, 5)]
    """The most dangerous first."""
    more_actions: Count
    """How many things there are to do beyond those five."""
    further_actions: NotRequired[list[ToDo]]
    """Those things."""
    left_out: list[Sentence]
    """What was not judged."""
    cautions: Annotated[list[Sentence], MinLen(1)]
    """What to do before anything is powered."""
    recordings: Annotated[list[FindingsDocument], MinLen(1)]
    failsafe: FailsafeDocument
    mixing: MixingAnswer | None
    """Null where the sheet names no two drive outputs."""
    settings: list[LineSetting]
    wiring: WiringDocument | None
    """The rulings of the wiring rules; null where they were not asked about."""
