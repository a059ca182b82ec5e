"""Of two faults in one text table the first is named, by the line an editor shows.

Tables are written here from edges, by nothing of the product. Two faults of random kinds are
planted at random rows; whatever finds them, the row that is named is the upper one's.
"""

import random
from collections.abc import Callable
from dataclasses import dataclass, field

import pytest

from pwmscope import load
from pwmscope.errors import CaptureError

SEEDS = range(6)
SIZES = (400, 6_000)
"""Rows: the first few thousand lie in the head from which the layout is found, the rest below."""


def level(line, k):
    """Give a line's level at sample k: high for 150 + 7 lines of every 2,000 samples."""
    return int((k + 331 * line) % 200 < 15 + 7 * line)


@dataclass
class Table:
    """A way to write a table: its header, its rows, what can be wrong with one, how it is read."""

    header: str
    row: Callable[[int], str]
    kinds: tuple[str, ...]
    delimiter: str = ","
    time: int | None = 0  # Place of the time's cell
    level: int = 1  # Place of a level's cell
    less: int = 0  # Place of a length that may not be below 0, where it does not stand last
    hints: dict = field(default_factory=dict)
    above: tuple[str, ...] = ()  # Lines above the header


CELLS = ("word", "two", "few", "many", "byte", "letter", "zero")
TIMED = (*CELLS, "time", "back")


def rows(k, delimiter=",", lines=3):
    return delimiter.join(str(level(line, k)) for line in range(lines))


def clocked(k):
    ms = (86_400_000 - 150 + k) % 86_400_000
    return f"{ms // 3_600_000:02}:{ms // 60_000 % 60:02}:{ms // 1000 % 60:02}.{ms % 1000:03}"


TABLES = {
    "padded seconds": Table(
        "time_s,RX1,RX2,RX3", lambda k: f"{k // 10**5}.{k % 10**5:05}0,{rows(k)}", TIMED
    ),
    "ragged seconds": Table("time_s,RX1,RX2,RX3", lambda k: f"{k / 10**5:g},{rows(k)}", TIMED),
    "microseconds": Table("time_us,RX1,RX2,RX3", lambda k: f"{10 * k},{rows(k)}", TIMED),
    "no time": Table(
        "RX1,RX2,RX3", rows, CELLS, time=None, level=0, hints={"rate": "100kHz"}
    ),
    "sample numbers": Table(
        "sample,RX1,RX2", lambda k: f"{k},{rows(k, lines=2)}", TIMED, hints={"rate": "100kHz"}
    ),
    "times of day": Table("clock,RX1,RX2", lambda k: f"{clocked(k)},{rows(k, lines=2)}", TIMED),
    "time last": Table(
        "RX1,RX2,time_us", lambda k: f"{rows(k, lines=2)},{10 * k}", TIMED, time=2, level=0
    ),
    "spaces": Table(
        "time_us RX1 RX2", lambda k: f"{10 * k}  {rows(k, ' ', 2)}", TIMED, delimiter=" "
    ),
    "decimal comma": Table(
        "time_ms;RX1;RX2", lambda k: f"{k // 100},{k % 100:02};{rows(k, ';', 2)}", TIMED,
        delimiter=";",
    ),
    "quotes": Table(
        '"time_us","RX1","RX2"',
        lambda k: f'"{10 * k}","{level(0, k)}","{level(1, k)}"',
        (*TIMED, "quote"),
    ),
    "words and remarks": Table(
        "time_us,RX1,RX2",
        lambda k: f"{10 * k},{'LH'[level(0, k)]},{'LH'[level(1, k)]}",
        (*TIMED, "hollow"),
        above=("# bench 3", "", "# the robot is restrained"),
    ),
    "voltages": Table(
        "time_us,RX1_V,RX2_V",
        lambda k: f"{10 * k},{3.3 * level(0, k) + k % 7 / 99:.4f},{3.3 * level(1, k):.4f}",
        ("word", "few", "many", "byte", "letter", "time", "back"),
    ),
    "a bus": Table(
        "time_us,port (hex)", lambda k: f"{10 * k},0x{level(0, k) + 2 * level(1, k):02X}",
        ("word", "many", "byte", "letter", "time", "back"),
    ),
    "many lines": Table(
        "time_us," + ",".join(f"L{n}" for n in range(70)),
        lambda k: f"{10 * k},{rows(k, lines=70)}",
        (*TIMED, "last"),
        hints={"lines": "L0,L69"},
    ),
    "events": Table(
        "time_us,line,level",
        lambda k: f"{5 * k},RX{k % 2},{k // 2 % 2}",
        TIMED,
        level=2,
    ),
    "pulses": Table(
        "time_us,line,high_us",
        lambda k: f"{9000 * k},RX{k % 2},15{k % 90 + 10}",
        ("word", "few", "many", "byte", "letter", "time", "back", "less"),
        level=2,
        less=2,
    ),
    "starts and ends": Table(
        "line,start_us,end_us",
        lambda k: f"RX{k % 2},{9000 * k},{9000 * k + 1500 + k % 90}",
        ("word", "few", "many", "byte", "letter", "time", "end"),
        time=1,
        level=2,
    ),
    "lengths of levels": Table(
        "duration_us,RX1,RX2",
        lambda k: f"{900 + k % 7},{k % 2},{k // 2 % 2}",
        (*CELLS, "time", "less"),
    ),
    "highs and lows": Table(
        "high_us,low_us",
        lambda k: f"{1500 + k % 7},{18_000 - k % 5}",
        ("word", "few", "many", "byte", "letter", "time", "less"),
    ),
    "lengths by line": Table(
        "line,level,duration_us",
        lambda k: f"RX{k % 2},{k // 2 % 2},{1500 + k % 7}",
        (*CELLS, "time", "less"),
        time=2,
    ),
}  # fmt: skip


