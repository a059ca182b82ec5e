"""Where the width goes: endpoints, neutral, rest, and the travel on each side."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from pwmscope.bench import MOTORS, NO_DEVICE, NO_NEUTRAL, UNUSED, BenchSheet, Limits, StopBand
from pwmscope.errors import Reason
from pwmscope.findings.segmentation import Dwells, Record
from pwmscope.findings.travel.levels import (
    MIN_THROW,
    NEUTRAL_REACH,
    SAME_LEVEL,
    Amount,
    Level,
    Levels,
    Moves,
    find_endpoints,
    find_moves,
    find_neutral,
    weighed_sum,
)
from pwmscope.model import (
    CLOCK_TOLERANCE,
    COVERAGE,
    MAX_SPANS,
    BoolArray,
    Definition,
    Evidence,
    Finding,
    FloatArray,
    Span,
    Summary,
    Verdict,
    format_list,
    inside,
    judge,
    measured,
    not_shown,
    summarise,
)
from pwmscope.pulses import Flag, PulseTable

LET_GO: Final = (
    "Record again: begin and end with the sticks let go for three seconds, and move each stick "
    "between."
)
BY_PLAN: Final = "Name its `plan`, or record again by one: that shows when the sticks were let go."

OF_REST: Final = (
    Definition(
        "rest position",
        "Where the width rests with the stick let go, against the widths at which the device "
        "stands still. A weapon that rests elsewhere runs with nobody at the stick. Without a "
        "plan the recording must begin, end, stay longest and be most often at one level.",
        "the level of the first dwell, of the last, of the longest stay and of the most visits, "
        "one held through a loss being one; it meets where its 95 % interval, and Ts, lie inside "
        "the stop range",
        "own rule; the stop range is the bench sheet's, or common practice where it states none",
    ),
)


@dataclass(frozen=True, slots=True)
class RestPosition:
    """Where one channel rests."""

    level: Level | None  # Where the longest stay is; None where the stick never stood still
    # Whether first and last dwell, longest stay and most visits are at that one level, and the
    # stick was moved away from it
    is_known: bool
    verdict: Verdict | None  # Whether the device stands still there; None without a stop range
    finding: Finding  # `rest position`
    # Levels of the first dwell, the last, the longest stay and the most visits; none where the
    # stick never stood still
    rests_us: tuple[float, ...] = ()


def examine_rest(
    record: Record, band: StopBand | None, levels: Levels, *, is_listed: bool
) -> RestPosition:
    """Find where a channel rests, and hold it against its stop range.

    A plan shows in which dwells the sticks were let go, and ``levels`` are those; without one all
    may be a rest.
    """
    table, dwells = record.table, levels.dwells
    limit = "" if band is None else format_band(band)
    if not is_listed:
        limit = "the device's stop range; the bench sheet does not name the line"
    if not len(dwells):
        finding = not_shown(
            "rest position", "us", Reason("The stick never stood still.", LET_GO), limit=limit
        )
        return RestPosition(None, False, finding.verdict if limit else None, finding)
    same_us = SAME_LEVEL * table.convention.span_us
    stay, visits = levels.company()
    level = levels.near(float(dwells.level_us[int(stay.argmax())]))
    places = np.array([0, len(dwells) - 1, int(stay.argmax()), int(visits.argmax())])
    rests_us = dwells.level_us[places]
    alike = bool(np.all(np.abs(rests_us - level.width_us) <= 2.0 * same_us))
    throw_us = MIN_THROW * table.convention.span_us
    moved = bool(np.any(np.abs(record.dwells.level_us - level.width_us) >= throw_us)) or (
        float(np.ptp(table.width_us[record.rows])) >= 2.0 * throw_us
    )
    amount, rests = level.amount, tuple(rests_us.tolist())
    if not limit:
        said = f"The channel rests at {amount.said}" if alike else _unclear(rests)
        finding = measured(
            "rest position", amount.us, "us", f"{said}. Which device is on it is not known."
            if alike else said,
            uncertainty=amount.uncertainty_us, interval=amount.interval_us,
            evidence=level.visits,
        )  # fmt: skip
        return RestPosition(level, alike and moved, None, finding, rests)
    if band is None:
        reason = (
            f"The channel stays longest at {amount.us:.1f} us. The bench sheet does not name the "
            "line, so its stop range is unknown."
        )
        finding = not_shown("rest position", "us", reason, limit=limit)
        return RestPosition(level, alike and moved, Verdict.NOT_SHOWN, finding, rests)
    rest = RestPosition(level, alike and moved, None, not_shown("rest position", "us", ""), rests)
    verdict, sentence = judge_rest(rest, band, table.sample_interval_us)
    finding = Finding(
        "rest position", amount.us, "us", amount.uncertainty_us, limit, verdict, level.visits,
        sentence, amount.interval_us,
    )  # fmt: skip
    return replace(rest, verdict=verdict, finding=finding)


def _let_go(dwells: Dwells, at_rest: tuple[Span, ...]) -> Dwells | None:
    """Keep the dwells in the spans in which the sticks were let go; None where there are none."""
    let_go = inside(at_rest, (dwells.start_s + dwells.end_s) / 2.0)
    return dwells.select(let_go) if let_go.any() else None


def judge_rest(
    rest: RestPosition, band: StopBand, interval_us: float | None
) -> tuple[Verdict, str]:
    """Hold a rest position that no plan shows against a stop range.

    It meets only where all the levels at which the channel may rest are inside; it does not
    meet only where there is but one, and the stick was moved away from it.
    """
    if rest.level is None:
        return Verdict.NOT_SHOWN, rest.finding.sentence
    amount = rest.level.repeated.amount
    if interval_us is None:
        return Verdict.NOT_SHOWN, Reason(
            f"The channel rests at {amount.said}. The sample interval is not known, so no width is "
            "exact.",
            "Give `rate`.",
        )
    verdict = against_band(amount, band, interval_us)
    each = [against_band(Amount(us, None), band, interval_us) for us in rest.rests_us]
    to_do = BY_PLAN if all(one is Verdict.MEETS for one in each[:2]) else LET_GO
    if verdict is Verdict.MEETS and any(one is not Verdict.MEETS for one in each):
        return Verdict.NOT_SHOWN, Reason(_unclear(rest.rests_us), to_do)
    if verdict is Verdict.DOES_NOT_MEET and not rest.is_known:
        return Verdict.NOT_SHOWN, Reason(
            f"It stays longest at {amount.us:.1f} us, outside the stop range. Either the "
            "channel rests there, or the stick was held there.",
            to_do,
        )
    return verdict, _sentence(amount, band, verdict)


def against_band(width: Amount, band: StopBand, interval_us: float | None) -> Verdict:
    """Hold a width against a stop range: inside, outside, or not shown which.

    >>> band = StopBand(990.0, 1050.0, "")
    >>> [against_band(Amount(us, 0.1), band, 0.5).value for us in (1000.0, 1500.0, 1050.0)]
    ['meets', 'does not meet', 'not shown']
    """
    doubt_us = width.doubt_us
    if interval_us is None:
        return Verdict.NOT_SHOWN
    if doubt_us is None:
        doubt_us = interval_us + CLOCK_TOLERANCE * width.us
    if band.low_us <= width.us - doubt_us and width.us + doubt_us <= band.high_us:
        return Verdict.MEETS
    if width.us + doubt_us < band.low_us or width.us - doubt_us > band.high_us:
        return Verdict.DOES_NOT_MEET
    return Verdict.NOT_SHOWN


def format_band(band: StopBand) -> str:
    """Write a stop range as a limit."""
    return f"{band.low_us:g} to {band.high_us:g} us, the stop range"


def _sentence(amount: Amount, band: StopBand, verdict: Verdict) -> str:
    where = f"The channel rests at {amount.said}"
    return {
        Verdict.MEETS: f"{where}, inside the stop range {band.low_us:g} to {band.high_us:g} us.",
        Verdict.DOES_NOT_MEET: f"{where}, outside the stop range {band.low_us:g} to "
        f"{band.high_us:g} us. The device may run with the stick let go.",
        Verdict.NOT_SHOWN: f"{where}, at the edge of the stop range {band.low_us:g} to "
        f"{band.high_us:g} us.",
    }[verdict]


def _unclear(rests_us: tuple[float, ...]) -> str:
    first, last, longest, most = (f"{us:.0f}" for us in rests_us)
    return (
        f"Its rest is not clear: {first} us first, {last} us last, {longest} us longest, {most} "
        "us most often."
    )


OF_SIDES: Final = (
    Definition(
        "travel",
        "How far the width goes from the low endpoint to the high one, and how much lies on each "
        "side. Both endpoints must have been held.",
        "travel = high - low; below = neutral - low; above = high - neutral; "
        "u^2 = the sum of the levels' own u^2 + (100 ppm x difference / sqrt(3))^2",
        "JCGM 100, 5.1.2 and 5.2.2 (the clock's error is shared, so it counts once), from memory",
    ),
    Definition(
        "asymmetry",
        "How much farther the width goes above neutral than below. The robot then drives faster "
        "one way, or a trim eats one end. A difference is significant where it exceeds its "
        "expanded uncertainty.",
        "asymmetry = above - below = high + low - 2 neutral; in % of (above + below) / 2; "
        "u^2 = u(high)^2 + u(low)^2 + 4 u(neutral)^2, the clock counted once",
        "JCGM 100, 5.1.2, 5.2.2 and 6.3.3 (k = 2), from memory",
    ),
    Definition(
        "reversals",
        "How often the movement turned round. Movements below 5 % of the convention's span, or 12 "
        "noise deviations, do not count. Jitter therefore turns nothing round.",
        "the inner extremes of the width over time that remain when all movements below "
        "max(0.05 span, 12 sigma) are taken out, the smallest first",
        "own algorithm, topological persistence; the same as the hysteresis filter before "
        "rainflow counting (ASTM E1049), from memory",
    ),
)


def examine_sides(
    record: Record,
    levels: tuple[Level | None, Level | None, Level | None],
    reasons: dict[str, str],
    moves: Moves,
) -> tuple[Finding, ...]:
    """Measure the travel on each side of neutral: `travel`, `asymmetry` and `reversals`."""
    low, neutral, high = levels
    whole = weighed_sum((1.0, high), (-1.0, low)) if low and high else None
    below = weighed_sum((1.0, neutral), (-1.0, low)) if low and neutral else None
    above = weighed_sum((1.0, high), (-1.0, neutral)) if high and neutral else None
    whys = list(dict.fromkeys(reasons[at] for at in ("low", "high") if at in reasons))
    why = whys[0] if len(whys) == 1 else " ".join(whys)
    visits = tuple(visit for level in (low, neutral, high) if level for visit in level.visits)
    visits = tuple(sorted(visits, key=lambda visit: visit.start_s))[:MAX_SPANS]
    asymmetry = not_shown("asymmetry", "us", why or reasons.get("neutral", ""))
    if low and neutral and high and below and above:
        apart = weighed_sum((1.0, high), (1.0, low), (-2.0, neutral))
        percent = 200.0 * apart.us / (above.us + below.us)
        asymmetry = _asymmetry_finding(apart, percent, visits)
    return (
        _travel_finding(whole, below, above, visits, why), asymmetry, _turned(record, moves)
    )  # fmt: skip


def _travel_finding(
    whole: Amount | None,
    below: Amount | None,
    above: Amount | None,
    visits: tuple[Evidence, ...],
    why: str,
) -> Finding:
    if whole is None:
        known = "".join(
            f" It goes {side.said} {where} neutral."
            for side, where in ((below, "below"), (above, "above"))
            if side is not None
        )
        return not_shown("travel", "us", why + known if known else why)
    shares = (
        f": {below.said} below neutral and {above.said} above it."
        if below and above
        else "; there is no neutral to part it at."
    )
    return measured(
        "travel", whole.us, "us", f"The width travels {whole.said}{shares}",
        uncertainty=whole.uncertainty_us, interval=whole.interval_us, evidence=visits,
    )  # fmt: skip


def _asymmetry_finding(asymmetry: Amount, percent: float, visits: tuple[Evidence, ...]) -> Finding:
    doubt_us = asymmetry.doubt_us
    share = f"{percent:+.2f} % of the travel"
    if doubt_us is None:
        said = f"Above neutral the width goes {asymmetry.said} farther than below it"
        doubt = "The uncertainty is not known, since the sample interval is not."
    elif abs(asymmetry.us) > doubt_us:
        side, other = ("Above", "below") if asymmetry.us > 0 else ("Below", "above")
        size = replace(asymmetry, us=abs(asymmetry.us))
        share = f"{abs(percent):.2f} % of the travel"
        said = f"{side} neutral the width goes {size.said} farther than {other} it"
        doubt = "That is more than the uncertainty."
    else:
        said = f"No difference between the two sides of neutral is shown: {asymmetry.said}"
        doubt = "That is within the uncertainty."
    return measured(
        "asymmetry", asymmetry.us, "us", f"{said} ({share}). {doubt}",
        uncertainty=asymmetry.uncertainty_us, interval=asymmetry.interval_us, evidence=visits,
    )  # fmt: skip


def _turned(record: Record, moves: Moves) -> Finding:
    if not len(record.dwells) and not len(moves):
        return not_shown("reversals", "", "No pulse could be measured, so no movement is seen.")
    least = f"{moves.least_us:.4g} us"
    if not moves.turn_row.size:
        return not_shown(
            "reversals", "", f"The stick was not moved: the width never changes by {least} or more."
        )
    inner = moves.turn_row[1:-1]
    rise_s = record.table.rise_s
    spans = tuple(Evidence.of(rise_s, row, row) for row in inner[:MAX_SPANS])
    times = "once" if inner.size == 1 else f"{inner.size} times"
    said = f"The movement turned round {times}" if inner.size else "The movement went one way only"
    return measured(
        "reversals", float(inner.size), "",
        f"{said}; movements of less than {least} are not counted.", evidence=spans,
    )  # fmt: skip


_LEVEL_SOURCE: Final = (
    "JCGM 100, 4.3.7, 4.3.9 and 5.1.2; JCGM 101, 5.2, from memory; dwells and sampling: own"
)
_LEVEL_FORMULA: Final = (
    "mean of the pulses held within 1 % of the span of it; u^2 = (what sampling leaves of the "
    "mean)^2 + (what was cut off at the dwells' ends)^2 + (100 ppm x level / sqrt(3))^2; "
    "interval: Gaussian and rectangular parts together"
)

DEFINITIONS: Final[tuple[Definition, ...]] = (
    Definition(
        "pulse width range",
        "Pulses outside the convention's widths by more than a sample interval. A device may clip "
        "them, or take them for no signal.",
        "the count of widths below low - Ts or above high + Ts",
        "IEEE Std 181 (pulse duration at the mid reference level); the range is common practice",
    ),
    Definition(
        "low endpoint",
        "The smallest width at which the stick was held. It is the channel's own end only if "
        "the stick was held at its end.",
        f"the outermost level 5 % of the span or more below neutral: {_LEVEL_FORMULA}",
        _LEVEL_SOURCE,
    ),
    Definition(
        "high endpoint",
        "The largest width at which the stick was held. It is the channel's own end only if "
        "the stick was held at its end.",
        f"the outermost level 5 % of the span or more above neutral: {_LEVEL_FORMULA}",
        _LEVEL_SOURCE,
    ),
    Definition(
        "neutral",
        "The width with the stick let go: what a drive must take for standing still.",
        "the most visited level within 10 % of the span of the convention's neutral, unless "
        "the channel rests elsewhere; or the level nearest to the one marked on the bench "
        f"sheet: {_LEVEL_FORMULA}",
        _LEVEL_SOURCE,
    ),
    *OF_REST,
    *OF_SIDES,
)


@dataclass(frozen=True, slots=True)
class Device:
    """What is known of the device on a line."""

    band: StopBand | None = None  # The widths at which it stands still
    # Whether it stands still in the middle, as a drive does; False for a weapon that turns one way.
    # None where that is not known.
    has_neutral: bool | None = None
    is_listed: bool = True  # False where there is a bench sheet and it says nothing of this line
    neutral_us: float | None = None  # The width that it takes for neutral, where the sheet says
    half_deadband_us: float = 0.0  # How far from there it stands still, where the sheet says
    control: str | None = None  # "switch", "dial" or "button" where none of the sticks moves it
    is_free: bool = False  # Whether the sheet says that nothing is on it: no width is asked for

    @classmethod
    def on(cls, line: str, sheet: BenchSheet | None) -> Device:
        """Look a line up in the bench sheet, if there is one."""
        if sheet is None:
            return UNKNOWN
        channel = sheet.channels.get(line)
        if channel is None:
            return cls(is_listed=False)
        has_neutral: bool | None = True
        if channel.neutral_us is None and channel.role in MOTORS:
            has_neutral = False
        elif channel.neutral_us is None and channel.role in NO_NEUTRAL and channel.role != UNUSED:
            has_neutral = None
        control = channel.control if channel.control in _STEPPED | {"dial"} else None
        if channel.role == "kill" and channel.control is None:
            control = "switch"
        return cls(
            channel.stop_band, has_neutral, neutral_us=channel.neutral_us,
            half_deadband_us=channel.half_deadband_us or 0.0, control=control,
            is_free=channel.role in NO_DEVICE,
        )  # fmt: skip


_STEPPED: Final = frozenset({"switch", "button"})
"""Controls that stand at some widths and at none between."""
_COUNTED: Final = {1: "one width", 2: "two widths", 3: "three widths"}
UNKNOWN: Final = Device()
RESTS: Final = 2
"""Of first dwell, last dwell, longest stay and most visits so many must be at what is held against
neutral's limit where nobody says what is on the line, the first dwell among them."""
EXERCISED: Final = 0.72
"""An outermost dwell nearer to neutral than this part of the throw expected is no end, unless a
plan shows that the stick was held there (own choice)."""


