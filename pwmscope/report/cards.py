"""For the bench, as text, data and cards to print: plan, wiring, settings, test lead."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any, Final

from pwmscope import __version__
from pwmscope.advice import (
    SETTINGS_ORDER,
    ChannelSettings,
    Compared,
    Setting,
    SettingAction,
    SettingsAdvice,
)
from pwmscope.bench import (
    CAUTIONS,
    NO_HAND,
    ONE_HAND,
    SENSORS,
    TWO_HANDS,
    TWO_PEOPLE,
    BenchSheet,
    CapturePlan,
    format_key,
    make_table_plan,
    table_handling,
)
from pwmscope.capture import Capture, format_rate
from pwmscope.findings import MarkerDelay
from pwmscope.findings.travel import Amount
from pwmscope.model import (
    CLOCK_TOLERANCE,
    COVERAGE,
    Verdict,
    format_line,
    format_list,
    format_plainly,
)
from pwmscope.report.data import Json, capture_data, finding_data, json_text, picked
from pwmscope.report.sentences import RULEBOOK, wrapped

if TYPE_CHECKING:
    from pwmscope.bench import Feed, Ruling, Wiring

_NAME: Final = 24
ONLY_THE_SHEET: Final = (
    "This is what the bench sheet states; nobody has looked at the wires for it. The event's "
    "rulebook and its safety officer decide."
)


WIDTH: Final = 100
SPARE_S: Final = 10.0
"""Seconds by which the recorder shall run longer than the steps, for starting and stopping it."""
BEFORE: Final = "Before anything is powered"
BEGIN: Final = (
    "Start the recorder first, then the steps. Some spare seconds at either end do no harm. Move "
    "the sticks briskly, then hold them still. Lay the transmitter on a table: the column hands "
    "says how many each step takes."
)

BEGIN_MOVING: Final = (
    "Start the recorder first, then the steps. Lay the transmitter on the table: one thumb keeps a "
    "stick moving, the other hand switches. A light needs its sensor taped over it, dark all "
    "round. Power the sensor from the analyser's side, never from the receiver."
)


def fill_card(template: str, **values: object) -> str:
    """Fill a card's template, its style inside."""
    from markupsafe import Markup  # noqa: PLC0415 - slow to import

    from pwmscope.report.document import fill, template_text  # noqa: PLC0415

    style = Markup(template_text("card.css"))
    return fill(template, {}, style=style, version=__version__, **values)


def plan_text(plan: CapturePlan, width: int = WIDTH) -> str:
    """Write a plan as text: cautions, what to set, the steps with their times.

    >>> from pwmscope.bench import PlanStep
    >>> print(plan_text(CapturePlan((PlanStep("rest", 5.0, {}, "Touch nothing."),))))
    ... # doctest: +ELLIPSIS
    Before anything is powered
      - Remove the weapon, or lock it so that it cannot turn.
    ...
      begins  lasts  hands  step
        0:00    5 s         rest            Touch nothing.
    <BLANKLINE>
    """
    told = [BEFORE, *(_listed(caution, width) for caution in plan.cautions), ""]
    told += [plan_title(plan), *(wrapped(need, width, "  ", "  ") for need in plan_needs(plan))]
    told += ["", *_table(plan, width)]
    return "\n".join(told) + "\n"


def plan_title(plan: CapturePlan) -> str:
    """Name a plan.

    >>> plan_title(CapturePlan((), "Quince"))
    'One recording of Quince, mode 2'
    """
    return f"One recording{f' of {plan.robot}' if plan.robot else ''}, mode {plan.mode}"


def plan_needs(plan: CapturePlan) -> tuple[str, ...]:
    """Say what to set on the recorder, and why."""
    rate = format_rate(1e12 / plan.sample_rate_hz)
    length_s = math.ceil(plan.seconds + SPARE_S)
    sampling_us = COVERAGE * 1e6 / plan.sample_rate_hz / math.sqrt(6.0)
    clock_us = COVERAGE * 1500.0 * CLOCK_TOLERANCE / math.sqrt(3.0)
    needs = [
        f"Record at {rate} or faster, for {length_s} s or longer: {plan.seconds:.0f} s of steps "
        "and some to spare.",
        f"Each width is then known within {plan.within_us:g} us (95 %). Sampling gives "
        f"{sampling_us:.2g} us of that, the analyser's clock (100 ppm) {clock_us:.2g} us.",
        "A longer recording does not make up for a lower rate. The same sampling error may repeat "
        "in every pulse.",
    ]
    if plan.marker:
        begin = (
            "Begin with it on."
            if plan.steps[0].transmitter_on
            else "Begin with it off, and the robot without power."
        )
        needs.append(f"Line {plan.marker} must show whether the transmitter is on. {begin}")
    elif any(not step.transmitter_on for step in plan.steps):
        needs.append(
            "There is no marker line. The moment of the loss and the stop time will not be "
            "recorded. docs/bench.md says how to add a marker."
        )
    return (*needs, BEGIN_MOVING if plan.is_marker_calibration else BEGIN)


