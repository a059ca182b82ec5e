"""Open a recording, whatever shape of file it is in."""

from __future__ import annotations

import os
from pathlib import Path

from pwmscope.capture.capture import Capture
from pwmscope.capture.hints import Hints
from pwmscope.capture.table import read_table


def load(
    path: str | os.PathLike[str], *, rate: str | float | None = None, time_unit: str | None = None
) -> Capture:
    r"""Read a recording.

    Parameters
    ----------
    path : str or path-like
        A CSV file of digital levels, plain or gzip.
    rate : str or float, optional
        The analyser's sample rate, such as ``"1MHz"`` or ``1e6`` (hertz).
        Needed where the rows carry no time.
    time_unit : str, optional
        Unit of the time column (``s, ms, us, ns, ps``) where its heading does
        not say it or is wrong.

    Returns
    -------
    Capture
        Named lines of edges in int64 picoseconds since the first row, and
        every assumption made on the way.

    Raises
    ------
    CaptureError
        If the file cannot be read, naming file, row, column and what to do.
    HintError
        If a hint is not understood, contradicts the file, or is needed.

    Examples
    --------
    >>> import pathlib, tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     file = pathlib.Path(folder, "two.csv")
    ...     _ = file.write_text("time_us,RX1\n0,0\n10,1\n1510,0\n20000,0\n")
    ...     capture = load(file)
    >>> capture.lines["RX1"].edges_ps
    array([  10000000, 1510000000])
    """
    return read_table(Path(path), Hints.of(rate=rate, time_unit=time_unit))