@dataclass(frozen=True, slots=True)
class Travel:
    """The travel of one channel."""

    width_us: Summary  # All measured widths outside loss spans, in microseconds
    # Endpoints and neutral from dwells; None where the stick never stood there
    low: Level | None
    high: Level | None
    neutral: Level | None
    neutral_offset_us: float | None  # Neutral minus the convention's neutral
    # Pulses outside the convention's endpoints by more than a sample interval
    outside_convention: int
    reasons: dict[str, str]  # For each of `low, high, neutral` that is None, why
    held_neutral: str  # Why neutral may be where the stick was held; empty where it rests there
    moves: Moves  # The stretches between dwells
    rest: RestPosition  # Where the channel rests with the stick let go
    # `pulse width range`, `low endpoint`, `high endpoint`, `neutral`, `rest position`, `travel`,
    # `asymmetry` and `reversals`
    findings: tuple[Finding, ...]


def examine_travel(
    record: Record,
    marked_neutral_us: float | None = None,
    device: Device = UNKNOWN,
    at_rest: tuple[Span, ...] = (),
) -> Travel:
    """Measure one channel's travel."""
    table, dwells, limits = record.table, record.dwells, record.limits
    outside = table.has(Flag.OUTSIDE)
    if record.losses:
        outside &= ~inside(record.losses, table.rise_s)
    width_us = summarise(_usable_us(record))
    let_go = _let_go(dwells, at_rest)
    levels = Levels(table, dwells, record.losses)
    resting = levels if let_go is None else Levels(table, let_go, record.losses)
    rest = examine_rest(record, device.band, resting, is_listed=device.is_listed)
    rest_us = rest.level.width_us if let_go is not None and rest.level is not None else None
    neutral, why_not = find_neutral(levels, marked_neutral_us, rest_us)
    low, high, reasons = find_endpoints(levels, neutral)
    if neutral is None:
        reasons["neutral"] = f"A {device.control} has no neutral." if device.control else why_not
    steps = _steps(record, device)
    if steps:
        reasons |= dict.fromkeys(reasons.keys() & {"low", "high"}, steps)
    offset_us = None if neutral is None else neutral.width_us - table.convention.neutral_us
    held = _held_there(neutral, table, limits, device, rest)
    moves = find_moves(record)
    found = (
        _range_finding(table, width_us, outside, limits),
        _endpoint_finding("low endpoint", low, table, limits, (reasons.get("low", ""), steps)),
        _endpoint_finding("high endpoint", high, table, limits, (reasons.get("high", ""), steps)),
        _neutral_finding(
            neutral, table, limits, (reasons.get("neutral", ""), held), device=device, rest=rest
        ),
        rest.finding,
        *examine_sides(record, (low, neutral, high), reasons, moves),
    )
    if device.is_free:
        found = tuple([replace(f, limit="") if f.value is None else f for f in found])
    return Travel(
        width_us, low, high, neutral, offset_us, int(np.count_nonzero(outside)), reasons, held,
        moves, rest, found,
    )  # fmt: skip


