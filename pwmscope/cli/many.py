"""Several jobs of one command, done by processes of this machine or by a cluster's workers."""

from __future__ import annotations

import os
from collections.abc import Iterator, Sequence
from contextlib import chdir, contextmanager, nullcontext, redirect_stderr
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol, TypeVar

import click

from pwmscope.cli.reading import OPTION_OF, progress_bar
from pwmscope.errors import HintError, PwmscopeError, naming

if TYPE_CHECKING:
    from concurrent.futures import Executor

_Result_co = TypeVar("_Result_co", covariant=True)

cluster_option = click.option(
    "--cluster",
    "address",
    metavar="ADDRESS",
    help="Let the workers of this dask.distributed scheduler do it, such as tcp://farm:8786. They "
    "need the same folders. Without it up to four processes of this machine do.",
)


class Work(Protocol[_Result_co]):
    """Something to do in a process of its own."""

    @property
    def name(self) -> str:
        """What it is about."""

    def run(self) -> _Result_co:
        """Do it."""


def refuse_cluster(address: str | None, what: str) -> None:
    """Refuse a cluster where there is nothing to share out."""
    if address is not None:
        raise HintError(f"--cluster is for {what}. Leave it out here.")


def run_side_by_side(
    jobs: Sequence[Work[_Result_co]], doing: str, address: str | None = None
) -> list[tuple[str, _Result_co | None, str]]:
    """Do several things side by side; give what each is about, what came of it, or its trouble.

    A cluster's workers do them, by the same paths, where the address of its scheduler is given.
    """
    from pwmscope.analysis import carry_out
    from pwmscope.capture.reader.progress import report as tell

    home = None if address is None else Path.cwd()
    work: Any = partial(_run, home=home)
    with progress_bar(doing), _workers(address) as executor:
        done = []
        for outcome in carry_out(
            work, jobs, executor=executor, progress=tell, name_of=lambda job, _nth: job.name
        ):
            if outcome.error is not None and not isinstance(outcome.error, PwmscopeError):
                raise outcome.error
            result, trouble = outcome.result or (None, str(outcome.error))
            done.append((outcome.source, result, trouble))
    return done


@contextmanager
def _workers(address: str | None) -> Iterator[Executor | None]:
    """Reach a cluster's workers; none given means own processes."""
    from pwmscope.analysis import cluster

    with nullcontext() if address is None else cluster(address) as executor:
        yield executor


def _run(job: Work[_Result_co], *, home: Path | None) -> tuple[_Result_co | None, str]:
    """Do one job where the worker is; on a cluster's, in the folder that paths count from."""
    if home is not None and not home.is_dir():
        said = f"{job.name}: the worker has no folder {home}. Start workers that see the same ones."
        return None, said
    with (
        Path(os.devnull).open("w", encoding="utf-8") as nowhere,
        redirect_stderr(nowhere),  # one bar only
        nullcontext() if home is None else chdir(home),
        naming(OPTION_OF),
    ):
        try:
            return job.run(), ""
        except PwmscopeError as error:
            return None, str(error)
