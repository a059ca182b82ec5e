"""`pwmscope convert`: keep a recording's edges, so that it need be read only once."""

from __future__ import annotations

from pathlib import Path

import click

from pwmscope.cli.reading import Recording, reading_options


@click.command(short_help="Keep the edges of CAPTURE in OUT, which is read in no time.")
@reading_options
@click.argument("out", type=click.Path(path_type=Path))
@click.option("--replace", is_flag=True, help="Replace OUT if it is there.")
def convert(recording: Recording, out: Path, *, replace: bool) -> None:
    """Read CAPTURE once and keep its edges in OUT, a Parquet file.

    OUT holds every edge exactly, with the lines' first levels, the duration, the sampling
    interval and every assumption made; each command takes it in place of CAPTURE. Its name
    must end in .parquet.
    """
    from pwmscope.capture.columnar import write_edges  # noqa: PLC0415
    from pwmscope.errors import OutputError  # noqa: PLC0415
    from pwmscope.output import refuse_to_overwrite  # noqa: PLC0415

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