def _steps(record: Record, device: Device) -> str:
    """Say at which widths a switch or button stands; empty for what is none, or never stood."""
    level_us = np.sort(record.dwells.level_us)
    if device.control not in _STEPPED or not level_us.size:
        return ""
    apart = np.flatnonzero(np.diff(level_us) > SAME_LEVEL * record.table.convention.span_us) + 1
    widths_us = [float(np.median(part)) for part in np.split(level_us, apart)]
    counted = _COUNTED.get(len(widths_us), f"{len(widths_us)} widths")
    if len(widths_us) > 3:
        return f"The {device.control} stood at {counted}."
    named = format_list([f"{us:.1f}" for us in widths_us])
    said = f"The {device.control} stood at {counted}: {named} us."
    return Reason(said, "Set it to each place for two seconds.") if len(widths_us) == 1 else said


def _usable_us(record: Record) -> FloatArray:
    """Return the measured widths outside loss spans, without a copy where that is all."""
    if record.losses or record.table.flags.any():
        return record.table.width_us[record.rows]
    return record.table.width_us


def _format_range(table: PulseTable, limits: Limits) -> str:
    low_us, high_us = table.convention.low_us, table.convention.high_us
    return (
        f"{low_us:g} to {high_us:g} us ({table.convention.name}), "
        f"{limits.overshoot_us:g} us over allowed"
    )


