"""Whether devices had power: kill channels, a supply that sags, and what they learn at power-up."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from pwmscope.bench import MOTORS, BenchSheet, StopBand
from pwmscope.capture import PS_PER_S, Line
from pwmscope.errors import Reason, preceded
from pwmscope.findings.failsafe.event import LossEvent
from pwmscope.findings.failsafe.losses import Loss, quiet_limit_s
from pwmscope.findings.failsafe.marker import Expectation
from pwmscope.findings.failsafe.response import (
    ChangeKind,
    LossClass,
    Windows,
    find_stop_times,
    sides,
)
from pwmscope.findings.segmentation import ServoLines
from pwmscope.findings.sensors import (
    BEFORE_S,
    Supply,
    SupplyAnswer,
    examine_supply,
    read_supply,
    unrecorded_supply,
)
from pwmscope.model import (
    Definition,
    Evidence,
    Finding,
    FloatArray,
    Hazard,
    HazardKind,
    IntArray,
    Verdict,
    format_line,
    measured,
    not_shown,
)
from pwmscope.pulses import UNMEASURED, PulseTable

STAYS_S: Final = 0.5
"""A guarded output that is in its stop range for so long is not commanded to run meanwhile."""
AFTER_S: Final = 3e-3
"""A pulse is a command when it is over."""
SAME_US: Final = 10.0
"""A jump that ends so near where the output stood goes back there; to an ESC both are one width
(common practice, from memory)."""

NO_PIN: Final = Reason(
    "This device has no pin to record, so what it is commanded to do is not known.",
    "Record its rotation, or the kill channel that cuts its power.",
)

POWER_UP: Final = "power-up"
LIMIT: Final = "no pulse outside the stop range before the link"
MIN_S: Final = 1.0
"""A line must be seen for so long before the link to show what it does."""
POWER_UP_DEFINITION: Final = Definition(
    POWER_UP,
    "What a line does before the link is there: silent at which level, or with which pulses. A "
    "weapon must not get an active width before the link.",
    "pulses before the link that lie outside the stop range by more than a sample interval and "
    "100 ppm; the link is there when a marker first shows the transmitter on, otherwise the time "
    "before the first servo pulse is told without a verdict",
    "own algorithm; that a weapon may not start before the link is common practice",
)


@dataclass(frozen=True, slots=True)
class Guard:
    """The kill channel of a line, the one of which most is shown."""

    line: str  # The kill channel's line
    verdict: Verdict  # Whether it cuts the power in time
    is_recorded: bool  # Whether a recording shows a loss of it
    # Whether the device is commanded to run before the link, and no cut is shown then
    is_open_before_link: bool = False
    # Losses of the guarded line through which the cut is not shown to last to its own return
    uncovered: int = 0

    def over(self, own: Verdict) -> Verdict:
        """Give a guarded device's verdict: without power it stands still, whatever its pulses say.

        >>> str(Guard("RX5", Verdict.MEETS, True).over(Verdict.DOES_NOT_MEET))
        'meets'
        >>> str(Guard("RX5", Verdict.NOT_SHOWN, True).over(Verdict.DOES_NOT_MEET))
        'not shown'
        >>> str(Guard("RX5", Verdict.NOT_SHOWN, False).over(Verdict.DOES_NOT_MEET))
        'does not meet'
        >>> str(Guard("RX5", Verdict.MEETS, True, uncovered=1).over(Verdict.DOES_NOT_MEET))
        'not shown'
        """
        if self.leaves_open(own):
            return Verdict.NOT_SHOWN
        return Verdict.MEETS if self.verdict is Verdict.MEETS and not self.uncovered else own

    def leaves_open(self, own: Verdict) -> bool:
        """Say whether a device commanded to run may have been without power.

        A kill channel that no recording shows leaves nothing open: the proven failure governs.
        """
        doubtful = self.is_recorded and self.verdict is Verdict.NOT_SHOWN
        if self.verdict is Verdict.MEETS:
            doubtful = self.is_open_before_link or self.uncovered > 0
        return doubtful and own is Verdict.DOES_NOT_MEET

    @property
    def sentence(self) -> str:
        """What it says of the device that it guards."""
        if self.verdict is Verdict.MEETS and self.is_open_before_link:
            return (
                f"It is commanded to run before the link. Whether the kill channel {self.line} "
                "cuts its power then is not shown."
            )
        if self.verdict is Verdict.MEETS and self.uncovered:
            return Reason(
                f"The kill channel {self.line} may give power again before the link of this line "
                "is back.",
                "Leave its switch at off until this line follows its stick again.",
            )
        if self.verdict is Verdict.MEETS:
            return f"The kill channel {self.line} is shown to cut its power in time."
        return (
            f"It is commanded to run. Whether the kill channel {self.line} cuts its power is not "
            "shown."
        )


def guards_of(sheet: BenchSheet, verdicts: Mapping[str, Verdict | None]) -> dict[str, Guard]:
    """Give each guarded line the kill channel that says most about it, by the lines' verdicts."""
    order = (Verdict.MEETS, Verdict.NOT_SHOWN, Verdict.DOES_NOT_MEET)
    found = {}
    for line, kills in sheet.guards_of.items():
        guards = [
            Guard(kill, verdicts.get(kill) or Verdict.NOT_SHOWN, kill in verdicts) for kill in kills
        ]
        found[line] = min(
            guards, key=lambda guard: (order.index(guard.verdict), not guard.is_recorded)
        )
    return found


