"""How a text table is laid out: its encoding, head, dialect, form, and what each column holds."""

from __future__ import annotations

import codecs
import functools
import shutil
import tempfile
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from decimal import Decimal
from pathlib import Path
from typing import Any, BinaryIO, Final

from pwmscope.capture.reader.hints import Hints, format_rate, size_of_unit
from pwmscope.capture.reader.unpack import (
    HEAD_BYTES,
    bounded,
    called,
    find_packing,
    name_of,
    open_bytes,
    read_head,
    reading,
)
from pwmscope.capture.text.cells import (
    THOUSANDS,
    Spelling,
    Sweeper,
    may_be_thousands,
    read_preamble,
)
from pwmscope.capture.text.columns import (
    Column,
    LevelColumn,
    Sheet,
    find_bystanders,
    find_columns,
    find_left_out,
    find_level_columns,
    needless_threshold,
)
from pwmscope.capture.text.dialect import (
    SPACES,
    find_dialect,
    split,
    tight,
    two_readings_of_commas,
)
from pwmscope.capture.text.lists import (
    EventColumns,
    RunColumns,
    find_event_columns,
    find_line_runs,
    find_runs,
)
from pwmscope.capture.text.time_column import (
    StampFormat,
    TimeColumn,
    TimeKind,
    find_stamp_format,
    find_time_column,
    mark_by_pulses,
)
from pwmscope.errors import CaptureError, HintError
from pwmscope.model import Assumption

_BLOCK: Final = 1 << 20
MAX_LINE_BYTES: Final = 1 << 20
"""No line is longer than this; a file that is one endless line is refused at once."""
_MARKS: Final = ((codecs.BOM_UTF16_LE, "utf-16-le"), (codecs.BOM_UTF16_BE, "utf-16-be"))
_PROBES: Final = 64
_MAX_ZEROS: Final = 16
"""More zero bytes than these among a file's first are no damage: the file is no text."""


@dataclass(frozen=True, slots=True)
class Text:
    """A text file that can be scanned."""

    path: Path  # A file of the same text in UTF-8, plain, gzip or Zstandard
    head: str  # Its first lines
    assumptions: tuple[str, ...]  # What was done to it, each a plain sentence
    # Zero bytes in its first lines, which are to be refused
    damage: CaptureError | None = None

    @property
    def source(self) -> str:
        """The name of the file that the person gave, for messages."""
        return name_of(self.path)

    @classmethod
    def of(cls, path: Path, start: bytes, assumptions: tuple[str, ...] = ()) -> Text:
        """Make one of its first bytes."""
        zeros = start.count(0)
        damage = None
        if zeros:
            at = start.index(0)
            damage = CaptureError(
                name_of(path),
                "zero bytes found, expected text",
                "this is not a CSV file, export the recording as CSV",
                row=start[:at].count(b"\n") + 1,
            )
            if zeros > _MAX_ZEROS or _is_no_text(start[:at]):
                raise damage
        return cls(path, _decode_head(start), assumptions, damage)

    def more(self, size: int = 1 << 20) -> str:
        """Read a longer head, 1 MiB unless told."""
        return _decode_head(read_head(self.path, size), size)


@contextmanager
def open_text(path: Path) -> Iterator[Text]:
    """Make a file's text ready to be scanned.

    Text in UTF-16 or Windows-1252, lines that end in a carriage return alone, and zip
    members are copied to a temporary file in UTF-8, which is deleted at the end of the
    ``with`` block; other files are used as they are.
    """
    start = read_head(path)
    encoding = _encoding_of(start, name_of(path))
    ends = _line_ends(start, encoding)
    is_zip = find_packing(path) == "zip"
    if encoding == "utf-8" and not ends and not is_zip:
        text = Text.of(path, start)
        _refuse_endless(path)
        yield text
        return
    with _temporary(path) as copy:
        with reading(path):
            _copy(path, copy, encoding, lone_returns=ends)
        _refuse_endless(copy)
        said = _said(encoding, lone_returns=ends, is_zip=is_zip)
        yield Text.of(copy, read_head(copy), (said,))


