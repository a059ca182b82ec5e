"""Which columns of a text table hold levels, buses or voltages, and how they are written."""

from __future__ import annotations

import contextlib
import itertools
import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from decimal import Decimal
from typing import Final, Literal, TypeAlias

from pwmscope.capture.reader.hints import (
    MAX_LINES,
    Hints,
    is_sample_number,
    time_unit_in,
    unit_in,
)
from pwmscope.capture.text.cells import (
    LEVELS,
    NUMERIC,
    THOUSANDS,
    CellKind,
    Spelling,
    Stated,
    are_binary_digits,
    are_hex_digits,
    comma_before_decimals,
    find_spelling,
    in_one_unit,
    kind_of,
    kind_of_column,
    may_be_thousands,
    number_of,
)
from pwmscope.capture.text.dialect import MAX_COLUMNS, Dialect
from pwmscope.errors import CaptureError, HintError

_ENOUGH: Final = 1000
"""Cells that show how many decimals are printed."""


@dataclass(frozen=True, slots=True)
class Column:
    """One column of a text table."""

    name: str  # Its name, unique in the table
    position: int  # Its place, from 0
    kind: CellKind  # What its first cells hold
    cells: list[str]  # Its first cells
    unit: str = ""  # What the row of units or its cells say of it; empty where they do not
    has_units: bool = (
        False  # Whether its cells carry units; `cells` are then bare numbers of `unit`
    )
    is_nameless: bool = False  # Whether there is a header and this column's cell in it is empty
    spelling: Spelling | None = None  # How its cells were written; they are kept plain

    def spelled(self, spelling: Spelling) -> Column:
        """Write its cells plainly, as a spelling reads them."""
        cells = [spelling.plain(cell) for cell in self.cells]
        return replace(self, cells=cells, kind=kind_of_column(cells), spelling=spelling)

    @property
    def words(self) -> str:
        """What its heading and the row of units say."""
        return f"{self.name.replace('_', ' ')} {self.unit}"

    @property
    def numbers(self) -> list[Decimal]:
        """The cells that are numbers, exact."""
        return [number_of(cell) for cell in self.cells if kind_of(cell) in NUMERIC]

    @property
    def decimals(self) -> int:
        """Most decimals printed in the cells that are numbers."""
        numbers = replace(self, cells=self.cells[:_ENOUGH]).numbers
        exponents = [number.as_tuple().exponent for number in numbers]
        decimals = [-e for e in exponents if isinstance(e, int)]
        if self.has_units and self.unit == "ps":
            return min(decimals, default=0)  # units that change: the coarsest cell counts
        return max(decimals, default=0)

    @property
    def is_rising(self) -> bool:
        """Whether the numbers never fall, do change, and are not mere levels."""
        if self.kind not in ("integer", "decimal"):
            return False
        numbers = self.numbers
        if len(numbers) < 2:
            return self.position == 0 and bool(numbers)  # a single row shows no more than that
        return numbers[0] < numbers[-1] and all(a <= b for a, b in itertools.pairwise(numbers))

    @property
    def counts_by_one(self) -> bool:
        """Whether its cells are whole numbers, each one more than the one above."""
        if self.kind not in ("integer", "digit") or not self.cells:
            return False
        numbers = self.numbers
        return len(numbers) == len(self.cells) and all(
            b - a == 1 for a, b in itertools.pairwise(numbers)
        )


@dataclass(frozen=True, slots=True)
class Sheet:
    """A text table's head with everything said about it."""

    source: str  # The file's name, for messages
    dialect: Dialect  # How the rows are written
    columns: tuple[Column, ...]  # All columns in file order
    stated: Stated  # What the remarks above the table say
    hints: Hints  # What the person said
    more_text: Callable[[], str]  # Gives more of the file's text, to infer an unstated unit from

    @property
    def has_header(self) -> bool:
        """Whether the columns' names come from the file."""
        return self.dialect.headings is not None

    @property
    def rate_hz(self) -> float | None:
        """The sample rate as the person or else the file states it."""
        return self.hints.rate_hz or self.stated.rate_hz

    def refusal(
        self, found: str, remedy: str, column: Column | None = None, *, in_header: bool = False,
        choices: dict[str, tuple[str, ...]] | None = None,
    ) -> CaptureError:  # fmt: skip
        """Refuse the table for its header or its first row."""
        row = max(1, self.dialect.skip_lines) if in_header else self.dialect.skip_lines + 1
        name = None if column is None else column.name
        return CaptureError(self.source, found, remedy, row=row, column=name, choices=choices)

    def question(self, column: Column, about: str) -> HintError:
        """Ask for what the table does not say of a column."""
        return HintError(f"{self.source}, column {column.name}: {about}")