def _range_finding(
    table: PulseTable, width_us: Summary, outside: BoolArray, limits: Limits
) -> Finding:
    convention = table.convention
    limit = _format_range(table, limits)
    rows = np.flatnonzero(outside)
    if not width_us.count and not rows.size:
        return Finding(
            "pulse width range", None, "", None, limit, Verdict.NOT_SHOWN, (),
            "No pulse could be measured.",
        )  # fmt: skip
    if not rows.size:
        span = Evidence.of(table.rise_s, 0, len(table) - 1, width_us.count)
        return Finding(
            "pulse width range", 0.0, "", None, limit, Verdict.MEETS, (span,),
            f"All {width_us.count} pulses lie within {convention.low_us:g} to "
            f"{convention.high_us:g} us: {width_us.min:.1f} to {width_us.max:.1f} us.",
        )  # fmt: skip
    over_us = np.maximum(
        convention.low_us - table.width_us[rows], table.width_us[rows] - convention.high_us
    )
    meets = bool(over_us.max() <= limits.overshoot_us + (table.sample_interval_us or 0.0))
    return Finding(
        "pulse width range", float(rows.size), "", None, limit,
        Verdict.MEETS if meets else Verdict.DOES_NOT_MEET,
        (Evidence.of(table.rise_s, int(rows[0]), int(rows[-1]), rows.size),),
        f"{rows.size} pulses lie outside {convention.low_us:g} to {convention.high_us:g} us; the "
        f"farthest, {table.width_us[rows[over_us.argmax()]]:.1f} us, by {over_us.max():.1f} us.",
    )  # fmt: skip