@contextmanager
def _temporary(path: Path) -> Iterator[Path]:
    """Give a place for a file's text, called as that file is."""
    with tempfile.TemporaryDirectory(prefix="pwmscope-") as folder:
        copy = Path(folder) / "text"
        with called(copy, name_of(path)):
            yield copy


@contextmanager
def rewritten(text: Text) -> Iterator[Text]:
    """Copy a text whose later bytes are no UTF-8 after all, read as Windows-1252."""
    with _temporary(text.path) as copy:
        with reading(text.path):
            _copy(text.path, copy, "cp1252", lone_returns=False)
        said = _said("cp1252", lone_returns=False, is_zip=False)
        head = _decode_head(read_head(copy))
        yield replace(text, path=copy, head=head, assumptions=(*text.assumptions, said))


@contextmanager
def swept(text: Text, layout: Layout) -> Iterator[tuple[Text, Layout]]:
    """Copy a table without the remarks among and below its rows; all rows keep their line."""
    refuse_endless_packed(text.path)
    with _temporary(text.path) as copy:
        sweeper = Sweeper(len(layout.columns), layout.skip_lines)
        in_pairs, any_quotes = True, False
        with reading(text.path), open_bytes(text.path) as packed, copy.open("wb") as out:
            decoded = (_decoded(line) for line in packed)
            pairs = ((line, split(line, layout.delimiter)) for line in decoded)
            for line in sweeper.swept(pairs):
                quotes = line.count('"')
                in_pairs, any_quotes = in_pairs and quotes % 2 == 0, any_quotes or quotes > 0
                out.write(tight(line, layout.delimiter).encode() + b"\n")
        count = sweeper.left_out
        said: tuple[str, ...] = ()
        if count:
            lines = "line is no row and was" if count == 1 else "lines are no rows and were"
            said = (f"{count} {lines} left out: remarks among or below the rows.",)
        yield (
            replace(text, path=copy, assumptions=(*text.assumptions, *said)),
            replace(
                layout, is_loose=True, has_remarks=False,
                is_quoted=layout.is_quoted or (any_quotes and in_pairs),
            ),
        )  # fmt: skip


def swept_head(text: Text, layout: Layout) -> bytes:
    """Give a table's first lines without the remarks among and below its rows."""
    pairs = ((line, split(line, layout.delimiter)) for line in text.head.splitlines())
    return "\n".join(Sweeper(len(layout.columns), layout.skip_lines).swept(pairs)).encode()


def _decoded(line: bytes) -> str:
    return line.rstrip(b"\r\n").decode("utf-8", "replace")


def _encoding_of(head: bytes, source: str) -> str:
    """Tell in which encoding a text is, from its mark or its first bytes."""
    for mark, name in _MARKS:
        if head.startswith(mark):
            return name
    if b"\x00" in head:
        return _unmarked_wide(head) or "utf-8"  # which is refused by its place
    return "utf-8" if _is_utf_8(head) else _single_bytes(head, source)


def _is_utf_8(head: bytes) -> bool:
    """Whether letters beyond ASCII are UTF-8, but for no more that are damaged."""
    # A letter may be cut at the head's end.
    text = codecs.getincrementaldecoder("utf-8")("replace").decode(head)
    odd = text.count("\ufffd")
    return not odd or sum(not letter.isascii() for letter in text) >= 2 * odd


