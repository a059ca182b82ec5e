"""Which column of a text table holds the time, in which unit, and how dates are written."""

from __future__ import annotations

import itertools
import re
from dataclasses import dataclass, replace
from decimal import Decimal
from typing import TYPE_CHECKING, Final, Literal, TypeAlias

from pwmscope.capture.reader.hints import (
    EXPONENT_OF_UNIT,
    foreign_unit_in,
    format_rate,
    is_sample_number,
    size_of_unit,
    time_unit_in,
    unit_in,
)
from pwmscope.capture.text.cells import HOUR_OR_MINUTE, LEVELS, NUMERIC, STAMP, kind_of, number_of
from pwmscope.capture.text.columns import Column, Sheet, is_other_quantity
from pwmscope.capture.text.dialect import Dialect, split
from pwmscope.capture.text.lists import is_end, is_length
from pwmscope.errors import HintError
from pwmscope.model import Assumption, Authority

if TYPE_CHECKING:
    import polars as pl

_MIN_PULSES: Final = 3
_MIN_PS, _MAX_PS = 800 * 10**6, 2200 * 10**6
"""What counts as a servo pulse (common practice)."""
_SHORTEST_PS, _LONGEST_PS = 2500 * 10**6, 25 * 10**9
"""How long after one servo pulse the next begins: 400 to 40 frames a second (common practice)."""
_COARSEST: Final = 8
"""Power of ten, in picoseconds, to which times must be printed to show pulses: 100 us."""


def _fitting_units(text: str, dialect: Dialect, time: Column) -> list[str]:
    r"""Find the units in which some line shows servo pulses and none shows frames of other pulses.

    >>> from pwmscope.capture.text.dialect import find_dialect
    >>> text = "t,RX1\n0,0\n" + "".join(f"{20 * k + 5},1\n{20 * k + 6.25},0\n" for k in range(5))
    >>> _fitting_units(text, find_dialect(text, "a.csv"), Column("t", 0, "decimal", []))
    ['ms']
    """
    lines = text.split("\n")[dialect.skip_lines : -1]
    rows = [split(line, dialect.delimiter) for line in lines if line.strip()]
    width, at = max(map(len, dialect.rows[:1]), default=0), time.position
    rows = [row for row in rows if len(row) == width > at]
    if time.spelling is not None:
        for row in rows:
            row[at] = time.spelling.plain(row[at])
    rows = [row for row in rows if kind_of(row[at]) in NUMERIC]
    if not rows:
        return []
    times = [number_of(row[at]) for row in rows]
    lines_seen = _lines_seen(times, rows, at)
    finest = max(-int(time.as_tuple().exponent) for time in times)
    return [
        unit
        for unit, exponent in EXPONENT_OF_UNIT.items()
        if exponent - finest <= _COARSEST and _show_pulses(lines_seen, Decimal(10) ** exponent)
    ]


def mark_by_pulses(time: TimeColumn, sheet: Sheet, mark: str) -> str | None:
    """Tell by the pulses what marks in times are: `.` before decimals, empty between thousands.

    None where neither or both readings show servo pulses.
    """
    column = time.column
    multiple, exponent = size_of_unit(time.unit)
    rows = [row for row in sheet.dialect.rows if column.position < len(row)]
    rows = [row for row in rows if kind_of(row[column.position]) in NUMERIC]
    listed = [c for c in sheet.columns if c != column and (is_length(c, sheet) or is_end(c, sheet))]
    if len(listed) == 1:
        found = [by for by in (".", "") if _list_pulses(time, listed[0], sheet, (mark, by))]
        return found[0] if len(found) == 1 else None
    found = []
    for by in (".", ""):
        times = [Decimal(row[column.position].replace(mark, by)) for row in rows]
        if _show_pulses(
            _lines_seen(times, rows, column.position), multiple * Decimal(10) ** exponent
        ):
            found.append(by)
    return found[0] if len(found) == 1 else None