def find_columns(dialect: Dialect, source: str = "") -> tuple[Column, ...]:
    r"""Name the columns of a table and look at their first cells.

    >>> from pwmscope.capture.text.dialect import find_dialect
    >>> columns = find_columns(find_dialect("t,a,a,\n0.5,1,H,2\n0.6,0,L,2\n", "a.csv"))
    >>> [(column.name, column.kind) for column in columns]
    [('t', 'decimal'), ('a', 'digit'), ("a'", 'word'), ('column4', 'integer')]
    """
    widths = [len(row) for row in dialect.rows]
    headings = list(dialect.headings or ())
    width = len(headings) or max(set(widths), key=widths.count)
    if headings and widths[0] == width + 1 and 2 * widths.count(width + 1) > len(widths):
        # A delimiter after the last cell of each row, or a number before the first.
        width += 1
        last = {row[-1] for row in dialect.rows if len(row) == width}
        first = Column("", 0, "integer", [row[0] for row in dialect.rows if len(row) == width])
        if last != {""} and first.counts_by_one:
            headings.insert(0, "")
        elif last != {""}:
            raise CaptureError(
                source,
                f"the header has {width - 1} cells and the rows have {width}",
                "give the header and the rows as many cells, or export the recording again",
                row=dialect.skip_lines + 1,
            )
    headings = [*headings, *[""] * width][:width]
    units = [*(dialect.units or ()), *[""] * width]
    columns: list[Column] = []
    for i, heading in enumerate(headings):
        is_nameless = dialect.headings is not None and heading in _NAMELESS
        name = heading or f"column{i + 1}"
        while name in [column.name for column in columns]:
            name += "'"
        cells = [row[i] for row in dialect.rows if i < len(row)]
        column = Column(name, i, _kind_under(heading, cells), cells, units[i].strip("()[]{} "))
        column = _plainly_spelled(column, dialect)
        columns.append(replace(_without_units(column), is_nameless=is_nameless))
    return tuple(columns)


_SPELLED: Final = ("text", "integer", "decimal", "level number")


def _plainly_spelled(column: Column, dialect: Dialect) -> Column:
    """Write a column's cells as parsers know them, where they are all spelled in one other way."""
    if column.kind not in _SPELLED:
        return column
    found = find_spelling(column.cells)
    if found is None and dialect.headings is not None and is_sample_number(column.name):
        # The number of a sample has no decimals.
        marks = [mark for mark in THOUSANDS if may_be_thousands(column.cells, mark)]
        found = THOUSANDS[marks[0]] if marks else None
    if found is None and not dialect.decimal_comma and dialect.delimiter != ",":
        found = comma_before_decimals(column.cells)
    if found is None:
        return column
    return column.spelled(found)


_NAMELESS: Final = ("", "Unnamed: 0")
_BASE_WORD: Final = re.compile(
    r"(?:^|[\s_(\[{])(?P<base>hex|hexadecimal|0x|bin|binary|dec|decimal)(?=$|[\s_)\]}])",
    re.IGNORECASE,
)


def _base_in(heading: str) -> str:
    match = _BASE_WORD.search(heading)
    return match["base"].lower()[:3] if match else ""


def _kind_under(heading: str, cells: list[str]) -> CellKind:
    """Tell what a column holds; a heading that names the base of its numbers decides."""
    base, kind = _base_in(heading), kind_of_column(cells)
    if base in ("hex", "0x") and kind != "empty" and are_hex_digits(cells):
        return "hex"
    if base == "bin" and kind != "empty" and are_binary_digits(cells):
        return "binary"
    return "integer" if base == "dec" and kind == "binary" else kind


def _without_units(column: Column) -> Column:
    """Write cells such as ``50 us`` as bare numbers of the unit they carry."""
    found = in_one_unit(column.cells) if column.kind == "quantity" else None
    if found is None:
        kind: CellKind = "text" if column.kind == "quantity" else column.kind
        return replace(column, kind=kind)
    cells, unit = found
    kind = "decimal" if unit == "V" else kind_of_column(cells)
    kind = "integer" if kind in ("digit", "level number") else kind
    return replace(column, cells=cells, kind=kind, unit=unit, has_units=True)


