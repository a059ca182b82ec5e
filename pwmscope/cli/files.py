"""`pwmscope look`, `convert`, `synth` and `follow`: recordings as files, also while they grow."""

from __future__ import annotations

import json
import math
import os
import select
import stat
import tempfile
import time
from collections.abc import Callable, Iterator
from dataclasses import asdict, replace
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any, Final

import click

from pwmscope.cli.printing import print_screen, screen
from pwmscope.cli.reading import OPTION_OF, Recording, progress_bar, reading_options

if TYPE_CHECKING:
    from pwmscope.bench import BenchSheet
    from pwmscope.pulses import GrownEdges, LineNow, LiveEvent, LivePulses

EVERY_S: Final = 1.0
IDLE_S: Final = 10.0
_WAIT_S: Final = 0.05
_BLOCK: Final = 1 << 16
NO_MARKER: Final = (
    'There is no marker line: "signal lost" means that frames are missing. An output that holds '
    "its width cannot be seen live."
)

NOTHING_S: Final = 0.3
NOTHING_COMES: Final = "Nothing comes: no line changes its level, or the recorder has stopped."
"""A recording that has a row for each change only says nothing while all lines are quiet."""
_HEAD_BYTES: Final = 64
"""By so many it is known what kind of recording it is."""


@click.command(short_help="Say how CAPTURE was understood, before you trust a number.")
@reading_options
def look(recording: Recording) -> None:
    """Say how CAPTURE was understood: its kind, lines, first edges, sampling and assumptions.

    Look before you trust a number. Where something was understood wrongly, the option in
    brackets sets it right; all commands take the same ones.
    """
    from pwmscope.capture import find_kind
    from pwmscope.report.terminal import print_look

    capture = recording.load()
    size_bytes = recording.path.stat().st_size
    print_look(capture, find_kind(recording.path), size_bytes, screen(), OPTION_OF)


@click.command(short_help="Keep the edges of CAPTURE in OUT, which is read fast.")
@reading_options
@click.argument("out", type=click.Path(path_type=Path))
@click.option("--replace", is_flag=True, help="Replace OUT if it is there.")
def convert(recording: Recording, out: Path, *, replace: bool) -> None:
    """Read CAPTURE once and keep its edges in OUT, a Parquet file.

    OUT holds every edge exactly, and all that was assumed. Each command takes it in place of
    CAPTURE. Its name must end in .parquet.
    """
    from pwmscope.capture import write_edges
    from pwmscope.errors import OutputError
    from pwmscope.output import refuse_to_overwrite

    if out.suffix.lower() != ".parquet":
        raise OutputError(f"{out}: edges are kept as Parquet; give a name that ends in .parquet.")
    if out.exists() and recording.path.exists() and out.samefile(recording.path):
        raise OutputError(f"{out} is the recording itself; give another name.")
    refuse_to_overwrite(out, replace=replace)
    capture = recording.load()
    write_edges(capture, out, replace=replace)
    edges = sum(line.edges_ps.size for line in capture.lines.values())
    lines = len(capture.lines)
    click.echo(
        f"{out} holds {edges} edges of {lines} line{'s' if lines > 1 else ''} in "
        f"{out.stat().st_size} bytes; {recording.path} has {recording.path.stat().st_size}."
    )


@click.command(short_help="Build a bench recording from SCRIPT, with its truth beside it.")
@click.argument("script", type=click.Path(path_type=Path))
@click.option(
    "-o", "--output", "path", type=click.Path(path_type=Path), required=True, metavar="FILE",
    help="The CSV file to write; .gz at the end compresses it.",
)  # fmt: skip
@click.option("--replace", is_flag=True, help="Replace files that are there.")
def synth(script: Path, path: Path, *, replace: bool) -> None:
    """Build a bench recording from SCRIPT (TOML), with its truth beside it.

    The truth, exact before sampling, goes to a file of the same name that ends in
    .truth.json. No receiver is needed: this is for trying pwmscope out and for testing it.
    """
    from pwmscope.output import refuse_to_overwrite
    from pwmscope.synth import build, load_script, write, write_truth

    truth = path.with_name(path.name.removesuffix(".gz").removesuffix(".csv") + ".truth.json")
    for file in (path, truth):
        refuse_to_overwrite(file, replace=replace)
    with progress_bar("building"):
        recording = build(load_script(script))
        write(recording, path)
        write_truth(recording, truth)
    click.echo(f"The recording is {path}, its truth {truth}.")