def _list_pulses(time: TimeColumn, listed: Column, sheet: Sheet, marked: tuple[str, str]) -> bool:
    """Whether a column of ends or lengths beside the time lists servo pulses, read so."""
    multiple, exponent = size_of_unit(unit_in(listed.name) or time.unit)
    size = multiple * Decimal(10) ** exponent
    begin, factor = size_of_unit(time.unit)
    pairs = zip(time.column.cells, listed.cells, strict=False)
    known = [pair for pair in pairs if all(kind_of(cell) in NUMERIC for cell in pair)]
    told = [[Decimal(cell.replace(*marked)) for cell in pair] for pair in known]
    if is_end(listed, sheet):
        spans = [b * size - a * begin * Decimal(10) ** factor for a, b in told]
    else:
        spans = [b * size for _, b in told]
    count = sum(_MIN_PS <= span <= _MAX_PS for span in spans)
    return count >= _MIN_PULSES and 2 * count >= len(spans)


_State: TypeAlias = tuple[list[Decimal], list[Decimal]]
"""How long one state of a line lasts each time, and how long after it the next one begins."""


def _lines_seen(times: list[Decimal], rows: list[list[str]], at: int) -> list[list[_State]]:
    """Measure both states of every line: either may be the pulse, and the other the pause."""
    width = min(map(len, rows), default=0)
    seen = [_states(times, [row[i] for row in rows]) for i in range(width) if i != at]
    return [states for states in seen if states]


def _states(times: list[Decimal], cells: list[str]) -> list[_State]:
    """Measure both states of a column; none where it has more than two different cells."""
    if len(set(cells)) != 2:
        return []
    changes = [b for (b, cell), before in zip(enumerate(cells[1:], 1), cells, strict=False)
               if cell != before]  # fmt: skip
    at = [times[b] for b in changes]
    spans = [b - a for a, b in itertools.pairwise(at)]
    periods = [b - a for a, b in zip(at, at[2:], strict=False)]
    return [(spans[first::2], periods[first::2]) for first in (0, 1)]


def _show_pulses(lines_seen: list[list[_State]], size_ps: Decimal) -> bool:
    """Whether some line shows servo pulses, and no line frames without such pulses."""
    fits = [any(_are_pulses(state, size_ps) for state in states) for states in lines_seen]
    frames = [all(_are_frames(state, size_ps) for state in states) for states in lines_seen]
    return any(fits) and all(fit or not frame for fit, frame in zip(fits, frames, strict=True))


def _are_pulses(state: _State, size_ps: Decimal) -> bool:
    """Whether most of one state's spans, and what lies from one to the next, are as of servos."""
    spans, _ = state
    count = sum(_MIN_PS <= span * size_ps <= _MAX_PS for span in spans)
    return count >= _MIN_PULSES and 2 * count >= len(spans) and _are_frames(state, size_ps)


def _are_frames(state: _State, size_ps: Decimal) -> bool:
    """Whether what lies from one state to its next is mostly as long as a frame."""
    _, periods = state
    count = sum(_SHORTEST_PS <= period * size_ps <= _LONGEST_PS for period in periods)
    return count >= _MIN_PULSES - 1 and 2 * count >= len(periods)


_ENOUGH_ROWS: Final = 20