LevelKind: TypeAlias = Literal[
    "digit", "level number", "word", "hex", "binary", "integer", "analogue"
]
_MAX_BUS_BITS: Final = 63
_BUS_KINDS: Final = ("hex", "binary", "integer")
_EXPORT: Final = "export this line as digital levels"
_RANGE: Final = re.compile(r"\s*\[\s*(\d{1,6})\s*:\s*(\d{1,6})\s*\]\s*$")
_BASE_AT_END: Final = re.compile(
    r"\s*[(\[{](?:hex|hexadecimal|0x|bin|binary|dec|decimal)[)\]}]\s*$", re.IGNORECASE
)
_BUS_WORD: Final = re.compile(r"\b(bus|port|byte|word|data|hex|bin|binary)\b", re.IGNORECASE)
_VOLT_WORD: Final = re.compile(
    r"\b(m?v|volts?|voltage|adc|analog|analogue|amplitude)\b", re.IGNORECASE
)


@dataclass(frozen=True, slots=True)
class LevelColumn:
    """A column that holds the level of one line, or of several packed into a number."""

    name: str  # The line's name, or the bus's without its range of bits
    position: int  # The column's place, from 0
    kind: LevelKind  # How levels are written
    first_bit: int = 0  # Its first bit in a row's word
    bits: int = 1  # Bits set aside for it in a row's word: 1 unless it is a bus
    lowest: int = 0  # Number of a bus's lowest bit, as its heading says
    has_stated_width: bool = False  # Whether the heading states how wide the bus is
    # What to do about cells of its head that are no levels; empty where all of them are
    remedy: str = ""

    @property
    def is_bus(self) -> bool:
        """Whether it packs several lines."""
        return self.kind in _BUS_KINDS

    def line_names(self, width: int | None = None) -> tuple[str, ...]:
        """Names of the lines it holds, `width` of them where it is a bus.

        >>> LevelColumn("D", 1, "hex", bits=4).line_names(2)
        ('D[0]', 'D[1]')
        """
        if not self.is_bus:
            return (self.name,)
        count = self.bits if width is None else width
        return tuple(f"{self.name}[{self.lowest + i}]" for i in range(count))


def find_level_columns(
    columns: list[Column], sheet: Sheet
) -> tuple[tuple[LevelColumn, ...], tuple[str, ...]]:
    """Decide how each column writes its levels."""
    levels = [_level_column(column, sheet) for column in _chosen(columns, sheet)]
    if not levels:
        found = "no column of levels beside the time column"
        raise sheet.refusal(found, "export at least one digital line", in_header=True)
    if len(levels) > MAX_COLUMNS:
        found = f"{len(levels)} columns of levels, at most {MAX_COLUMNS} are looked at"
        raise sheet.refusal(found, "name those to read with `lines`", in_header=True)
    if sheet.hints.threshold_v is not None and not any(
        level.remedy or level.kind == "analogue" for level in levels
    ):
        raise needless_threshold(sheet.source)
    placed = _placed(levels) if _bits(levels) <= MAX_LINES else tuple(levels)
    return placed, tuple(_sentences(placed))


def needless_threshold(source: str) -> HintError:
    """Refuse a threshold for levels of 0 and 1, or words."""
    return HintError(f"{source}: no column holds voltages; leave `threshold` out.")


def find_left_out(columns: list[Column], sheet: Sheet) -> tuple[LevelColumn, ...]:
    """Describe the columns of levels that `lines` leaves out, as far as they can be read."""
    if sheet.hints.lines is None:
        return ()
    chosen = {column.name for column in _chosen(columns, sheet)}
    found = []
    for column in columns:
        if column.kind != "empty" and column.name not in chosen:
            with contextlib.suppress(CaptureError):
                found.append(_level_column(column, sheet))
    return tuple(level for level in found if not level.remedy and level.kind != "analogue")


def _bits(levels: Sequence[LevelColumn]) -> int:
    return sum(max(1, level.bits) for level in levels)


def groups_of(levels: Sequence[LevelColumn]) -> tuple[tuple[LevelColumn, ...], ...]:
    """Cut more columns than one word holds into groups that fit, each placed in a word."""
    groups: list[list[LevelColumn]] = [[]]
    for level in levels:
        if groups[-1] and (_bits([*groups[-1], level]) > MAX_LINES):
            groups.append([])
        groups[-1].append(level)
    return tuple(_placed(group) for group in groups)


