"""`pwmscope synth`: build a bench recording with known truth."""

from __future__ import annotations

from pathlib import Path

import click

from pwmscope.cli.reading import progress_bar


@click.command(short_help="Build a bench recording from SCRIPT, with its truth beside it.")
@click.argument("script", type=click.Path(path_type=Path))
@click.option(
    "-o",
    "--output",
    "path",
    type=click.Path(path_type=Path),
    required=True,
    metavar="FILE",
    help="The CSV file to write; .gz at the end compresses it.",
)
@click.option("--replace", is_flag=True, help="Replace files that are there.")
def synth(script: Path, path: Path, *, replace: bool) -> None:
    """Build a bench recording from SCRIPT (TOML), with its truth beside it.

    The truth, exact before sampling, goes to a file of the same name that ends in
    .truth.json. No receiver is needed: this is for trying pwmscope out and for testing it.
    """
    from pwmscope.output import refuse_to_overwrite  # noqa: PLC0415
    from pwmscope.synth import build, load_script, write, write_truth  # noqa: PLC0415

    truth = path.with_name(path.name.removesuffix(".gz").removesuffix(".csv") + ".truth.json")
    for file in (path, truth):
        refuse_to_overwrite(file, replace=replace)
    with progress_bar("building"):
        recording = build(load_script(script))
        write(recording, path)
        write_truth(recording, truth)
    click.echo(f"The recording is {path}, its truth {truth}.")