def _find_time_unit(column: Column, sheet: Sheet) -> tuple[str, Assumption]:
    """Decide in which unit a column of numbers tells the time.

    The person's word comes first, then the heading, the row of units, the
    remarks above the table, the stated sample rate, and the length of pulses.
    Failing all, numbers with decimals, and the few rows of a sketch, are
    seconds.
    """

    def taken(unit: str, sentence: str, source: Authority) -> tuple[str, Assumption]:
        return unit, assumed_unit(sentence, unit, source)

    name = f"Column '{column.name}'"
    headed = unit_in(column.name) if sheet.has_header else None
    is_other = headed is not None and sheet.hints.time_unit not in (None, headed)
    other = f", though its heading says {headed}" if is_other else ""
    words: tuple[tuple[str | None, str], ...] = (
        (time_unit_in(column.unit)[1] if column.has_units else None, "as its cells say"),
        (sheet.hints.time_unit, f"as you said{other}"),
        (headed, "as its heading says"),
        (time_unit_in(column.unit)[1], "as the row below the header says"),
        (sheet.stated.time_unit, "as the lines above the table say"),
    )
    for unit, why in words:
        if unit is not None:
            by_person: Authority = "person" if unit == sheet.hints.time_unit else "file"
            if headed is not None and by_person == "person":
                _refuse_against_heading(column, sheet, unit, headed)
            return taken(unit, f"{name} is time in {unit}, {why}.", by_person)
    foreign = foreign_unit_in(column.name) if sheet.has_header else None
    if foreign is not None:
        about = f"'{foreign[:40]}' is no known unit of time; add `time_unit` "
        raise sheet.question(column, about + "(s, ms, us, ns, ps or '100 ns').")
    if sheet.rate_hz is not None and (by_rate := _unit_by_rate(column, sheet.rate_hz)):
        rate = format_rate(1e12 / sheet.rate_hz)
        why = f"because its steps are the stated {rate}"
        return taken(by_rate, f"{name} is taken as time in {by_rate}, {why}.", "data")
    if not sheet.has_header and len(column.cells) >= _ENOUGH_ROWS and column.counts_by_one:
        about = "these numbers count the rows, without a unit. Add `rate` for samples, or "
        raise sheet.question(column, about + "`time_unit` for times.")
    fitting = _fitting_units(sheet.more_text(), sheet.dialect, column)
    if len(fitting) > 1:
        about = "no unit is stated, and levels last as servo pulses do in "
        raise sheet.question(column, f"{about}{' and in '.join(fitting)}; add `time_unit`.")
    inferred = next(iter(fitting), None)
    epoch = _epoch_unit(column)
    if inferred is not None and epoch in (None, inferred):
        why = "because levels then last as servo pulses do"
        said = f"No unit is stated: {name} is taken as time in {inferred}, {why}."
        return taken(inferred, said, "data")
    if epoch is not None and inferred is None:
        why = "because it then lies in this century"
        return taken(epoch, f"{name} is taken as {epoch} since 1970, {why}.", "data")
    is_large = column.numbers and abs(column.numbers[-1]) >= _MAX_SECONDS
    doubted = is_large or _hold_a_pulse_in_another_unit(column, sheet)
    if not doubted and any("e" in cell.lower() for cell in column.cells):
        why = "programs write SI units with powers of ten"
        return taken("s", f"{name} is taken as time in seconds: {why}.", "convention")
    if len(column.cells) >= _ENOUGH_ROWS or doubted:
        is_whole = column.kind == "integer"
        raise sheet.question(
            column,
            f"these {'whole ' * is_whole}numbers have no unit. Add `time_unit` (s, ms, us, ns or "
            f"ps){', or `rate` if they count samples' * is_whole}.",
        )
    return taken("s", f"{name} is taken as time in seconds; no unit is stated.", "convention")


def _refuse_against_heading(column: Column, sheet: Sheet, unit: str, headed: str) -> None:
    """Refuse a unit that a person states where pulses show that the heading's is right."""
    if unit == headed:
        return
    fitting = _fitting_units(sheet.more_text(), sheet.dialect, column)
    if headed in fitting and unit not in fitting:
        about = f"the heading says {headed}, and only then do levels last like servo pulses; "
        raise sheet.question(column, about + "leave `time_unit` out.")


def _hold_a_pulse_in_another_unit(column: Column, sheet: Sheet) -> bool:
    """Whether a level lasts as long as a servo pulse in a unit below the second, and none in it."""
    rows = [row for row in sheet.dialect.rows if column.position < len(row)]
    timed = [(cell, row) for cell, row in zip(column.cells, rows, strict=True)
             if kind_of(cell) in NUMERIC]  # fmt: skip
    times, rows = [number_of(cell) for cell, _ in timed], [row for _, row in timed]
    seen = _lines_seen(times, rows, column.position)
    spans = [span for states in seen for state in states for span in state[0]]
    fits = [
        any(_MIN_PS <= span.scaleb(exponent) <= _MAX_PS for span in spans)
        for exponent in EXPONENT_OF_UNIT.values()
    ]
    return any(fits) and not fits[0]