def covers(event: LossEvent, own: PulseTable, kill: LossEvent | None, pulses: PulseTable) -> bool:
    """Say whether a kill channel cuts a guarded line's power in one loss, to that line's return.

    `event` and `own` are the guarded line's loss and pulses, `kill` (if any) and `pulses` the kill
    channel's of the same loss.
    """
    if event.verdict is Verdict.MEETS:
        return True
    if kill is None or kill.verdict is not Verdict.MEETS:
        return False
    loss, setting = event.case.loss, kill.case.setting
    if setting.line in event.case.evidence.one_clock:
        return True
    expected, error_s = setting.expected, kill.case.error_s
    if expected.band is None or error_s is None:
        return False
    until_s = np.array([_followed_s(event, own)])
    windows = Windows(np.array([loss.earliest_s]), np.array([loss.back_s]), until_s)
    times = find_stop_times(pulses, 1e6 * setting.frame_s, windows, expected, setting.end_s)
    return float(times.stopped_s[0]) + error_s - loss.earliest_s <= setting.limit_s


def _followed_s(event: LossEvent, own: PulseTable) -> float:
    """By when a line stands still for a while after a loss, or follows its stick again.

    A jump shows no return but one to where the line stood before: a receiver may make it.
    """
    case, response = event.case, event.case.response
    shown_s = [case.setting.end_s + 1.0]
    calm = response.behaviour not in (LossClass.WANDERS, LossClass.NOISE)
    for change in response.departures[:1] if calm else ():
        was_us = response.during[0].level_us
        is_back = abs(change.to_us - was_us) <= max(case.setting.range_us, SAME_US)
        if change.kind is ChangeKind.MOVE or (change.kind is ChangeKind.JUMP and is_back):
            shown_s.append(change.by_s)
    setting = case.setting
    # What it may have left before its link was back is no rest that lasts.
    from_s = max([case.loss.back_s, *(leap.at_s for leap in case.evidence.leaps)])
    rests_s = rests_by_s(own, setting.expected, 1e6 * setting.frame_s, from_s, setting.end_s)
    return min(*shown_s, rests_s)