def format_clock(time_s: float) -> str:
    """Write a time of the plan's clock as minutes and seconds.

    >>> format_clock(0.0), format_clock(65.0), format_clock(12.5)
    ('0:00', '1:05', '0:12.5')
    """
    minutes, seconds = divmod(round(time_s, 1), 60.0)
    whole, tenth = divmod(round(seconds * 10), 10)
    return f"{int(minutes)}:{whole:02d}" + (f".{tenth}" if tenth else "")


def format_who(who: str) -> str:
    """Write who does a step as a table's column has it.

    >>> format_who("one person, two hands"), format_who("two people"), format_who("")
    ('two', '2 people', '')
    """
    return _HANDS.get(who, who)


_HANDS: Final = {NO_HAND: "none", ONE_HAND: "one", TWO_HANDS: "two", TWO_PEOPLE: "2 people"}


def _table(plan: CapturePlan, width: int) -> Iterator[str]:
    names = max(14, *(len(step.name) for step in plan.steps))
    hands = max(5, *(len(format_who(step.who)) for step in plan.steps))
    yield f"  begins  lasts  {'hands':<{hands}}  step"
    for begin_s, step in zip(plan.starts_s, plan.steps, strict=True):
        lead = f"{format_clock(begin_s):>8}  {step.seconds:>3g} s  "
        lead += f"{format_who(step.who):<{hands}}  {step.name:<{names}}  "
        told = step.hands + (f" Shows {step.shows}." if step.shows else "")
        yield wrapped(told, max(width, len(lead) + 20), lead, " " * len(lead)) or lead.rstrip()


def _listed(sentence: str, width: int = WIDTH) -> str:
    return wrapped(sentence, width, "  - ", "    ")


def plan_json(plan: CapturePlan) -> str:
    """Write a plan as JSON: its steps with their times, and how long it takes."""
    kept = "seconds transmitter_on other_memory sticks controls moves who hands shows"
    steps: list[Json] = [
        {"name": step.name, "begins_s": at_s, **picked(step, kept)}
        for at_s, step in zip(plan.starts_s, plan.steps, strict=True)
    ]
    return json_text({
        "schema": 1, **picked(plan, "robot mode marker"), "duration_s": round(plan.seconds, 3),
        **picked(plan, "sample_rate_hz within_us cautions"), "steps": steps,
    })  # fmt: skip


def plan_card(plan: CapturePlan) -> str:
    """Write a plan as one page of HTML: cautions, what to set, the steps with boxes to tick."""
    return fill_card(
        "plan_card.html.j2",
        title=plan_title(plan),
        before=BEFORE,
        cautions=plan.cautions,
        needs=plan_needs(plan),
        steps=[
            (format_clock(at), format_who(step.who), step)
            for at, step in zip(plan.starts_s, plan.steps, strict=True)
        ],
    )


ORDER_HEADING: Final = "In this order"
COMPARED_HEADING: Final = "Since the earlier recording"


def settings_text(
    advice: SettingsAdvice, sheet: BenchSheet, compared: tuple[Compared, ...] = ()
) -> str:
    """Write the settings card as text."""
    told = [wrapped(settings_headline(advice, sheet), WIDTH), "", BEFORE, *map(_listed, CAUTIONS)]
    for channel in advice.channels:
        told += ["", channel_title(channel.line, channel.role, channel.device)]
        for setting in channel.settings:
            lead = f"  {setting.action.value:<21}"
            told.append(wrapped(setting.sentence, WIDTH, lead, " " * len(lead)))
        lead = f"  {'warning':<21}"
        told += [wrapped(warning, WIDTH, lead, " " * len(lead)) for warning in channel.warnings]
    if advice.changes:
        told += ["", ORDER_HEADING]
        steps = enumerate(SETTINGS_ORDER, 1)
        told += [wrapped(step, WIDTH, f"  {n}. ", "     ") for n, step in steps]
    if compared:
        told += ["", COMPARED_HEADING]
        told += [_listed(f"{format_line(c.line)}: {c.sentence}") for c in compared]
    told += [wrapped(note, WIDTH, "\n") for note in settings_notes(advice)]
    return "\n".join([*told, "", wrapped(RULEBOOK, WIDTH)]) + "\n"