_MAX_SECONDS: Final = 1000
"""The few rows of a sketch without a unit are seconds only up to here."""
_EPOCHS: Final = {"s": 0, "ms": 3, "us": 6, "ns": 9}
_CENTURY_S: Final = (978_307_200, 4_102_444_800)
"""From 2001 to 2100, in seconds since 1970."""


def _epoch_unit(column: Column) -> str | None:
    """Find the unit in which numbers are instants of this century, counted from 1970.

    >>> [_epoch_unit(Column("t", 0, "integer", [text])) for text in
    ...  ("1930000000", "1930000000123", "1930000000123456", "1930000000123456789", "12345")]
    ['s', 'ms', 'us', 'ns', None]
    """
    numbers = column.numbers[:1] + column.numbers[-1:]
    for unit, power in _EPOCHS.items():
        low, high = (bound * 10**power for bound in _CENTURY_S)
        if numbers and all(low <= number <= high for number in numbers):
            return unit
    return None


def assumed_unit(sentence: str, unit: str, source: Authority) -> Assumption:
    """Say which unit of time was assumed; a stated column or unit changes it."""
    return Assumption(sentence, "time unit", unit, "", source, ("time_column", "time_unit"))


def _unit_by_rate(column: Column, rate_hz: float) -> str | None:
    """Find the unit in which even steps of the column are the stated sample interval."""
    numbers = column.numbers
    if len(numbers) < 3:
        return None
    step = float(numbers[-1] - numbers[0]) / (len(numbers) - 1)
    steps = [float(b - a) for a, b in itertools.pairwise(numbers)]
    if max(steps) - min(steps) > 0.01 * step + 2 * 10.0**-column.decimals:
        return None
    for unit, exponent in EXPONENT_OF_UNIT.items():
        if abs(step * 10.0**exponent * rate_hz / 1e12 - 1) < 0.02:
            return unit
    return None


DateOrder: TypeAlias = Literal["ymd", "dmy", "mdy", ""]
_FORMATS: Final = {"ymd": "%Y-%m-%d", "dmy": "%d-%m-%Y", "mdy": "%m-%d-%Y"}
_MAX_S: Final = 9_000_000
"""Beyond 106 days a time does not fit 64 bits of picoseconds."""