def rests_by_s(
    table: PulseTable, expected: Expectation, usual_us: float, from_s: float, end_s: float
) -> float:
    """By when a line has begun to command its device to stand still, from some moment on."""
    if expected.band is None:
        return end_s + 1.0
    runs = ~sides(table, expected.band)[1]
    if expected.no_pulses_stop is not True:
        runs |= np.diff(table.rise_s, append=end_s) > quiet_limit_s(usual_us)
    # What is in force from then on: the last pulse before, and each that follows.
    first = int(np.searchsorted(table.rise_s, from_s, side="right"))
    in_force = bool(runs[first - 1]) if first else expected.no_pulses_stop is not True
    at_s = np.append(from_s, table.rise_s[first:])
    bad = np.flatnonzero(np.append(in_force, runs[first:]))
    begins_s = np.append(at_s[:1], np.append(at_s, end_s)[bad + 1])
    lasts_s = np.append(at_s[bad], end_s) - begins_s
    stays = np.flatnonzero(lasts_s >= STAYS_S)
    return float(begins_s[stays[0]]) + AFTER_S if stays.size else end_s + 1.0


def read_supplies(lines: ServoLines, sheet: BenchSheet | None) -> dict[str, Supply | None]:
    """Read the supply lines of the bench sheet; None for one that the recording does not hold."""
    if sheet is None:
        return {}
    found: dict[str, Supply | None] = {}
    for sensor in sheet.sensors:
        if sensor.role == "supply":
            line = lines.capture.lines.get(sensor.line)
            end_ps = lines.capture.end_ps
            held = None if line is None else read_supply(line, sensor, sheet, end_ps)
            found[sensor.line] = held
    return found


def answer_supplies(
    supplies: Mapping[str, Supply | None],
    lines: ServoLines,
    sheet: BenchSheet | None,
    events: Iterable[LossEvent],
) -> dict[str, SupplyAnswer]:
    """Measure the supply lines, and say what came with their sags."""
    if sheet is None:
        return {}
    restarts_s = sorted({event.lost_s for event in events if event.is_restart})
    return {
        name: unrecorded_supply(name)
        if supply is None
        else examine_supply(supply, lines.capture.lines[name], sheet, lines.servo, restarts_s)
        for name, supply in supplies.items()
    }


def with_supplies(
    events: tuple[LossEvent, ...], supplies: Mapping[str, Supply | None]
) -> tuple[LossEvent, ...]:
    """Take back that a loss meets the limit where the supply may have failed in it."""
    return tuple([_doubted(event, supplies) for event in events])


def _doubted(event: LossEvent, supplies: Mapping[str, Supply | None]) -> LossEvent:
    if event.verdict is not Verdict.MEETS:
        return event
    for name, supply in supplies.items():
        why = sag_in(supply, name, event.case.loss)
        if why:
            return replace(event, verdict=Verdict.NOT_SHOWN, reason=why)
    return event


def sag_in(supply: Supply | None, name: str, loss: Loss) -> str:
    """Say why a supply line leaves open whether the supply failed in a loss; empty if not."""
    if supply is None:
        return Reason(
            f"The sheet names the supply line {format_line(name)}, and the recording "
            "does not hold it.",
            "Record it as well.",
        )
    if supply.trouble:
        return supply.trouble
    if supply.fails(loss.earliest_s - BEFORE_S, loss.back_s):
        return Reason(
            f"{_format_sag(supply, loss.earliest_s - BEFORE_S, loss.back_s)} in this loss. A "
            "receiver that restarts looks the same.",
            "Mend the supply and record again.",
        )
    return ""


def _format_sag(supply: Supply, from_s: float, to_s: float) -> str:
    lowest_v = supply.lowest_v(from_s, to_s)
    if lowest_v is None:
        return "The supply sagged"
    return f"The supply sagged {'to' if supply.is_voltage else 'below'} {lowest_v:.2f} V"


def told_of(
    finding: Finding, restarts: Iterable[LossEvent], supplies: Mapping[str, Supply | None]
) -> Finding:
    """Say of restarts that the supply sagged then: that is a supply fault, no loss of radio."""
    for event in restarts:
        span_s = event.lost_s - BEFORE_S, event.recovered_s or event.lost_s
        for supply in supplies.values():
            if supply is not None and not supply.trouble and supply.fails(*span_s):
                sag = _format_sag(supply, *span_s)
                said = f"{finding.sentence} {sag}: a supply fault, not a loss of radio."
                return replace(finding, sentence=said)
    return finding