def settings_headline(advice: SettingsAdvice, sheet: BenchSheet) -> str:
    """Say in one sentence or two what there is to do."""
    of = f"{sheet.robot}: " if sheet.robot else ""
    changes, not_shown = advice.changes, advice.not_shown
    if advice.swapped:
        return of + advice.swapped
    if changes:
        said = f"{changes} setting{'s' if changes > 1 else ''} to change."
    elif not_shown:
        said = "No setting is shown to need a change."
    else:
        said = "Nothing to change: each setting is where its device expects it."
    if not_shown:
        said += f" {not_shown} {'are' if not_shown > 1 else 'is'} not shown by recording and sheet."
    return of + said


def channel_title(line: str, role: str, device: str) -> str:
    """Name a channel.

    >>> channel_title("RX1", "drive-left", "left ESC"), channel_title("RX2", "servo", "")
    ('RX1, drive-left, left ESC', 'RX2, servo')
    """
    return ", ".join(part for part in (format_line(line), role, device) if part)


def settings_notes(advice: SettingsAdvice) -> tuple[str, ...]:
    """Say what stands beside the settings: the plan's fit, and devices that are not recorded."""
    notes = []
    if advice.alignment is not None:
        notes.append(advice.alignment.sentence)
    if advice.missing:
        lines = ", ".join(format_line(line) for line in advice.missing)
        notes.append(f"On the sheet but not in the recording: {lines}.")
    todo = [s for channel in advice.channels for s in channel.settings if s.change is not None]
    if any(setting.percent is None for setting in todo):
        notes.append(
            "For figures in percent, state us_per_percent in the bench sheet. Or record at two "
            "settings: docs/calibrate.md says how."
        )
    shown = [s for channel in advice.channels for s in channel.settings if s.measured is not None]
    if shown:
        notes.append(
            "± is the expanded uncertainty, k = 2, about 95 % (JCGM 100). Endpoints are the "
            "outermost widths at which the stick was held."
        )
    return tuple(notes)


def is_to_do(action: SettingAction) -> bool:
    """Whether a card marks an action for the hands."""
    return action in {SettingAction.CHANGE, SettingAction.DEVICE}


def settings_card(
    advice: SettingsAdvice, sheet: BenchSheet, capture: str, compared: tuple[Compared, ...] = ()
) -> str:
    """Write the settings as one page of HTML, with boxes to tick."""
    return fill_card(
        "settings_card.html.j2", title=f"Settings{f' of {sheet.robot}' if sheet.robot else ''}",
        answer=settings_headline(advice, sheet), before=BEFORE, cautions=CAUTIONS, capture=capture,
        sheet=sheet.source,
        channels=[(channel_title(c.line, c.role, c.device), c) for c in advice.channels],
        is_to_do=is_to_do, order_heading=ORDER_HEADING,
        order=SETTINGS_ORDER if advice.changes else (), compared_heading=COMPARED_HEADING,
        compared=[(format_line(entry.line), entry) for entry in compared],
        notes=settings_notes(advice), rulebook=RULEBOOK,
    )  # fmt: skip


SCHEMA: Final = 1


def settings_json(
    advice: SettingsAdvice,
    sheet: BenchSheet,
    capture: str,
    *,
    before: str | None = None,
    compared: tuple[Compared, ...] = (),
) -> str:
    """Write the settings as JSON, by docs/calibrate.schema.json."""
    alignment = advice.alignment
    data: dict[str, Any] = {
        "schema": SCHEMA,
        "capture": capture,
        "before": before,
        "sheet": sheet.source,
        "robot": sheet.robot,
        "answer": settings_headline(advice, sheet),
        **picked(advice, "changes not_shown"),
        "cautions": list(CAUTIONS),
        "order": list(SETTINGS_ORDER),
        "channels": {channel.line: _channel(channel) for channel in advice.channels},
        "not_recorded": list(advice.missing),
        "notes": list(settings_notes(advice)),
        "plan_fits": None if alignment is None else alignment.fits,
        "compared": [_compared(entry) for entry in compared],
    }
    return json_text(data)


def _channel(channel: ChannelSettings) -> dict[str, Any]:
    return {
        **picked(channel, "role device"),
        "settings": [setting_data(setting) for setting in channel.settings],
        "warnings": list(channel.warnings),
    }


