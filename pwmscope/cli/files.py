"""`pwmscope look`, `convert` and `synth`: recordings as files, before anything is measured."""

from __future__ import annotations

from pathlib import Path

import click

from pwmscope.cli.printing import screen
from pwmscope.cli.reading import OPTION_OF, Recording, progress_bar, reading_options


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
    from pwmscope.capture.columnar import write_edges
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