@dataclass(frozen=True, slots=True)
class StampFormat:
    """How a column writes dates and times of day."""

    order: DateOrder  # Order of year, month and day; empty for a time of day alone
    is_sure: bool  # Whether the first rows settle which number is the month
    first_date: str  # The first row's date, as written
    point: str  # What stands before the fraction of a second
    zone: str  # The offset from UTC as written, the same in all rows
    origin_s: int = 0  # The first row's whole seconds since 1970
    has_halves: bool = False  # Whether AM or PM follows the time of day
    is_short: bool = False  # Whether minutes and seconds stand alone

    @property
    def is_clock(self) -> bool:
        """Whether rows tell the time of a 24-hour day without its date."""
        return not self.order and not self.is_short

    @property
    def assumptions(self) -> tuple[str, ...]:
        """What was assumed, each a plain sentence."""
        if self.is_sure:
            return ()
        return (
            f"Whether {self.first_date} has the day or the month first is not known. It does not "
            "matter: all rows have this date.",
        )

    def since_origin_ps(self, cell: pl.Expr) -> pl.Expr:
        """Int64 picoseconds since the first row's whole second; null where not a stamp."""
        import polars as pl  # noqa: PLC0415 - slow to import

        seconds, whole, digits = self._seconds(cell)
        since = seconds - self.origin_s
        fraction, is_fraction = _fraction(digits)
        is_good = since.abs().le(_MAX_S) & is_fraction & cell.str.ends_with(self.zone)
        if not self.is_sure:
            is_good &= whole.str.starts_with(self.first_date)
        return pl.when(is_good).then(since * 10**12 + fraction.cast(pl.Int64))

    def of_first(self, cell: str) -> StampFormat:
        """Count from a first cell's whole second; if it is none, every row will be refused."""
        import polars as pl  # noqa: PLC0415 - slow to import

        seconds = pl.select(self._seconds(pl.lit(pl.Series([cell])))[0]).item()
        return replace(self, origin_s=seconds or 0)

    def _seconds(self, cell: pl.Expr) -> tuple[pl.Expr, pl.Expr, pl.Expr]:
        """Whole seconds since 1970 (or the hour, if short), their text, and that of decimals."""
        import polars as pl  # noqa: PLC0415 - slow to import

        bare = cell.str.strip_suffix(self.zone)
        if self.has_halves:
            bare = cell.str.replace(r" ?[AaPp]\.?[Mm]\.?$", "")
        mark = self.first_date.strip("0123456789")[:1]
        if mark == self.point:  # points stand between day and month as well
            parts = bare.str.extract_groups(rf"^([^:]*:[^:]*:\d+)(?:[{mark}](.*))?$").struct
            whole, digits = parts.field("1"), parts.field("2").fill_null("0")
        else:
            parts = bare.str.splitn(self.point, 2).struct
            whole, digits = parts.field("field_0"), parts.field("field_1").fill_null("0")
        if self.is_short:
            clock = whole.str.splitn(":", 2).struct
            minutes, seconds = (
                clock.field(f"field_{i}").cast(pl.Int64, strict=False) for i in range(2)
            )
            is_clock = seconds.is_between(0, 59) & minutes.is_between(0, 999)
            return pl.when(is_clock).then(60 * minutes + seconds), whole, digits
        if self.order:
            date = _FORMATS[self.order].replace("-", mark)
            written = whole.str.replace("T", " ", literal=True)
        else:
            date, written = "%Y-%m-%d", pl.lit("1970-01-01 ") + whole
        # Seconds come again and again in fast recordings, so each is parsed once.
        instant = written.str.to_datetime(
            f"{date} %H:%M:%S", time_unit="ms", strict=False, cache=True
        )
        if self.has_halves:
            instant = _on_24_hours(instant, cell)
        return instant.cast(pl.Int64) // 1000, whole, digits


def _fraction(digits: pl.Expr) -> tuple[pl.Expr, pl.Expr]:
    """Picoseconds from the decimals of a second, and whether they are such."""
    import polars as pl  # noqa: PLC0415 - slow to import

    fraction = digits.str.pad_end(12, "0").cast(pl.UInt64, strict=False)
    return fraction, fraction.lt(10**12) & digits.str.len_bytes().is_between(1, 12)


def _on_24_hours(instant: pl.Expr, cell: pl.Expr) -> pl.Expr:
    """Move times of a 12-hour clock to where AM or PM puts them; null where neither stands."""
    import polars as pl  # noqa: PLC0415 - slow to import

    half = cell.str.extract(r"([AaPp])\.?[Mm]\.?$").str.to_lowercase()
    hour = instant.dt.hour()
    shift = (
        pl.when(half.eq("p") & hour.lt(12)).then(12).when(half.eq("a") & hour.eq(12)).then(-12)
        .otherwise(0)
    )  # fmt: skip
    moved = instant + pl.duration(hours=shift, time_unit="ms")
    return pl.when(half.is_not_null() & hour.is_between(1, 12)).then(moved)