def setting_data(setting: Setting) -> dict[str, Any]:
    """Turn one setting into plain data."""
    return {
        **picked(setting, "name action sentence target_us tolerance_us"),
        "change_percent": setting.percent,
        **_amount("measured", setting.measured),
        **_amount("change", setting.change),
        **_amount("predicted", setting.predicted),
    }


def _compared(entry: Compared) -> dict[str, Any]:
    return {
        **picked(entry, "line name trend sentence"),
        **_amount("before", entry.before),
        **_amount("after", entry.after),
        **_amount("gain", entry.gain),
    }


def _amount(name: str, amount: Amount | None) -> dict[str, float | None]:
    return {
        f"{name}_us": None if amount is None else amount.us,
        f"{name}_uncertainty_us": None if amount is None else amount.uncertainty_us,
    }


_WIRE: Final = (
    "Each tap takes the signal wire of a plug through 1 kohm; it takes no power wire.",
    "One ground wire goes from the receiver's ground pin to the analyser's ground, and goes first.",
    "The 5 V pin stays free. Insulate every joint, and keep the lead away from motor wires.",
    "Twist each signal wire with ground. Bring all to one plug that is reached from outside.",
    "Record with the lead once at home. What differs with and without it is the lead's.",
)


def lead_rows(sheet: BenchSheet) -> list[tuple[str, str, str, str]]:
    r"""List input, line, receiver output and what is there, in the analyser's order of inputs.

    >>> from pwmscope.bench import parse_sheet
    >>> lead_rows(parse_sheet('[channels.RX3]\nrole = "weapon"\noutput = 3'))
    [('1', 'RX3', '3', 'weapon')]
    """
    marker = "" if sheet.marker is None else sheet.marker.line
    known = [*sheet.channels, *([marker] if marker else [])]
    lines = list(sheet.analyser.lines) or [
        line for line in known if line == marker or not sheet.channels[line].no_pin
    ]
    rows = []
    for number, line in enumerate(lines, 1):
        channel = sheet.channels.get(line)
        if channel is None:
            rows.append((str(number), line, "", "marker: not from the receiver"))
            continue
        output = "" if channel.output is None else str(channel.output)
        place = f"{channel.receiver} receiver: " if channel.receiver else ""
        if channel.role in SENSORS:
            place = "not from the receiver: "
        rows.append((str(number), line, output, f"{place}{channel.device or channel.role}"))
    return rows


def _needs(sheet: BenchSheet) -> tuple[str, ...]:
    """Say what is special about this robot's lead."""
    without = [channel.line for channel in sheet.devices if channel.no_pin]
    missing = f"No pin can be tapped for {format_list(without)}." if without else ""
    volts = sheet.receiver.signal_v
    level = "" if volts is None else f"A pulse on the signal pins has {volts:g} V."
    most = sheet.analyser.input_v
    limit = "" if most is None else f"The analyser's inputs take {most:g} V at most."
    own = (level, limit, missing, *table_handling(make_table_plan(sheet)))
    return tuple(said for said in own if said)


def _title(sheet: BenchSheet) -> str:
    return f"Test lead{f' of {sheet.robot}' if sheet.robot else ''}"


def lead_text(sheet: BenchSheet) -> str:
    """Write the card as text: cautions, the wires, which plug goes to which input."""
    told = [BEFORE, *map(_listed, CAUTIONS), "", _title(sheet)]
    told += map(_listed, (*_WIRE, *_needs(sheet)))
    rows = [("input", "line", "output", "device"), *lead_rows(sheet)]
    wide = [max(len(row[k]) for row in rows) for k in range(4)]
    told.append("")
    told += [
        "  " + "  ".join(cell.ljust(wide[k]) for k, cell in enumerate(row)).rstrip() for row in rows
    ]
    return "\n".join([*told, "  ground first: receiver ground pin to analyser ground"]) + "\n"


def lead_card(sheet: BenchSheet) -> str:
    """Write the card as one page of HTML."""
    return fill_card(
        "lead_card.html.j2",
        title=_title(sheet), before=BEFORE, cautions=CAUTIONS, wires=(*_WIRE, *_needs(sheet)),
        rows=lead_rows(sheet),
    )  # fmt: skip