@click.command(short_help="Say what happens while a recording is being made.")
@click.argument("source", type=click.Path(path_type=Path, allow_dash=True))
@click.option("--sheet", "sheet_path", metavar="PATH", help="The bench sheet.")
@click.option("--rate", metavar="RATE", help="The sample rate, where rows carry no time.")
@click.option("--lines", metavar="NAMES", help="The lines to follow, with commas between them.")
@click.option(
    "--idle", "idle_s", type=click.FloatRange(0.1), default=IDLE_S, show_default=True,
    metavar="SECONDS",
    help="A file that has not grown for so long is taken as whole.",
)  # fmt: skip
@click.option(
    "--json", "as_json", is_flag=True, help="Write JSON lines, and no findings at the end."
)
def follow(
    source: Path,
    *,
    sheet_path: str | None,
    rate: str | None,
    lines: str | None,
    idle_s: float,
    as_json: bool,
) -> None:
    """Say what happens in SOURCE while it is being recorded: states and times, no verdict.

    SOURCE is a file that grows, a named pipe, or - for standard input. It holds rows of times
    and levels, or a value change dump (IEEE Std 1364). Once a second it tells each line's width
    and rate. At a loss it tells what each output does and when it is commanded to stand still.
    It also tells when the link is back. It ends with the findings of what was recorded: at the
    end of the stream, of a file that no longer grows, or with Ctrl-C.

    Before you power a robot: weapon removed or locked, wheels off the ground, robot
    restrained, eye protection on, battery looked after. The event's rulebook and its safety
    officer decide.
    """
    from pwmscope.analysis import analyse
    from pwmscope.bench import load_sheet
    from pwmscope.capture import load
    from pwmscope.pulses import GrownEdges, shelf

    sheet = None if sheet_path is None else load_sheet(sheet_path)
    given = (("rate", rate), ("lines", lines))
    hints: dict[str, Any] = {name: said for name, said in given if said is not None}
    tell = (lambda said: click.echo(json.dumps(said))) if as_json else _print
    if sheet is None or sheet.marker is None:
        tell({"said": NO_MARKER})
    is_file = str(source) != "-" and stat.S_ISREG(source.stat().st_mode)
    chunks = _chunks(source, idle_s)
    if as_json:
        _follow(chunks, sheet, hints, tell)
        return
    kept = tempfile.NamedTemporaryFile(prefix="pwmscope-", suffix=".rec")  # noqa: SIM115
    with kept, shelf(), GrownEdges() as grown:
        _follow(chunks, sheet, hints, tell, grown=grown, kept=None if is_file else kept)
        kept.flush()
        whole = source if is_file else Path(kept.name)
        with progress_bar("analysing what was recorded"):
            name = "standard input" if str(source) == "-" else str(source)
            capture = grown.capture(whole, hints) or load(whole, **hints)
            analysis = analyse(replace(capture, source=name), sheet=sheet)
        click.echo()
        print_screen(analysis, analysis.answer, room=23)


def _live_of(sheet: BenchSheet | None) -> LivePulses:
    from pwmscope.pulses import LivePulses

    if sheet is None:
        return LivePulses()
    marker = sheet.marker
    bands = {name: channel.stop_band for name, channel in sheet.channels.items()}
    return LivePulses(
        marker="" if marker is None else marker.line,
        marker_on=None if marker is None or marker.on is None else int(marker.on == "high"),
        stops_us={n: (band.low_us, band.high_us) for n, band in bands.items() if band is not None},
    )