def spoil(kind, table, lines, at):
    """Damage a row in one way; what it was is known from the rows themselves."""
    cells, above = split(table, lines[at]), split(table, lines[at - 20])
    time, place = table.time, table.level
    if kind == "few":
        cells = cells[:-1]
    elif kind == "many":
        cells.append(cells[-1])
    elif kind == "quote":
        cells[place] = cells[place][:-1]
    elif kind == "hollow":
        cells = [""] * len(cells)
    elif kind == "less":
        cells[-1 if time else table.less] = "-5"
    elif kind == "end":
        cells[2] = str(int(cells[1]) - 7)
    elif kind in {"time", "back"}:
        cells[time] = "soon" if kind == "time" else above[time]
    elif kind in ENDS:
        cells[place] += ENDS[kind]
    else:
        cells[-1 if kind == "last" else place] = WRONG[kind]
    return table.delimiter.join(cells)


def split(table, line):
    return line.split() if table.delimiter == " " else line.split(table.delimiter)


ENDS = {"byte": "\udcff", "letter": "\x01"}
WRONG = {"word": "what", "last": "what", "two": "2", "zero": "\0"}


def write(table, rng, faults, count):
    """Write a table with blank lines and remarks in it; give its bytes and the faults' lines."""
    plain = [table.row(k) for k in range(count)]
    spoilt = list(plain)
    for kind, at in faults:
        spoilt[at] = spoil(kind, table, plain, at)
    page = [*table.above, table.header]
    where = {}
    between = rng.choice(((), ("",), ("# a stick was moved",), ("", "# a remark", "")))
    gaps = set(rng.sample(range(1, count), 3)) if between else set()
    for k, row in enumerate(spoilt):
        if k in gaps:
            page += between
        page.append(row)
        where[k] = len(page)
    end = rng.choice(("\n", "\r\n"))
    text = end.join(page) + end
    return text.encode("utf-8", "surrogateescape"), [where[at] for _, at in faults]


@pytest.mark.parametrize("name", TABLES)
def test_of_two_faults_the_first_is_named_by_its_line(name, tmp_path):
    table = TABLES[name]
    file = tmp_path / "recording.csv"
    for seed in SEEDS:
        rng = random.Random(f"{name} {seed}")
        count = SIZES[seed % 2]
        ats = sorted(rng.sample(range(40, count - 5), 2))
        kinds = [rng.choice(table.kinds) for _ in ats]
        data, lines = write(table, rng, list(zip(kinds, ats, strict=True)), count)
        file.write_bytes(data)
        with pytest.raises(CaptureError) as caught:
            load(file, **table.hints)
        assert caught.value.row == lines[0], f"seed {seed}, {kinds} in {lines}: {caught.value}"