def _chosen(columns: list[Column], sheet: Sheet) -> list[Column]:
    columns = [column for column in columns if column.kind != "empty"]
    lines = sheet.hints.lines
    if lines is None:
        return columns
    bases = {column.name: _bus_range(column.name)[0] for column in columns}
    for line in lines:
        if not any(_is_for(line, name, base) for name, base in bases.items()):
            raise HintError(
                f"{sheet.source}: there is no line '{line}' for `lines`; "
                f"the lines are {', '.join(bases)}."
            )
    return [c for c in columns if any(_is_for(line, c.name, bases[c.name]) for line in lines)]


def _is_for(line: str, name: str, base: str) -> bool:
    return line in (name, base) or re.fullmatch(re.escape(base) + r"\[\d+\]", line) is not None


def _bus_range(name: str) -> tuple[str, int, int] | tuple[str, None, None]:
    name = _BASE_AT_END.sub("", name) or name
    match = _RANGE.search(name)
    if match is None:
        return name, None, None
    ends = int(match[1]), int(match[2])
    return name[: match.start()], min(ends), max(ends) - min(ends) + 1


_OTHER_UNIT: Final = re.compile(
    r"[(\[]\s*(?:°\s*[CF]?|deg ?[CF]?|%|[mµu]A|m?Ah|[kM]?Hz|dBm?|rpm|1/min|[mk]W|[hk]?Pa|m?bar|kg|"
    r"Nm|[mck]m|m/s|km/h)\s*[)\]]"
    r"|[ _](?:deg[CF]|mA|mAh|k?Hz|dBm|rpm|pct|percent|hPa|kPa)$|^[Tt][ _]?(?:deg)?[CF]$"
)
_OTHER_WORD: Final = re.compile(
    r"\b(?:temp|temperature|humidity|rssi|battery|batt|rpm|current|altitude|pressure|"
    r"comment|remark|note|dt|delta|diff|since|gap|interval|frequency|freq|duty)\b",
    re.IGNORECASE,
)
"""Headings of something that is no level of a line."""


def is_other_quantity(column: Column, sheet: Sheet) -> bool:
    """Whether a column of numbers is headed as a quantity that no line's level is."""
    if column.kind not in ("integer", "decimal") or not sheet.has_header:
        return False
    if _is_asked(column, sheet) or _VOLT_WORD.search(column.words):
        return False
    headed = _OTHER_UNIT.search(column.name) or _OTHER_UNIT.search(f"({column.unit})")
    return bool(headed) or _OTHER_WORD.search(column.words) is not None


def is_remark(column: Column, sheet: Sheet) -> bool:
    """Whether a column of words is headed as remarks."""
    is_words = sheet.has_header and column.kind == "text"
    return is_words and _REMARK_WORD.search(column.name.replace("_", " ")) is not None


_REMARK_WORD: Final = re.compile(r"\b(?:comment|remark|note|annotation)s?\b", re.IGNORECASE)


def _is_asked(column: Column, sheet: Sheet) -> bool:
    return sheet.hints.lines is not None and column.name in sheet.hints.lines


_MOST_LOGIC_V: Final = 6.0
"""Numbers that never come below this, beside digital lines, are no logic levels (own choice)."""
_MIDDLE: Final = (0.1, 0.9)
"""Between these parts of its range a voltage is at neither of two levels."""


def find_bystanders(others: list[Column], time: Column | None, sheet: Sheet) -> tuple[str, ...]:
    """Name the columns beside the time that hold no levels of a line.

    Those headed as another quantity or a length of time, and words headed as remarks. Beside
    digital lines also numbers far above a logic level, and where each row is a change of those
    lines, voltages on their way.
    """
    numbers = [c for c in others if c.kind in ("integer", "decimal") and not _is_asked(c, sheet)]
    aside = [c for c in numbers if is_other_quantity(c, sheet)]
    aside += [c for c in others if is_remark(c, sheet) and not _is_asked(c, sheet)]
    aside += [c for c in numbers if time is not None and sheet.has_header and unit_in(c.name)]
    digital = [c for c in others if c.kind in ("digit", "word") and len(set(c.cells)) > 1]
    free = [c for c in numbers if c not in aside and c.kind == "decimal" and len(c.numbers) > 1]
    if not digital or sheet.hints.threshold_v is not None:
        free = []
    unsaid = [c for c in free if not _VOLT_WORD.search(c.words)]
    aside += [c for c in unsaid if min(map(abs, c.numbers)) > _MOST_LOGIC_V]
    if free and time is not None and _are_changes(digital, time):
        aside += [c for c in free if c not in aside and _is_on_its_way(c)]
    return tuple(dict.fromkeys(c.name for c in aside))