def find_stamp_format(cells: list[str]) -> StampFormat:
    """Find out how dates and times of day are written from the first rows.

    >>> import polars as pl
    >>> format = find_stamp_format(["05/13/2031 10:00:00.5"])
    >>> format.order, format.is_sure
    ('mdy', True)
    >>> cell = pl.Series(["05/13/2031 10:00:01.000000000001"])
    >>> pl.select(format.since_origin_ps(pl.lit(cell))).item()
    1000000000001
    """
    matches = [match for cell in cells if (match := STAMP.fullmatch(cell))]
    dates = [re.split(r"[-/.]", match["date"]) for match in matches if match["date"]]
    first = matches[0]
    point = "," if any("," in match[0] for match in matches) else "."
    order, is_sure = _find_order(dates, first["date"] or "")
    found = StampFormat(
        order, is_sure, first["date"] or "", point, first["zone"] or "",
        has_halves=first["half"] is not None, is_short=first["short"] is not None,
    )  # fmt: skip
    return found.of_first(first[0])


def _find_order(dates: list[list[str]], first: str) -> tuple[DateOrder, bool]:
    if not dates:
        return "", True
    if len(dates[0][0]) == 4:
        return "ymd", True
    if "/" not in first or any(int(date[0]) > 12 for date in dates):
        return "dmy", True
    if any(int(date[1]) > 12 for date in dates):
        return "mdy", True
    return "dmy", False


TimeKind: TypeAlias = Literal["number", "stamp", "sample"]


@dataclass(frozen=True, slots=True)
class TimeColumn:
    """The column that holds the time."""

    column: Column  # Which it is
    kind: TimeKind  # Numbers of a unit, dates and times of day, or sample numbers
    unit: str  # Unit of the numbers; `s` for stamps and for sample numbers
    assumption: Assumption  # What was assumed
    agreed: str = ""  # What is said of other columns that tell the same times

    @property
    def decimals(self) -> int:
        """Most decimals printed in the first rows, of a second for stamps."""
        if self.kind != "stamp":
            return self.column.decimals
        return _decimals_of_stamps(self.column)


def find_time_column(sheet: Sheet) -> tuple[TimeColumn | None, tuple[str, ...]]:
    """Find the column that holds the time."""
    counters = [c for c in sheet.columns if sheet.has_header and is_sample_number(c.name)]
    counters = [c for c in counters if c.kind in ("integer", "digit") and not _is_a_level(c, sheet)]
    counters += [c for c in sheet.columns if c.is_nameless and c.position == 0 and c.counts_by_one]
    candidates = [
        c for c in _candidates(sheet) if c not in counters or c.name == sheet.hints.time_column
    ]
    agreed = ""
    if len(candidates) > 1 and (finest := _finest_of_the_same(candidates, sheet)) is not None:
        names = " and ".join(f"'{c.name}'" for c in candidates)
        agreed = f"Columns {names} tell the same times in the first rows; the finer one is taken."
        candidates = [finest]
    if len(candidates) > 1:
        found = f"two columns may hold the time ({candidates[0].name} and {candidates[1].name})"
        choices = {"time_column": tuple(c.name for c in candidates)}
        remedy = "name one of them with `time_column`"
        raise sheet.refusal(found, remedy, in_header=True, choices=choices)
    if not candidates and not counters:
        return None, ()
    column = (candidates or counters)[0]
    _refuse_a_counter_of_pulses(column, sheet)
    timed = [
        c
        for c in sheet.columns
        if sheet.has_header and time_unit_in(c.name)[0] and not _is_a_level(c, sheet)
    ]
    counters += [c for c in sheet.columns if c != column and _numbers_rows(c, sheet)]
    aside = tuple(dict.fromkeys(c.name for c in (*timed, *counters) if c != column))
    understood = _understood(column, sheet, is_counter=column in counters)
    return replace(understood, agreed=agreed), aside


def _is_a_level(column: Column, sheet: Sheet) -> bool:
    """Whether a column headed like a time or a count holds levels, beside one that is the time."""
    if column.kind not in LEVELS or len(column.cells) < _MIN_ROWS or column.counts_by_one:
        return False
    return any(
        c.kind not in LEVELS and (c.kind == "stamp" or c.is_rising) and time_unit_in(c.name)[0]
        for c in sheet.columns
    )