@dataclass(frozen=True, slots=True)
class BeforeLink:
    """The time before the link as one line shows it."""

    # The time span; the first servo pulse or the marker's first on ends it
    start_s: float
    until_s: float
    is_marked: bool  # Whether a marker says that the transmitter was off


def before_link(
    table: PulseTable, usual_us: float, start_s: float, linked_s: float | None
) -> BeforeLink | None:
    """Find the time before the link; None where the recording begins after it."""
    if linked_s is not None and linked_s > start_s:
        return BeforeLink(start_s, linked_s, is_marked=True)
    measured_s = table.rise_s[table.measured]
    if measured_s.size and measured_s[0] - start_s > quiet_limit_s(usual_us):
        return BeforeLink(start_s, float(measured_s[0]), is_marked=False)
    return None


def power_up_finding(
    table: PulseTable, line: Line, before: BeforeLink | None, expected: Expectation, limit_s: float
) -> Finding:
    """Say what a line did before the link."""
    limit = LIMIT if expected.drives_something else ""
    if before is None:
        return not_shown(
            POWER_UP, "",
            Reason(
                "The recording begins after the link.",
                "Weapon removed, wheels off the ground, robot restrained: start recording "
                "before the receiver has power."
            ),
            limit=limit,
        )  # fmt: skip
    did = _format_levels(line, before)
    _, servo = _pulses(table, before)
    span = Evidence(before.start_s, before.until_s, int(servo.size))
    lasted = f"In the {before.until_s - before.start_s:.2f} s before the link"
    if servo.size:
        did += (
            f"; {servo.size} servo pulses of {table.width_us[servo].min():.1f} to "
            f"{table.width_us[servo].max():.1f} us"
        )
    sentence = f"{lasted} the line was {did}."
    if not limit or expected.band is None:
        return measured(POWER_UP, did, "", sentence, evidence=(span,))
    verdict, why = _verdict(table, before, expected, expected.band, limit_s)
    return Finding(POWER_UP, did, "", None, limit, verdict, (span,), preceded(sentence, why))


def power_up_hazard(
    table: PulseTable,
    before: BeforeLink | None,
    expected: Expectation,
    limit_s: float,
    source: str,
) -> Hazard | None:
    """Tell a device that is commanded to run before the link, or a servo off its stated stop range.

    None where none is.
    """
    moves = expected.drives_something or (expected.role == "servo" and not expected.is_band_assumed)
    if before is None or expected.band is None or not moves:
        return None
    early = _early(table, before, expected.band, limit_s)
    if not early.size:
        return None
    at_s, width_us = float(table.rise_s[early[0]]), float(table.width_us[early[0]])
    return Hazard(HazardKind.UNLINKED, (table.line,), at_s, width_us, None, 1, 1, source)


def cuts_before_link(
    guarded: PulseTable, kill: PulseTable, span: Evidence, expected: Expectation
) -> bool:
    """Say whether a kill channel cuts the power from a guarded line's first pulse to the link."""
    if expected.band is None:
        return False
    before = BeforeLink(span.start_s, span.end_s, is_marked=True)
    rows, servo = _pulses(kill, before)
    if servo.size < rows.size or not sides(kill, expected.band)[1][servo].all():
        return False
    first_s = guarded.rise_s[_pulses(guarded, before)[0][:1]]
    rise_s = np.maximum(kill.rise_s[servo], first_s)
    gaps_s = np.diff(rise_s, prepend=first_s, append=span.end_s)
    return expected.no_pulses_stop is True or bool(
        np.all(gaps_s <= quiet_limit_s(_usual_us(kill, servo)))
    )