def _doubt(level: Level) -> float | None:
    """Half of half a level's 95 % interval, of which `judge` takes twice."""
    half_us = level.amount.half_us
    return None if half_us is None else half_us / COVERAGE


def _endpoint_finding(
    name: str, level: Level | None, table: PulseTable, limits: Limits, words: tuple[str, str]
) -> Finding:
    reason, steps = words
    convention = table.convention
    limit = _format_range(table, limits)
    if level is None:
        return Finding(name, None, "us", None, limit, Verdict.NOT_SHOWN, (), reason)
    over_us = max(convention.low_us - level.width_us, level.width_us - convention.high_us)
    end_us = convention.low_us if name.startswith("low") else convention.high_us
    verdict = judge(over_us, limits.overshoot_us, _doubt(level))
    exercised_us = EXERCISED * abs(end_us - convention.neutral_us)
    held = abs(level.width_us - convention.neutral_us) >= exercised_us
    said = (
        f"The {name} (outermost dwell) is {level.width_us:.1f} us, "
        f"{round(level.width_us - end_us, 1) + 0.0:+.1f} us from {end_us:.4g} us."
        if held
        else f"The outermost dwell is {level.width_us:.1f} us; the {name} itself is not shown. "
        "Either the travel is short, or the stick was not at its end."
    )
    if steps:
        end = name.removesuffix(" endpoint")
        said = f"{steps} The {end} one is {round(level.width_us - end_us, 1) + 0.0:+.1f} us from "
        said += f"{end_us:.4g} us."
    return Finding(
        name, level.width_us, "us", level.uncertainty_us, limit, verdict, level.visits, said,
        level.amount.interval_us,
    )  # fmt: skip