def test_faults_in_one_row_are_named_by_their_column(tmp_path):
    file = tmp_path / "recording.csv"
    plain = [f"{10 * k},{rows(k)}" for k in range(400)]
    for row, words in {
        "3200,what,0,0": "time goes backwards",
        "soon,what,0,0": "column time_us: 'soon'",
        "3300,0,what,x": "column RX2: the level is 'what'",
        "3300,0,0,what,1": "column RX3: the level is 'what'",
        "3200,0,0,0,1": "time goes backwards",
    }.items():
        file.write_text("\n".join(["time_us,RX1,RX2,RX3", *plain[:330], row, *plain[331:]]) + "\n")
        with pytest.raises(CaptureError, match="row 332") as caught:
            load(file)
        assert words in str(caught.value)


@pytest.mark.parametrize("rest", ["", "# stick moved\n", "\n\n"])
def test_a_wrong_level_in_the_head_is_named_by_its_line_and_after_what_stands_above(tmp_path, rest):
    file = tmp_path / "recording.csv"
    lines = [f"{10 * k},{rows(k)}\n" for k in range(400)]
    lines[200] = lines[200].replace(",0", ",2", 1)
    lines[20] += rest
    file.write_text("# bench 3\ntime_us,RX1,RX2,RX3\n" + "".join(lines))
    line = 203 + rest.count("\n")
    with pytest.raises(CaptureError, match=f"row {line}, column RX2: the level is '2'"):
        load(file)
    lines[90] = "soon" + lines[90]
    file.write_text("# bench 3\ntime_us,RX1,RX2,RX3\n" + "".join(lines))
    with pytest.raises(CaptureError, match=f"row {line - 110}, column time_us: 'soon"):
        load(file)


def test_two_wrong_numbers_make_no_voltage_of_a_level(tmp_path):
    file = tmp_path / "recording.csv"
    for odd in ("2", "2.5", "-1", "\x01"):
        lines = [f"{10 * k},{rows(k)}" for k in range(400)]
        lines[77] = "770,-1,0,0"
        lines[303] = f"3030,{odd},0,0"
        file.write_text("\n".join(["time_us,RX1,RX2,RX3", *lines]) + "\n")
        with pytest.raises(CaptureError, match="row 79, column RX1: the level is '-1'"):
            load(file)


@pytest.mark.parametrize(
    ("header", "row", "column"),
    [
        ("RX1,RX2,RX3", "1,0", "RX3: the level is nothing"),
        ("RX1,RX2,RX3", ",0,1", "RX1: the level is nothing"),
        ("time_us,RX1,RX2", ",,1", "time_us: nothing stands where a time"),
    ],
)
def test_a_row_that_lacks_cells_is_no_blank_line(tmp_path, header, row, column):
    """Its word is unknown where any of its levels is; it was once dropped for that."""
    file = tmp_path / "recording.csv"
    plain = [rows(k) if header[0] == "R" else f"{k},{rows(k, lines=2)}" for k in range(400)]
    file.write_text("\n".join([header, *plain[:300], row, *plain[301:]]) + "\n")
    with pytest.raises(CaptureError, match=f"row 302, column {column}"):
        load(file, rate="1MHz")


@pytest.mark.parametrize(
    ("first", "words"),
    [
        ("0,0,0,0,1", "5 cells found"),
        (",,,", "a row of empty cells"),
        ("0,0,0", "level is nothing"),
    ],
)
def test_a_fault_in_the_first_row_costs_no_header(tmp_path, first, words):
    file = tmp_path / "recording.csv"
    plain = [f"{10 * k},{rows(k)}" for k in range(1, 400)]
    file.write_text("\n".join(["# bench 3", "time_us,RX1,RX2,RX3", first, *plain]) + "\n")
    with pytest.raises(CaptureError, match="row 3") as caught:
        load(file)
    assert words in str(caught.value)


def test_a_note_of_two_lines_is_no_open_quote_and_counts_as_two(tmp_path):
    file = tmp_path / "recording.csv"
    lines = [f'{10 * k},{level(0, k)},"on"\n' for k in range(400)]
    lines[30] = lines[30].replace("on", "on\nand off")
    lines[77] = "what" + lines[77]
    file.write_text('time_us,RX1,"note"\n' + "".join(lines))
    with pytest.raises(CaptureError, match="row 80, column time_us: 'what770'"):
        load(file, lines="RX1")