def _chunks(source: Path, idle_s: float) -> Iterator[bytes]:
    """Give what comes, and b"" while nothing does; end where nothing more can come."""
    file = os.fdopen(os.dup(0), "rb", 0) if str(source) == "-" else source.open("rb", 0)
    with file:
        is_file = stat.S_ISREG(os.fstat(file.fileno()).st_mode)
        came_s = time.monotonic()
        while True:
            if not is_file and not select.select([file], [], [], _WAIT_S)[0]:
                yield b""
                continue
            data = file.read(_BLOCK)
            if data:
                came_s = time.monotonic()
                yield data
            elif not is_file or time.monotonic() - came_s > idle_s:
                return
            else:
                yield b""
                time.sleep(_WAIT_S)


def _follow(
    chunks: Iterator[bytes],
    sheet: BenchSheet | None,
    hints: dict[str, Any],
    tell: Callable[[dict[str, Any]], None],
    *,
    grown: GrownEdges | None = None,
    kept: IO[bytes] | None = None,
) -> None:
    """Feed what comes, tell what happens at once and the lines' state each second of the record."""
    from pwmscope.capture import Growing, follow_growing

    recording: Growing | None = None
    live, told_s, head, came_s = _live_of(sheet), -EVERY_S, b"", math.inf

    def take(data: bytes, *, is_last: bool = False) -> None:
        nonlocal told_s, recording, head
        if recording is None:
            head += data
            if len(head) < _HEAD_BYTES and not is_last:
                return
            recording, data = follow_growing(head, "the stream", hints), head
        new = recording.feed(data, is_last=is_last)
        if new is None:
            return
        if grown is not None:
            grown.take(new)
        for event in live.feed(new.edges_s, new.levels, new.now_s):
            told = {"event": {**asdict(event), "what": event.what.value}}
            tell({"said": event_words(event, sheet), "time_s": event.time_s, **told})
        if live.now_s - told_s >= EVERY_S:
            told_s, lines = live.now_s, live.lines_now()
            said = "  ".join(map(line_words, lines))
            tell({"said": said, "time_s": told_s, "lines": [asdict(line) for line in lines]})

    try:
        for data in chunks:
            if kept is not None:
                kept.write(data)
            if grown is not None:
                grown.size += len(data)
            if data:
                came_s = time.monotonic()
                take(data)
            elif time.monotonic() - came_s > NOTHING_S:
                came_s = math.inf
                tell({"said": NOTHING_COMES})
    except KeyboardInterrupt:
        click.echo(err=True)
    take(b"", is_last=True)


def _print(said: dict[str, Any]) -> None:
    time_s = said.get("time_s")
    click.echo(said["said"] if time_s is None else f"{time_s:9.3f} s  {said['said']}")


def line_words(line: LineNow) -> str:
    """Say how a line is now.

    >>> from pwmscope.pulses import LineNow
    >>> line_words(LineNow("RX1", 1500.04, 50.0, False))
    'RX1 1500.0 us 50.0 Hz'
    >>> line_words(LineNow("RX1", None, None, True))
    'RX1 silent'
    """
    from pwmscope.model import format_line

    if line.is_quiet or line.width_us is None:
        return f"{format_line(line.line)} silent"
    rate = "" if line.rate_hz is None else f" {line.rate_hz:.1f} Hz"
    return f"{format_line(line.line)} {line.width_us:.1f} us{rate}"


def event_words(event: LiveEvent, sheet: BenchSheet | None = None) -> str:
    """Say what happened.

    >>> from pwmscope.pulses import Happening, LiveEvent
    >>> event_words(LiveEvent(Happening.GOES, 4.4, "RX1", 1500.0, 0.98))
    'RX1: goes to 1500 us, 0.98 s after the loss'
    >>> event_words(LiveEvent(Happening.LOST, 3.4))
    'signal lost'
    """
    from pwmscope.model import format_line
    from pwmscope.pulses import Happening

    told = event.what.value
    if event.line:
        channel = None if sheet is None else sheet.channels.get(event.line)
        device = "" if channel is None else channel.device or channel.role
        name = format_line(event.line) + (f" ({format_line(device)})" if device else "")
        told = f"{name}: {told}"
    if event.width_us is not None:
        joint = "" if event.what in {Happening.GOES, Happening.KEEPS} else " at"
        told += f"{joint} {event.width_us:.0f} us"
    if event.after_s is not None:
        told += f", {event.after_s:.2f} s after the loss"
    return told
