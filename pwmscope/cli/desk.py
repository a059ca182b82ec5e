"""`pwmscope desk`: the whole job in a browser."""

from __future__ import annotations

import datetime
from pathlib import Path
from typing import Final

import click

PORT: Final = 8642


@click.command(short_help="Do the whole job in a browser: wire, record, read, change, sign.")
@click.argument("folder", required=False, type=click.Path(path_type=Path))
@click.option(
    "--port", type=click.IntRange(0, 65535), default=PORT, show_default=True, metavar="N",
    help="The port of this computer's own address; 0 takes any that is free.",
)  # fmt: skip
@click.option("--no-browser", is_flag=True, help="Print the address only.")
def desk(folder: Path | None, *, port: int, no_browser: bool) -> None:
    """Open the desk of FOLDER, a local page for the whole job.

    FOLDER holds sheets, recordings and results as plain files; without one it is named after
    the day. Recordings are dropped on the page, or saved into FOLDER by any program. Only this
    computer reaches the page, by the address that is printed.

    Before you power a robot: weapon removed or locked, wheels off the ground, robot
    restrained, eye protection on, battery looked after. The event's rulebook and its safety
    officer decide.
    """
    from pwmscope.desk import serve

    today = datetime.datetime.now().astimezone().date()
    serve(folder or Path(f"desk-{today}"), port=port, browser=not no_browser, tell=click.echo)