def test_a_damaged_byte_in_a_table_in_utf_8_leaves_its_headings_alone(tmp_path):
    file = tmp_path / "recording.csv"
    rows_ = "".join(f"{10 * k},{rows(k)}\n" for k in range(400))
    data = f"time (\u00b5s),RX1,RX2,RX3\n{rows_}".encode().replace(b"\n700,", b"\n7\xff0,")
    file.write_bytes(data)
    with pytest.raises(CaptureError, match="row 72, column time"):
        load(file)


def remarked(k, mark=""):
    return f"{10 * k},{level(0, k)},{mark}{k}{mark}"


@pytest.mark.parametrize(("count", "at"), [(400, 205), (6_000, 4_205)])
@pytest.mark.parametrize("listed", [False, True])
def test_two_open_quotes_in_a_column_left_out_take_no_rows_with_them(tmp_path, count, at, listed):
    """The cell that they make swallowed the rows between, and nothing was said of them."""
    header = "time_us,line,level,remark" if listed else "time_us,RX1,remark"
    lines = [remarked(k, '"' * (k % 50 == 0)) for k in range(count)]
    lines[at] = f'{10 * at},{level(0, at)},"moved'
    lines[at + 14] = f'{10 * at + 140},{level(0, at + 14)},back"'
    if listed:
        lines = [line.replace(",", ",RX1,", 1) for line in lines]
    file = tmp_path / "recording.csv"
    file.write_text("\n".join([header, *lines]) + "\n")
    with pytest.raises(CaptureError, match=f"row {at + 2}: a quote that is not closed takes in"):
        load(file)
    lines[at], lines[at + 14] = (line.replace('"', "") for line in (lines[at], lines[at + 14]))
    lines[at + 3] = lines[at + 3].rpartition(",")[0] + ',"moved\nthere, and back"'
    file.write_text("\n".join([header, *lines]) + "\n")
    assert load(file).lines["RX1"].edges_ps.size == count // 100 - 1


@pytest.mark.parametrize("row", [",,7", ' ,"",7', ",,moved"])
def test_a_row_of_which_nothing_can_be_read_is_no_blank_line(tmp_path, row):
    lines = [f"{10 * k},{level(0, k)},{k}" for k in range(400)]
    lines[205] = row
    file = tmp_path / "recording.csv"
    file.write_text("\n".join(["time_us,RX1,temperature_C", *lines]) + "\n")
    with pytest.raises(CaptureError, match="row 207: all cells that are read are empty, and other"):
        load(file)


def test_words_under_a_column_left_out_end_a_table_and_are_counted(tmp_path):
    lines = [f"{10 * k},{level(0, k)},{k}" for k in range(400)]
    file = tmp_path / "recording.csv"
    file.write_text("\n".join(["time_us,RX1,temperature_C", *lines, ",,mean"]) + "\n")
    capture = load(file)
    assert capture.duration_ps == 3_990_000_000
    assert any("1 line is no row and was left out" in said for said in capture.assumptions)


def test_a_lone_number_among_levels_is_to_be_mended_and_makes_no_voltage(tmp_path):
    file = tmp_path / "recording.csv"
    lines = [f"{10 * k},{level(0, k)}" for k in range(400)]
    lines[205] = "2050,2"
    file.write_text("\n".join(["time_us,RX1", *lines]) + "\n")
    with pytest.raises(CaptureError, match="is '2', expected 0 or 1; mend or remove this row, or"):
        load(file)


@pytest.mark.parametrize("blank", [0, 90_000])
@pytest.mark.parametrize("header", ["time_us,RX1,RX2", "time_us RX1 RX2", "clock,RX1,RX2"])
def test_a_step_back_far_below_is_named_by_its_line(tmp_path, blank, header):
    """Rows above it that are known to be sound are counted, and not read a second time."""
    mark = " " if " " in header else ","
    times = [f"{10 * k:07}" for k in range(150_000)]
    if header[0] == "c":
        times = [f"10:{k // 60_000:02}:{k // 1000 % 60:02}.{k % 1000:03}" for k in range(150_000)]
    lines = [f"{time}{mark}{level(0, k)}{mark}0" for k, time in enumerate(times)]
    lines[140_000] = times[139_990] + f"{mark}0{mark}0"
    lines[blank] += "\n" * (blank > 0)
    file = tmp_path / "recording.csv"
    file.write_text("\n".join([header, *lines]) + "\n")
    with pytest.raises(CaptureError, match=f"row {140_002 + (blank > 0)}: time goes backwards"):
        load(file)