def _neutral_limit(table: PulseTable, limits: Limits, device: Device) -> tuple[float, float, str]:
    """Return where neutral is wanted, how far from there it may be, and where that comes from."""
    centre_us, source = table.convention.neutral_us, limits.basis_of("neutral_us")
    own_us = centre_us if device.neutral_us is None else device.neutral_us
    if abs(own_us - centre_us) > NEUTRAL_REACH * table.convention.span_us:
        return centre_us, limits.neutral_us, source
    if device.half_deadband_us > limits.neutral_us and source == "common practice":
        return own_us, device.half_deadband_us, "half the deadband"
    return own_us, limits.neutral_us, source


def _held_there(
    level: Level | None, table: PulseTable, limits: Limits, device: Device, rest: RestPosition
) -> str:
    """Say so where the stick may have been held at what looks like neutral; empty where not."""
    if level is None or not device.has_neutral:
        return ""
    centre_us, limit_us, _ = _neutral_limit(table, limits, device)
    rests_us = np.array(rest.rests_us) - centre_us
    rests_us = rests_us[np.abs(rests_us) <= NEUTRAL_REACH * table.convention.span_us]
    if np.unique(np.abs(rests_us) <= limit_us).size <= 1:
        return ""
    return f"Either it rests there, or the stick was held there. {_unclear(rest.rests_us)}"