def _are_changes(digital: list[Column], time: Column) -> bool:
    """Whether rows come at uneven times, and most of them change a digital line."""
    steps = [b - a for a, b in itertools.pairwise(time.numbers)]
    if not steps or max(steps) - min(steps) <= max(
        2 * Decimal(10) ** -time.decimals, sum(steps) / len(steps) / 100
    ):
        return False
    rows = list(zip(*(c.cells for c in digital), strict=False))
    changed = sum(a != b for a, b in itertools.pairwise(rows))
    return 2 * changed >= len(rows) - 2


def _is_on_its_way(column: Column) -> bool:
    """Whether some of a voltage's first values lie well between the lowest and the highest."""
    low, high = float(min(column.numbers)), float(max(column.numbers))
    least, most = (low + part * (high - low) for part in _MIDDLE)
    return any(least < number < most for number in column.numbers)


def _level_column(column: Column, sheet: Sheet) -> LevelColumn:
    kind = column.kind
    is_voltage = kind == "level number" and _VOLT_WORD.search(f"{column.name} {column.unit}")
    is_number = kind in ("decimal", "level number", "integer")
    has_threshold = sheet.hints.threshold_v is not None
    if is_voltage or (kind == "digit" and _is_under_threshold(column, sheet)):
        # A voltage that begins at 0.0000 is no level, though it looks like one at first.
        return LevelColumn(column.name, column.position, "analogue")
    if kind in ("digit", "word") or (kind == "level number" and not has_threshold):
        return LevelColumn(column.name, column.position, kind)
    if kind in ("hex", "binary"):
        _refuse_two_bases(column, sheet)
        return _bus(column, kind)
    if is_number and _is_spoilt(column, sheet):
        remedy = "mend this row, or give `threshold` for a voltage"
    elif is_number and (kind != "integer" or has_threshold):
        return LevelColumn(column.name, column.position, "analogue")
    elif kind == "integer":
        return _whole_numbers(column, sheet)
    elif has_threshold:
        remedy = _EXPORT
    else:
        remedy = "export this line as digital levels, or leave it out with `lines`"
    # The first cell that is no level is refused.
    return LevelColumn(column.name, column.position, "digit", remedy=remedy)


def holds_levels(column: Column) -> bool:
    """Whether a column holds levels, but for one or two cells at most."""
    return column.kind in LEVELS or bool(_odd_among_digits(column))


def _odd_among_digits(column: Column) -> list[str]:
    """Give the one or two cells that keep a column from being 0 and 1; none where more do."""
    odd = [cell for cell in column.cells if kind_of(cell) not in ("digit", "empty")]
    is_digital = len(column.cells) >= _MIN_DIGITS and {"0", "1"} <= {*column.cells}
    return odd if is_digital and len(odd) <= _MAX_SPOILT else []


def _is_spoilt(column: Column, sheet: Sheet) -> bool:
    """Whether one or two cells keep a column beside digital lines from being 0 and 1.

    Taken for a voltage, they would set the threshold, and hide the levels.
    """
    odd = [number_of(cell) for cell in _odd_among_digits(column) if kind_of(cell) in NUMERIC]
    is_whole = column.kind == "integer" and min(column.numbers) >= 0  # which may be a bus
    are_far = bool(odd) and not any(0 <= number <= 1 for number in odd)
    if is_whole or not are_far or sheet.hints.threshold_v is not None:
        return False
    beside = [c for c in sheet.columns if c is not column and not _may_be_time(c, sheet)]
    is_said = _VOLT_WORD.search(f"{column.name} {column.unit}") is not None
    return not is_said and all(c.kind not in ("integer", "decimal") for c in beside)


_MIN_DIGITS: Final = 20
"""Cells that show a column to be of 0 and 1 but for one or two."""
_MAX_SPOILT: Final = 2


def _is_under_threshold(column: Column, sheet: Sheet) -> bool:
    """Whether a column that shows nothing but 1 at first is written as those that need a threshold.

    A 1 is high where lines are 0 and 1, and low where they are 1 and 2.
    """
    if sheet.hints.threshold_v is None or {cell for cell in column.cells if cell} != {"1"}:
        return False
    levels = [
        c for c in sheet.columns if c.kind in (*NUMERIC, "hex") and not _may_be_time(c, sheet)
    ]
    wholes = [c for c in levels if c.kind == "integer"]
    if wholes:
        return all(min(c.numbers) == 1 for c in wholes)
    return all(c.kind == "digit" and "0" not in c.cells for c in levels)