_MIN_ROWS: Final = 3
_ENOUGH_STEPS: Final = 10
"""Times that differ must be told apart by this many of their last digits."""


def _finest_of_the_same(columns: list[Column], sheet: Sheet) -> Column | None:
    """Find the finest of columns that tell the same times; None where any of them differs."""
    told = [_times_of(column, sheet) for column in columns]
    known = [times for times in told if times is not None]
    if len(known) < len(columns) or len({len(times) for times, _ in known}) > 1:
        return None
    finest = min(range(len(known)), key=lambda i: known[i][1])
    times, step = known[finest]
    for column, (others, other_step) in zip(columns, known, strict=True):
        apart = [a - b for a, b in zip(times, others, strict=True)]
        if "stamp" in (column.kind, columns[finest].kind):  # they may count from elsewhere
            apart = [each - apart[0] for each in apart]
        is_long = others[-1] - others[0] >= _ENOUGH_STEPS * max(step, other_step)
        if max(map(abs, apart)) > step + other_step or not is_long:
            return None
    return columns[finest]


def _times_of(column: Column, sheet: Sheet) -> tuple[list[int], int] | None:
    """Read a column's first cells as picoseconds, with that of its last digit; None if unsure."""
    if column.kind == "stamp":
        import polars as pl  # noqa: PLC0415 - slow to import

        format_ = find_stamp_format(column.cells)
        cells = pl.DataFrame({"cell": pl.Series(column.cells, dtype=pl.String)})
        times = cells.select(format_.since_origin_ps(pl.col("cell"))).to_series().to_list()
        return (times, 10 ** (12 - _decimals_of_stamps(column))) if None not in times else None
    unit = time_unit_in(column.name)[1] or time_unit_in(column.unit)[1]
    if unit is None or len(column.numbers) != len(column.cells) or not column.cells:
        return None
    multiple, exponent = size_of_unit(unit)
    size = multiple * Decimal(10) ** exponent
    return [int(n * size) for n in column.numbers], int(size.scaleb(-column.decimals))


def _decimals_of_stamps(column: Column) -> int:
    stamps = [STAMP.fullmatch(cell) for cell in column.cells]
    return max(len(stamp["fraction"] or "") for stamp in stamps if stamp)


_COUNTED: Final = re.compile(
    r"^(?:pulses?|events?|edges?|frames?|rows?|lines?|entry|item|id|count|counter|seq|sequence)"
    r"[ _-]*(?:no|nr|num|number|index|idx|id|#)?\.?$",
    re.IGNORECASE,
)


def _numbers_rows(column: Column, sheet: Sheet) -> bool:
    """Whether a column beside the time only numbers the rows, by its heading and its cells."""
    is_headed = sheet.has_header and _COUNTED.match(column.name.strip()) is not None
    return is_headed and len(column.cells) > 1 and column.counts_by_one


def _refuse_a_counter_of_pulses(column: Column, sheet: Sheet) -> None:
    """Refuse the numbers of pulses as their times, where lengths stand beside them."""
    is_headed = time_unit_in(column.name)[0] or time_unit_in(column.unit)[0]
    is_named = sheet.hints.time_column is not None or sheet.hints.time_unit is not None
    if is_headed or is_named or not (sheet.has_header and column.counts_by_one):
        return
    others = [c for c in sheet.columns if c != column and c.kind != "empty"]
    if any(is_length(c, sheet) for c in others) and not any(is_end(c, sheet) for c in others):
        found = f"'{column.name}' counts rows, and nothing says when the pulses began"
        remedy = "export the time of each rise, or say that it is the time with `time_unit`"
        raise sheet.refusal(found, remedy, in_header=True)