def _neutral_finding(
    level: Level | None,
    table: PulseTable,
    limits: Limits,
    words: tuple[str, str],
    *,
    device: Device,
    rest: RestPosition,
) -> Finding:
    reason, held = words
    centre_us, limit_us, source = table.convention.neutral_us, limits.neutral_us, ""
    if device.has_neutral:
        centre_us, limit_us, source = _neutral_limit(table, limits, device)
    limit = f"{centre_us:g} us within {limit_us:g} us ({source})" if source else ""
    if level is None:
        return Finding("neutral", None, "us", None, limit, Verdict.NOT_SHOWN, (), reason)
    offset_us = level.width_us - centre_us
    said = (
        f"Neutral is {level.width_us:.1f} us, {round(offset_us, 1) + 0.0:+.1f} us from "
        f"{centre_us:.4g} us."
    )
    verdict: Verdict | None = None
    if device.has_neutral is None:
        said += " That is a convention; a bench sheet says what the device expects."
        near = np.abs(np.array(rest.rests_us) - level.width_us) <= 0.01 * table.convention.span_us
        if not near[:1].all() or np.count_nonzero(near) < RESTS:
            said += " Perhaps the channel rests elsewhere, as a weapon's does."
    if limit:
        verdict = judge(abs(offset_us), limit_us, _doubt(level))
        if verdict is not Verdict.NOT_SHOWN and held:
            verdict, said = Verdict.NOT_SHOWN, Reason(f"{said} {held}", BY_PLAN)
        elif verdict is Verdict.NOT_SHOWN and level.uncertainty_us is not None:
            said = Reason(said, f"Set its trim so that it rests nearer to {centre_us:g} us.")
    return Finding(
        "neutral", level.width_us, "us", level.uncertainty_us, limit, verdict, level.visits, said,
        level.amount.interval_us,
    )  # fmt: skip