def _may_be_time(column: Column, sheet: Sheet) -> bool:
    return column.is_rising or (sheet.has_header and time_unit_in(column.name)[0])


def _bus(column: Column, kind: LevelKind) -> LevelColumn:
    base, lowest, width = _bus_range(column.name)
    return LevelColumn(
        base, column.position, kind, 0, width or 0, lowest or 0, has_stated_width=width is not None
    )


def _whole_numbers(column: Column, sheet: Sheet) -> LevelColumn:
    """Tell a bus from a voltage in counts, by what is said of it; numbers alone cannot."""
    is_negative = any(number < 0 for number in column.numbers)
    lines = sheet.hints.lines or ()
    is_bus = (
        _bus_range(column.name)[1] is not None
        or _BUS_WORD.search(column.words) is not None
        or any(re.fullmatch(re.escape(column.name) + r"\[\d+\]", line) for line in lines)
    )
    if is_bus and not is_negative:
        if _base_in(column.name) != "dec" and _are_padded(column.cells):
            raise _two_bases(column, sheet, "decimal or hexadecimal")
        return _bus(column, "integer")
    if is_negative or _VOLT_WORD.search(column.words):
        return LevelColumn(column.name, column.position, "analogue")
    remedy = "whole numbers may be a voltage or a bus: give `threshold` for a voltage, or"
    if _odd_among_digits(column):
        remedy = "mend or remove this row, or give"
    remedy += f" `lines` ('{column.name}[0]', ...) for a bus"
    return LevelColumn(column.name, column.position, "digit", remedy=remedy)


def _are_padded(cells: list[str]) -> bool:
    """Whether whole numbers are padded with zeros to one width, as hexadecimal ones are."""
    some = {cell for cell in cells if cell}
    return len({len(c) for c in some}) == 1 and any(c[0] == "0" and len(c) > 1 for c in some)


def _refuse_two_bases(column: Column, sheet: Sheet) -> None:
    """Refuse ``0b`` and ``1b`` where nothing says whether the b is a digit or means binary."""
    cells = {cell.lower() for cell in column.cells if cell}
    both = all(re.fullmatch(r"[01]+b", cell) for cell in cells)
    if both and not _base_in(column.name):
        raise _two_bases(column, sheet, "binary or hexadecimal")


def _two_bases(column: Column, sheet: Sheet, bases: str) -> CaptureError:
    remedy = "write the base into the heading, such as 'RX (hex)', or read other lines with `lines`"
    return sheet.refusal(f"the numbers may be {bases}", remedy, column)


def _placed(levels: list[LevelColumn]) -> tuple[LevelColumn, ...]:
    """Give each column its bits of the row's word; buses of unstated width share what is left."""
    open_buses = [level for level in levels if level.is_bus and not level.has_stated_width]
    taken = sum(level.bits for level in levels if level not in open_buses)
    share = min(_MAX_BUS_BITS, (MAX_LINES - taken) // max(1, len(open_buses)))
    placed: list[LevelColumn] = []
    first_bit = 0
    for level in levels:
        bits = share if level in open_buses else level.bits
        placed.append(replace(level, first_bit=first_bit, bits=bits))
        first_bit += bits
    return tuple(placed)


_SHOWN_LOW: Final = ("l", "low", "false", "off", "no")
_SHOWN_HIGH: Final = ("h", "high", "true", "on", "yes")


def _sentences(levels: tuple[LevelColumn, ...]) -> list[str]:
    said: list[str] = []
    words = [f"'{level.name}'" for level in levels if level.kind == "word"]
    if words:
        lows, highs = "/".join(_SHOWN_LOW), "/".join(_SHOWN_HIGH)
        said.append(f"Levels of {', '.join(words)} are words: {highs} is high, {lows} is low.")
    written = {"hex": "hexadecimal", "binary": "binary", "integer": "decimal"}
    said += [
        f"Column '{level.name}' is a bus in {written[level.kind]} numbers; its bits become lines "
        f"{level.name}[{level.lowest}] and up, the lowest bit first."
        for level in levels
        if level.is_bus
    ]
    return said