def _format_levels(line: Line, before: BeforeLink) -> str:
    edges_s = line.edges_ps / PS_PER_S
    changes = int(np.searchsorted(edges_s, before.until_s) - np.searchsorted(
        edges_s, before.start_s, side="right"
    ))  # fmt: skip
    level = "high" if line.initial_level else "low"
    return (
        f"{level} at first, with {changes} changes of level" if changes else f"{level} throughout"
    )


def _verdict(
    table: PulseTable, before: BeforeLink, expected: Expectation, band: StopBand, limit_s: float
) -> tuple[Verdict, str]:
    rows, servo = _pulses(table, before)
    was_quiet = _was_quiet(table, before)
    early = _early(table, before, band, limit_s)
    if early.size:
        return Verdict.DOES_NOT_MEET, (
            f"{early.size} of them were outside the stop range of {band.low_us:g} to "
            f"{band.high_us:g} us, the first at {table.rise_s[early[0]]:.3f} s."
        )
    inside = sides(table, band)[1][servo]
    is_clean = servo.size == rows.size and bool(inside.all())
    if not is_clean and not was_quiet:
        return Verdict.NOT_SHOWN, Reason(
            "The line had pulses from the start. A loss may have begun just before it.",
            "Start recording before the receiver has power.",
        )
    doubt = next(_doubts(table, before, expected, servo, is_clean=is_clean), "")
    if doubt:
        return Verdict.NOT_SHOWN, doubt
    return Verdict.MEETS, "All were inside the stop range."


def _was_quiet(table: PulseTable, before: BeforeLink) -> bool:
    """Say whether a line was silent as the recording began."""
    rows, servo = _pulses(table, before)
    first_s = table.rise_s[rows[:1]] - before.start_s
    return not rows.size or bool(first_s[0] > quiet_limit_s(_usual_us(table, servo)))


def _early(table: PulseTable, before: BeforeLink, band: StopBand, limit_s: float) -> IntArray:
    """List the servo pulses outside the stop range that came before a link that is marked.

    What a loss just before the recording left may be seen until the limit is over.
    """
    if not before.is_marked:
        return np.empty(0, np.int64)
    servo = _pulses(table, before)[1]
    counts_s = before.start_s + (0.0 if _was_quiet(table, before) else limit_s)
    return servo[sides(table, band)[2][servo] & (table.rise_s[servo] >= counts_s)]


def _doubts(
    table: PulseTable, before: BeforeLink, expected: Expectation, servo: IntArray, *, is_clean: bool
) -> Iterator[str]:
    """Say why it is not shown that a line was inside its stop range before the link."""
    if not before.is_marked:
        yield "When the link came is not marked (`off_line`)."
    if table.sample_interval_us is None:
        yield Reason("The sample interval is not known.", "State the analyser's setting (`rate`).")
    if before.until_s - before.start_s < MIN_S:
        yield f"At least {MIN_S:g} s before the link are needed."
    if not is_clean:
        yield "Some pulses were no clean servo pulses inside the stop range."
    gaps_s = np.diff(table.rise_s[servo], prepend=before.start_s, append=before.until_s)
    if not expected.no_pulses_stop and np.any(gaps_s > quiet_limit_s(_usual_us(table, servo))):
        yield "The bench sheet does not say whether the device stops without pulses (no_pulses)."
    if not servo.size:
        yield "Whether the receiver was powered by then is not shown without a pulse."


def _pulses(table: PulseTable, before: BeforeLink) -> tuple[IntArray, IntArray]:
    """Return the rows of all pulses before the link, and of the servo pulses among them."""
    low, high = np.searchsorted(table.rise_s, (before.start_s, before.until_s))
    rows = np.arange(low, high)
    return rows, rows[(table.flags[rows] & np.uint8(UNMEASURED)) == 0]


def _usual_us(table: PulseTable, servo: IntArray) -> float:
    if servo.size < 2:
        return table.convention.period_us
    return float(np.median(np.diff(table.rise_s[servo]))) * 1e6