def _unmarked_wide(head: bytes) -> str | None:
    """Tell UTF-16 without its mark by the zero bytes of every plain letter."""
    half = max(1, len(head) // 2)
    low, high = head[1::2].count(0) / half, head[0::2].count(0) / half
    if low > 0.9 and high == 0:
        return "utf-16-le"
    return "utf-16-be" if high > 0.9 and low == 0 else None


def _single_bytes(head: bytes, source: str) -> str:
    """Take bytes that are no UTF-8 for Windows-1252, unless they are no text at all."""
    if _is_no_text(head):
        at = next(i for i, code in enumerate(head) if code < 9 or 14 <= code < 27 or code > 126)
        raise CaptureError(
            source,
            f"byte 0x{head[at]:02x} found, expected text",
            "export the recording as CSV in UTF-8",
            row=head[:at].count(b"\n") + 1,
        )
    return "cp1252"


def _is_no_text(head: bytes) -> bool:
    """Whether more than one byte in fifty is a control character."""
    controls = sum(head.count(bytes([code])) for code in (*range(1, 9), *range(14, 27), 127))
    return controls * 50 > len(head)


def _line_ends(head: bytes, encoding: str) -> bool:
    """Whether lines end in a carriage return alone."""
    wide = encoding.startswith("utf-16")
    text = head.decode(encoding, "replace") if wide else head.decode("latin-1")
    alone = text.count("\r") - text.count("\r\n")
    return alone > 0 and alone > text.count("\n")


def _said(encoding: str, *, lone_returns: bool, is_zip: bool) -> str:
    said: list[str] = []
    if is_zip:
        said.append("the zip file was unpacked")
    if encoding.startswith("utf-16"):
        said.append("the UTF-16 text was rewritten as UTF-8")
    elif encoding != "utf-8":
        said.append("the text is no UTF-8 and was read as Windows-1252")
    if lone_returns:
        said.append("lines end in a carriage return alone")
    sentence = ", and ".join(said)
    return f"{sentence[0].upper()}{sentence[1:]}, in a temporary file that is deleted again."


def _copy(path: Path, copy: Path, encoding: str, *, lone_returns: bool) -> None:
    with open_bytes(path) as packed, copy.open("wb") as out:
        limited = bounded(packed, path)
        if encoding == "utf-8" and not lone_returns:
            shutil.copyfileobj(limited, out, _BLOCK)
            return
        _transcode(limited, out, encoding, lone_returns=lone_returns)


def _transcode(packed: BinaryIO, out: BinaryIO, encoding: str, *, lone_returns: bool) -> None:
    decoder = codecs.getincrementaldecoder(encoding)(errors="replace")
    is_first, held = True, ""
    while True:
        block = packed.read(_BLOCK)
        text = held + decoder.decode(block)  # half a letter at the end of the file is none
        held = ""
        if is_first:
            text, is_first = text.removeprefix("\ufeff"), False
        if lone_returns:
            if block and text.endswith("\r"):
                text, held = text[:-1], "\r"  # its line feed may follow
            text = text.replace("\r\n", "\n").replace("\r", "\n")
        out.write(text.encode("utf-8", "replace"))
        if not block:
            return


def _refuse_endless(path: Path) -> None:
    """Refuse a file with a line of more than 1 MiB, by its head and by probes further on."""
    head = read_head(path, MAX_LINE_BYTES)
    if len(head) == MAX_LINE_BYTES and b"\n" not in head:
        raise _endless(path)
    if find_packing(path) != "plain":
        return
    size = path.stat().st_size
    step = max(MAX_LINE_BYTES, size // _PROBES)
    with path.open("rb") as file:
        for at in range(step, size - MAX_LINE_BYTES, step):
            file.seek(at)
            # A longer line than the step hides from no probe.
            if b"\n" not in file.read(8192) and b"\n" not in file.read(MAX_LINE_BYTES):
                raise _endless(path)


def refuse_endless_packed(path: Path) -> None:
    """Refuse a packed file with a line, or a run of blank lines, of more than 1 MiB."""
    if find_packing(path) != "plain":
        status = path.stat()
        _look_through(path, status.st_size, status.st_mtime_ns)


@functools.lru_cache(maxsize=16)
def _look_through(path: Path, _size: int, _changed_ns: int) -> None:
    since_end = blank = 0
    with reading(path), open_bytes(path) as file:
        while block := file.read(_BLOCK):
            first, last = block.find(b"\n"), block.rfind(b"\n")
            if since_end + (len(block) if first < 0 else first) > MAX_LINE_BYTES:
                raise _endless(path)
            since_end = since_end + len(block) if last < 0 else len(block) - last - 1
            blank = blank + len(block) if not block.strip(b"\r\n") else 0
            if blank > MAX_LINE_BYTES:
                found = "more than 1 MiB of blank lines found"
                raise CaptureError(name_of(path), found, "export the recording again")


def _endless(path: Path) -> CaptureError:
    found = f"a line is longer than {MAX_LINE_BYTES // 1024} KiB"
    return CaptureError(name_of(path), found, "export the recording as CSV, one row a line")


def _decode_head(head: bytes, size: int = HEAD_BYTES) -> str:
    """Decode the first bytes of a file, cut at the last whole line."""
    if len(head) == size and b"\n" in head:
        head = head[: head.rindex(b"\n") + 1]
    return head.decode("utf-8", "replace").removeprefix("\ufeff")


@dataclass(frozen=True, slots=True)
class Layout:
    """How the rows of a text table are to be read."""

    delimiter: str  # One character between cells; a space stands for any run of spaces
    skip_lines: int  # Lines before the first row of data (remarks and header)
    columns: tuple[str, ...]  # Every column's name, in file order, unique
    time_column: str | None  # The column that holds the time; None where the rows carry none
    time_unit: str  # Unit of the time column: `s`, `ms`, `us`, `ns` or `ps`
    time_decimals: int  # Most decimals printed in the time column's first rows
    assumptions: tuple[str, ...]  # What was assumed, each a plain sentence
    time_kind: TimeKind = "number"  # Numbers of the unit, dates and times of day, or sample numbers
    decimal_comma: bool = False  # Whether numbers carry a comma before their decimals
    # The columns that hold levels; empty for lists of events and pulses
    levels: tuple[LevelColumn, ...] = ()
    events: EventColumns | None = None  # The columns of a list of events or pulses
    rate_hz: float | None = None  # The sample rate as the person or else the file states it
    # How dates and times of day are written, where the time column holds them
    stamp: StampFormat | None = None
    row_bytes: float = 0.0  # Mean length of the first rows, 0 where not known
    is_quoted: bool = False  # Whether cells may stand in quotes
    # Whether cells are parsed one by one as text: spaces, units or typeset signs must come off
    is_loose: bool = False
    has_remarks: bool = False  # Whether lines that are no rows stand among or below the first rows
    with_units: frozenset[int] = frozenset()  # Places of the columns whose cells carry a unit
    # What the time column's numbers are counted from, in its unit, so that they fit 64 bits
    time_origin: int = 0
    runs: RunColumns | None = None  # The columns of a table of lengths
    # Places of the columns that are spelled as parsers do not know, and how
    spellings: tuple[tuple[int, Spelling], ...] = ()
    # The columns that `lines` leaves out: what rows are is told from all of them
    left_out: tuple[LevelColumn, ...] = ()

    @property
    def is_text(self) -> bool:
        """Whether every cell reaches the parser as text."""
        return self.is_loose or self.delimiter == SPACES

    @property
    def level_columns(self) -> tuple[str, ...]:
        """Names of the columns that hold levels, in file order."""
        return tuple(level.name for level in self.levels)

    @property
    def time_place(self) -> int:
        """Place of the time column; there is one."""
        return self.columns.index(self.time_column or "")

    @property
    def listed(self) -> EventColumns:
        """The columns of a list; the table is one."""
        assert self.events is not None  # as whoever asks has seen
        return self.events

    @property
    def is_spoilt(self) -> bool:
        """Whether some cells of the head are no levels, so that the table will be refused."""
        return any(level.remedy for level in self.levels)

    @property
    def analogue(self) -> tuple[LevelColumn, ...]:
        """The columns that hold voltages."""
        return tuple(level for level in self.levels if level.kind == "analogue")


def find_layout(
    head: str, source: str, hints: Hints, more_text: Callable[[], str] | None = None
) -> Layout:
    r"""Decide from the head of a file how its rows are to be read.

    >>> layout = find_layout("time_us,RX1\n0,0\n1.5,1\n", "a.csv", Hints())
    >>> layout.time_column, layout.time_unit, layout.level_columns
    ('time_us', 'us', ('RX1',))
    """
    dialect = find_dialect(head, source)
    columns = find_columns(dialect, source)
    if any(c.spelling is not None and c.spelling.marks == "," for c in columns):
        dialect = replace(dialect, decimal_comma=False)  # commas separate thousands
    stated = read_preamble(dialect.preamble, dialect.decimal_mark)
    sheet = Sheet(source, dialect, columns, stated, hints, more_text or (lambda: head))
    line_runs = find_line_runs(sheet)
    runs = find_runs(sheet) if line_runs is None else None
    if runs is not None or line_runs is not None:
        _settled_marks(sheet, None)
    if runs is not None:
        return _run_layout(runs, sheet, head)
    if line_runs is not None:
        return _line_run_layout(*line_runs, sheet, head)
    time, aside = find_time_column(sheet)
    sheet, time, marks = _settled_marks(sheet, time)
    dialect, columns = sheet.dialect, sheet.columns
    _refuse_doubt(sheet, needed=time is None or time.kind == "sample")
    others = [c for c in columns if c.name not in aside and (time is None or c != time.column)]
    said: list[str] = [*marks, rows_without_time() if time is None else time.assumption]
    said += [time.agreed] if time is not None and time.agreed else []
    said += _said_of_rate(sheet)
    stamp = None
    if time is not None and time.kind == "stamp":
        stamp = find_stamp_format(time.column.cells)
        said += stamp.assumptions
    levels: tuple[LevelColumn, ...] = ()
    left_out: tuple[LevelColumn, ...] = ()
    events = None if time is None else find_event_columns(others, time.column, time.unit, sheet)
    if events is not None:
        if hints.threshold_v is not None:
            raise needless_threshold(source)
        said += events.assumptions
        aside += tuple(c.name for c in others if c.position not in events.positions)
    else:
        aside += find_bystanders(others, None if time is None else time.column, sheet)
        of_lines = [c for c in others if c.name not in aside]
        levels, more = find_level_columns(of_lines, sheet)
        left_out = find_left_out(of_lines, sheet)
        said += more
    said += _set_aside(aside, others, sheet)
    layout = _layout(
        sheet, head, said, levels=levels, left_out=left_out, events=events, stamp=stamp
    )
    if time is None:
        return layout
    return replace(
        layout,
        time_column=time.column.name,
        time_unit=time.unit,
        time_decimals=time.decimals,
        time_kind=time.kind,
        time_origin=_origin_of(time.column, time.unit) if time.kind == "number" else 0,
    )


def _layout(sheet: Sheet, head: str, said: Iterable[str], **of_its_form: Any) -> Layout:  # noqa: ANN401
    """Describe what a table of any form has."""
    dialect, columns = sheet.dialect, sheet.columns
    spelled = [(c.position, c.name, c.spelling) for c in columns if c.spelling is not None]
    with_units = frozenset(column.position for column in columns if column.has_units)
    # A decimal comma between quotes in a table of commas is taken for a cell's text only.
    has_quoted_commas = dialect.decimal_comma and dialect.delimiter == ","
    rows = head.split("\n")[dialect.skip_lines : -1]
    spellings = [f"Column '{name}' is written with {by.what}." for _, name, by in spelled]
    described: dict[str, Any] = {
        "time_column": None,
        "time_unit": "s",
        "time_decimals": 0,
        "is_loose": dialect.is_loose or bool(with_units or spelled) or has_quoted_commas,
        **of_its_form,
    }
    return Layout(
        dialect.delimiter,
        dialect.skip_lines,
        tuple(column.name for column in columns),
        assumptions=(*dialect.assumptions, *said, *spellings),
        decimal_comma=dialect.decimal_comma,
        rate_hz=sheet.rate_hz,
        row_bytes=sum(len(row) + 1 for row in rows) / len(rows) if rows else 0.0,
        is_quoted=dialect.is_quoted,
        has_remarks=dialect.has_remarks,
        with_units=with_units,
        spellings=tuple((position, by) for position, _, by in spelled),
        **described,
    )


_MAX_PS: Final = 4 * 10**18
"""Times that begin above this, 46 days, are counted from the first one to fit 64 bits."""
_FARTHEST_PS: Final = 10**34
"""No clock counts from so long ago; such a time is refused by its row."""


def _origin_of(column: Column, unit: str) -> int:
    first = next(iter(column.numbers), Decimal(0))
    multiple, exponent = size_of_unit(unit)
    size = abs(first) * multiple * 10**exponent
    return int(first) if _MAX_PS <= size <= _FARTHEST_PS else 0


def _run_layout(runs: RunColumns, sheet: Sheet, head: str) -> Layout:
    """Describe a table whose rows say how long levels last."""
    place, unit = runs.lengths[0]
    _refuse_doubt(sheet, needed=not unit)
    others = [c for c in sheet.columns if c.position not in runs.positions and not c.is_nameless]
    levels: tuple[LevelColumn, ...] = (LevelColumn("line1", place, "digit"),)
    said = [*runs.assumptions, *_said_of_rate(sheet)]
    left_out: tuple[LevelColumn, ...] = ()
    if not runs.levels:
        levels, more = find_level_columns(others, sheet)
        left_out = find_left_out(others, sheet)
        said += more
    return _layout(
        sheet, head, said, levels=levels, left_out=left_out, runs=runs, is_loose=True,
        time_column=sheet.columns[place].name, time_unit=unit or "s", time_decimals=runs.decimals,
        time_kind="number" if unit else "sample",
    )  # fmt: skip


def _line_run_layout(events: EventColumns, length: Column, sheet: Sheet, head: str) -> Layout:
    """Describe a table whose rows say how long one line keeps a level."""
    return _layout(
        sheet, head, events.assumptions, events=events, is_loose=True, time_column=length.name,
        time_unit=events.duration_unit, time_decimals=length.decimals,
    )  # fmt: skip


def _settled_marks(
    sheet: Sheet, time: TimeColumn | None
) -> tuple[Sheet, TimeColumn | None, list[str]]:
    """Let pulses tell decimals from thousands; where they do not, refuse two readings."""
    is_comma = two_readings_of_commas(sheet.dialect)
    cells = [] if time is None or time.column.spelling else time.column.cells
    is_point = not is_comma and may_be_thousands(cells, ".")
    if not is_comma and not is_point:
        return sheet, time, []
    mark, name = (",", "Commas") if is_comma else (".", "Points")
    by = None
    if time is not None and time.kind == "number":
        by = mark_by_pulses(time, sheet, mark)
    if by == "":
        told = _regrouped(sheet, mark)
        said = f"{name} stand between thousands, as levels then last as long as servo pulses do."
        return told, find_time_column(told)[0], [said]
    if by == "." and is_comma:
        said = f"{name} stand before decimals, as levels then last as long as servo pulses do."
        return sheet, time, [said]
    if by == "." or (is_point and all("." in cell for cell in cells if cell)):
        return sheet, time, []
    other = "a point" if is_comma else "with decimals in every row"
    found = f"the {name.lower()} in the numbers may stand before decimals or between thousands"
    remedy = f"export the numbers without thousands separators, or {'with ' * is_comma}{other}"
    raise sheet.refusal(found, remedy)


def _regrouped(sheet: Sheet, mark: str) -> Sheet:
    """Read a mark in numbers as standing between thousands."""
    spelling = THOUSANDS[mark]
    columns = tuple(c.spelled(spelling) if spelling.fits(c.cells) else c for c in sheet.columns)
    return replace(sheet, columns=columns, dialect=replace(sheet.dialect, decimal_comma=False))


def _refuse_doubt(sheet: Sheet, *, needed: bool) -> None:
    """Refuse a stated rate of two readings where the rows cannot do without one."""
    if needed and sheet.hints.rate_hz is None and sheet.stated.doubt:
        raise HintError(f"{sheet.source}: {sheet.stated.doubt}; say which with `rate`.")


def _said_of_rate(sheet: Sheet) -> list[str]:
    rate_hz = sheet.stated.rate_hz
    if sheet.hints.rate_hz is not None or rate_hz is None:
        return []
    said = f"The lines above the table state a sample rate of {format_rate(1e12 / rate_hz)}."
    return [Assumption(said, "sampling rate", rate_hz, "Hz", "file", ("rate",))]


def rows_without_time() -> Assumption:
    """Say that rows are samples, since none of their columns is a time."""
    return Assumption(
        "The rows carry no time; they are samples at even intervals.",
        "time column", None, "", "data", ("rate",),
    )  # fmt: skip


def _set_aside(aside: tuple[str, ...], others: list[Column], sheet: Sheet) -> list[str]:
    names = [*aside, *(c.name for c in others if c.kind == "empty" and sheet.has_header)]
    if not names:
        return []
    quoted = ", ".join(f"'{name}'" for name in dict.fromkeys(names))
    return [f"Columns that are neither time nor levels were left out: {quoted}."]