def wiring_text(wiring: Wiring) -> str:
    r"""Write every ruling, the answer on the first line, the cautions at the end.

    >>> from pwmscope.bench import parse_sheet
    >>> from pwmscope.bench import check_wiring
    >>> sheet = parse_sheet("[channels.A]\nrole = 'servo'\nfeeds_5v = false")
    >>> text = wiring_text(check_wiring(sheet))
    >>> print(text.splitlines()[0])
    does not meet: Nothing on this sheet powers the receiver, so it stays dark.
    """
    answer = wiring.answer
    parts = [f"{answer.verdict.value}: {answer.sentence}", count_sentence(wiring), ""]
    for number, ruling in enumerate(wiring.rulings, 1):
        parts += _ruling_lines(number, ruling)
    parts += ["", f"{BEFORE}:", *(_unbroken(caution, "- ") for caution in CAUTIONS)]
    parts += ["", _unbroken(ONLY_THE_SHEET, "")]
    return "\n".join("\n".join(map(format_plainly, part.split("\n"))) for part in parts) + "\n"


def count_sentence(wiring: Wiring) -> str:
    """Say how many rules are met.

    >>> from pwmscope.bench import parse_sheet
    >>> from pwmscope.bench import check_wiring
    >>> count_sentence(check_wiring(parse_sheet("")))
    'Of 11 wiring rules 0 are met, 0 are not met and 11 are not shown by this sheet.'
    """
    counts = [
        sum(ruling.verdict is verdict for ruling in wiring.rulings)
        for verdict in (Verdict.MEETS, Verdict.DOES_NOT_MEET, Verdict.NOT_SHOWN)
    ]
    met, broken, open_ = (f"{count} {'is' if count == 1 else 'are'}" for count in counts)
    return (
        f"Of {len(wiring.rulings)} wiring rules {met} met, {broken} not met and {open_} not shown "
        "by this sheet."
    )


def _ruling_lines(number: int, ruling: Ruling) -> list[str]:
    lead = f"{ruling.verdict.value:14}{number:2} {ruling.name:{_NAME}}"
    lines = [_unbroken(ruling.sentence, lead)]
    if ruling.verdict is not Verdict.MEETS:
        lines.append(_unbroken(f"Why: {ruling.reason} ({ruling.source})", " " * 17, 5))
        lines.append(_unbroken(f"Do:  {ruling.advice}", " " * 17, 5))
    return lines


def _unbroken(text: str, lead: str, hanging: int = 0) -> str:
    return wrapped(format_plainly(text), WIDTH, lead, " " * (len(lead) + hanging))


def wiring_data(wiring: Wiring) -> dict[str, Json]:
    """Turn the rulings into plain data, following schema 1."""
    return {
        "schema": SCHEMA,
        "sheet": wiring.sheet.source,
        "robot": wiring.sheet.robot,
        "verdict": wiring.verdict.value,
        "answer": picked(wiring.answer, "verdict sentence"),
        "rules": [
            {
                **picked(ruling, "name verdict sentence reason advice source"),
                "at": [format_key(path) for path in ruling.at],
            }
            for ruling in wiring.rulings
        ],
        "sources": [_feed_data(feed) for feed in wiring.feeds],
        "cautions": list(CAUTIONS),
    }


def wiring_json(wiring: Wiring) -> str:
    """Write the rulings as JSON text, two spaces deep, ending in a line break."""
    return json_text(wiring_data(wiring))


def _feed_data(feed: Feed) -> dict[str, Json]:
    return {
        "name": feed.said,
        "at": format_key(feed.path),
        "cable": feed.cable,
        "powers_receiver": feed.powers,
        **picked(feed, "voltage_v continuous_a"),
    }


def marker_paragraphs(found: MarkerDelay) -> Iterator[tuple[str, list[str]]]:
    """Give headings, each with its paragraphs."""
    delay, *others = found.findings
    said = "MARKER measured" if found.is_shown else "MARKER not shown"
    yield f"{said}: {delay.sentence}", [f"{f.name}: {f.sentence}" for f in others if found.is_shown]
    if found.keys:
        stated = [f"{key} = {value:g}" for key, value in found.keys.items()]
        yield "For [marker] in the sheet", stated
        yield "", ["Measure again with a low transmitter battery, or when the sensor is moved."]
    elif found.is_shown:
        yield "", ["A sheet cannot keep such a delay. Repeat the calibration, or fit a switch."]
    if found.unused:
        yield "Not used", list(found.unused)
    yield "", [RULEBOOK]


def marker_json(capture: Capture, found: MarkerDelay) -> str:
    """Write how late a marker is as JSON, following schema 1."""
    return json_text({
        "schema": SCHEMA,
        "capture": capture_data(capture),
        **picked(found.marker, "line kind"),
        "off_s": found.offs_s.tolist(),
        "last_fresh_s": found.last_fresh_s.tolist(),
        "unused": list(found.unused),
        "findings": [finding_data(finding) for finding in found.findings],
        "keys": dict(found.keys),
    })  # fmt: skip