ARMING: Final = "start-up width"
LEAST: Final = 5
"""Pulses before the link that are enough to be learned from (own choice)."""
SETTLED_S: Final = 0.5
"""A leap stays for so long; a hand moves on."""
BOOT_S: Final = 30.0
"""The slowest transmitters start in so long (common practice, from memory)."""
MIDDLE: Final = 0.2
"""A stop range that begins so far up the travel lies round a neutral."""
ARMING_DEFINITION: Final = Definition(
    ARMING,
    "How far the width before the link is from where the link then puts it. An ESC that learns "
    "neutral at start learns the first. Many ESCs want low throttle before they arm.",
    "median width of the pulses before the marker shows on, minus the width that the first change "
    "after it leaps to and stays at for 0.5 s; the order of the first widths in and out of the "
    "stop range",
    "own algorithm; that ESCs learn neutral or arm at start is common practice",
)


def arming_finding(
    table: PulseTable, before: BeforeLink | None, expected: Expectation
) -> Finding | None:
    """Say what a device with a motor is given from power-up on; None where nothing is seen."""
    if before is None or not before.is_marked or expected.role not in MOTORS:
        return None
    good = table.measured
    rise_s, width_us = table.rise_s[good], table.width_us[good]
    marked = int(np.searchsorted(rise_s, before.until_s))
    first = _first(width_us, expected)
    if marked < LEAST:
        return measured(ARMING, "no pulses", "", f"No pulses came before the link. {first}".strip())
    start_us = float(np.median(width_us[:marked]))
    where = (Evidence(before.start_s, before.until_s, marked),)
    rest_us = _rest_us(rise_s[marked:], width_us[marked:], start_us)
    if rest_us is None:
        return not_shown(
            ARMING, "us",
            f"Before the link the width was {start_us:.0f} us, and it did not change for "
            f"{BOOT_S:g} s after the marker. A transmitter may start as slowly. Record for longer, "
            f"and move the stick at the end. {first}".strip(),
        )  # fmt: skip
    off_us = start_us - rest_us
    said = f"Before the link the width was {start_us:.0f} us, and {rest_us:.0f} us with it."
    middle_us = table.convention.low_us + MIDDLE * table.convention.span_us
    has_neutral = expected.band is not None and expected.band.low_us > middle_us
    if abs(off_us) > SAME_US and has_neutral:
        said += (
            f" An ESC that learns neutral at start learns one that is {off_us:+.0f} us off, if the "
            "stick rested. Set the preset to the rest."
        )
    return measured(ARMING, off_us, "us", f"{said} {first}".strip(), evidence=where)


def _rest_us(rise_s: FloatArray, width_us: FloatArray, start_us: float) -> float | None:
    """Give the width with the link: where the first change leaps to and stays, or the same.

    A width that moves on was moved by a hand, and the link was there before. Without a change
    that is not known, since a transmitter may start slowly.
    """
    changed = np.abs(width_us - start_us) > SAME_US
    if not changed.any():
        is_long = rise_s.size > 0 and rise_s[-1] - rise_s[0] >= BOOT_S
        return start_us if is_long else None
    at = int(np.argmax(changed)) + 1
    stays = width_us[at : int(np.searchsorted(rise_s, rise_s[at - 1] + SETTLED_S))]
    if stays.size < LEAST:
        return None
    level_us = float(np.median(stays))
    return level_us if np.all(np.abs(stays[1:] - level_us) <= SAME_US) else start_us


def _first(width_us: FloatArray, expected: Expectation) -> str:
    """Say whether low throttle, or neutral, came before an active width."""
    band = expected.band
    if band is None or not width_us.size:
        return ""
    inside = (width_us >= band.low_us) & (width_us <= band.high_us)
    if inside.all():
        return ""
    first_active = int(np.argmin(inside))
    if inside[:first_active].sum() >= LEAST:
        return "The stop range came first, by which an ESC may arm."
    return (
        f"It is commanded to run at {width_us[first_active]:.0f} us before it was ever told to "
        "stop. Many ESCs then want low throttle first; do not rely on it."
    )
