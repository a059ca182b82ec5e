"""What a percent of a setting is worth, from what a person states or two recordings show."""

from __future__ import annotations

import math
import re
from typing import Final

from pwmscope.advice import PercentReading, PercentScale, Transmitter, solve_scale, stated_scale
from pwmscope.bench import BenchSheet
from pwmscope.errors import HintError
from pwmscope.findings import Findings
from pwmscope.findings.travel import Amount, Level, weighed_sum

_SOLVE: Final = re.compile(r"(?P<line>.+):(?P<end>low|high)=(?P<was>[^,=]+),(?P<now>[^,=]+)")


def parse_transmitters(
    stated: tuple[str, ...],
    solved: tuple[str, ...],
    most_percent: float,
    *,
    sheet: BenchSheet,
    now: Findings,
    before: Findings | None,
) -> dict[str, Transmitter]:
    """Work out each line's transmitter from the options."""
    if not 1.0 <= most_percent <= 1000.0:
        raise HintError(f"--most-percent {most_percent:g} cannot be; expected 1 to 1000.")
    scales = _stated(stated, sheet)
    for option in solved:
        line, scale = _solved(option, sheet, now, before)
        scales[line] = scale
    return {
        line: Transmitter(scales.get(line), most_percent=most_percent) for line in sheet.channels
    }


def _stated(stated: tuple[str, ...], sheet: BenchSheet) -> dict[str, PercentScale]:
    of_sheet = {
        line: stated_scale(channel.us_per_percent, "as the sheet states")
        for line, channel in sheet.channels.items()
        if channel.us_per_percent is not None
    }
    for_all: dict[str, PercentScale] = {}
    for_one: dict[str, PercentScale] = {}
    for option in stated:
        line, equals, size = option.rpartition("=")
        scale = stated_scale(_number(size, "--us-per-percent", option))
        if equals:
            _check_line(line, sheet, "--us-per-percent")
            for_one[line] = scale
        else:
            for_all = dict.fromkeys(sheet.channels, scale)
    return {**of_sheet, **for_all, **for_one}


def _solved(
    option: str, sheet: BenchSheet, now: Findings, before: Findings | None
) -> tuple[str, PercentScale]:
    parts = _SOLVE.fullmatch(option)
    if parts is None:
        raise HintError(
            f"--solve {option} cannot be read. Write RX1:high=100,110: line, end, the earlier "
            "setting, the setting now."
        )
    line, end = parts["line"], parts["end"]
    _check_line(line, sheet, "--solve")
    if before is None:
        raise HintError(f"--solve {option} needs the recording at the first setting: add --before.")
    readings = [
        PercentReading(_number(parts[which], "--solve", option), _throw(findings, line, end))
        for which, findings in (("was", before), ("now", now))
    ]
    return line, solve_scale(readings)


def _throw(findings: Findings, line: str, end: str) -> Amount:
    """Width at one end from neutral, or the width itself where there is no neutral."""
    found = findings.channels.get(line)
    travel = None if found is None else found.travel
    level: Level | None = None
    if travel is not None:
        level = travel.low if end == "low" else travel.high
    if travel is None or level is None:
        raise HintError(
            f"--solve: {findings.capture.source} does not show the {end} endpoint of {line}; "
            "record again with the stick held at that end."
        )
    if travel.neutral is None:
        return level.repeated.amount
    return weighed_sum((1.0, level.repeated), (-1.0, travel.neutral.repeated))


def _check_line(line: str, sheet: BenchSheet, option: str) -> None:
    if line not in sheet.channels:
        raise HintError(
            f"{option} names a line '{line}' that {sheet.source} does not have; its lines are "
            f"{', '.join(sheet.channels)}."
        )


def _number(text: str, option: str, whole: str) -> float:
    try:
        number = float(text)
    except ValueError:
        number = math.nan
    if not math.isfinite(number):
        raise HintError(f"{option} {whole} cannot be read: '{text}' is no number.")
    return number