def _understood(column: Column, sheet: Sheet, *, is_counter: bool) -> TimeColumn:
    name = f"Column '{column.name}'"
    if column.kind == "stamp":
        said = f"{name} holds dates or times of day; the first row's is time 0."
        assumption = Assumption(said, "time column", column.name, "", "data", ("time_column",))
        return TimeColumn(column, "stamp", "s", assumption)
    if column.kind not in NUMERIC:
        shown = f"'{next(iter(column.cells), '')[:40]}'"
        if any(HOUR_OR_MINUTE.fullmatch(cell) for cell in column.cells[:20]):
            found = f"{shown} may be hours and minutes, or minutes and seconds"
            remedy = "export times with decimals of a second, or name another with `time_column`"
            raise sheet.refusal(found, remedy, column)
        choices = {"time_column": tuple(c.name for c in sheet.columns if c.kind in NUMERIC)}
        remedy = "name the column that holds the time with `time_column`"
        found = f"{shown} stands where a time was expected"
        raise sheet.refusal(found, remedy, column, choices=choices)
    if (
        sheet.hints.time_unit is None
        and not column.has_units
        and (is_counter or _counts_rows(column, sheet))
    ):
        why = "as its heading says" if is_counter else "because it counts the rows"
        said = f"{name} is taken as the sample's number, {why}."
        arguments = ("time_column", "rate")
        assumption = Assumption(said, "time column", column.name, "", "data", arguments)
        return TimeColumn(column, "sample", "s", assumption)
    unit, assumption = _find_time_unit(column, sheet)
    return TimeColumn(column, "number", unit, assumption)


def _counts_rows(column: Column, sheet: Sheet) -> bool:
    """Whether a column not headed as time counts the rows by one, and a rate is known."""
    if sheet.rate_hz is None or column.kind != "integer":
        return False
    if sheet.has_header and time_unit_in(column.name)[0]:
        return False
    return all(b - a == 1 for a, b in itertools.pairwise(column.numbers))


def _candidates(sheet: Sheet) -> list[Column]:
    """Columns that may hold the time: named, else headed, else those whose numbers rise."""
    named = sheet.hints.time_column
    if named is not None:
        found = [c for c in sheet.columns if c.name == named]
        if not found:
            raise HintError(
                f"{sheet.source}: there is no column '{named}' for `time_column`; "
                f"the columns are {', '.join(c.name for c in sheet.columns)}."
            )
        return found
    if sheet.has_header:
        timed = [
            c
            for c in sheet.columns
            if c.kind in (*NUMERIC, "stamp") and not is_other_quantity(c, sheet)
        ]
        headed = [c for c in timed if time_unit_in(c.name)[0] and not _is_a_level(c, sheet)]
        if not headed:
            headed = [c for c in sheet.columns if _is_bare_clock(c)]
        if headed:
            return headed
        by_unit = [c for c in timed if time_unit_in(c.unit)[0]]
        if len(by_unit) == 1:
            return by_unit
    lines = sheet.hints.lines or ()
    free = [
        c
        for c in sheet.columns
        if c.name not in lines
        and not (is_end(c, sheet) or is_length(c, sheet) or is_other_quantity(c, sheet))
    ]
    rising = [c for c in free if c.kind == "stamp" or c.is_rising]
    return rising if len(rising) < 2 else _still_rising(rising, sheet)


def _is_bare_clock(column: Column) -> bool:
    """Whether a column headed as time holds hours and minutes, or minutes and seconds."""
    cells = column.cells[:20]
    return (
        time_unit_in(column.name)[0] and bool(cells) and all(map(HOUR_OR_MINUTE.fullmatch, cells))
    )


def _still_rising(columns: list[Column], sheet: Sheet) -> list[Column]:
    """Keep the columns that rise further on as well: a voltage falls again some time."""
    lines = sheet.more_text().split("\n")[sheet.dialect.skip_lines : -1]
    rows = [split(line, sheet.dialect.delimiter) for line in lines]
    longer = [
        replace(c, cells=[row[c.position] for row in rows if c.position < len(row)])
        for c in columns
    ]
    pairs = zip(columns, longer, strict=True)
    return [
        c
        for c, more in pairs
        if c.kind == "stamp" or c.has_units or not more.cells or more.is_rising
    ]
