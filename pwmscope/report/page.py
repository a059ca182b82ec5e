"""Findings as one self-contained page for a screen, a phone or paper."""

from __future__ import annotations

import base64
import importlib.resources
import re
import unicodedata
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path, PurePath
from typing import Final

import jinja2

from pwmscope import __version__
from pwmscope.bench import CAUTIONS
from pwmscope.errors import OutputError
from pwmscope.findings import ChannelFindings, Findings
from pwmscope.output import refuse_to_overwrite, write_text
from pwmscope.report.drawing import Picture
from pwmscope.report.pictures import draw_channel
from pwmscope.report.sentences import (
    RULEBOOK,
    channel_sentence,
    open_points,
    overall_sentence,
    say_line,
    say_number,
    say_value,
)

PAGE_NAME: Final = "report.html"
MOST_LETTERS: Final = 600
"""Letters of one sentence that are shown at most."""


@dataclass(frozen=True, slots=True)
class _Section:
    """One channel with its pictures."""

    number: int
    channel: ChannelFindings
    pictures: tuple[Picture, ...]


def write_page(findings: Findings, folder: Path, *, replace: bool = False) -> Path:
    """Write a page with every finding and picture to ``folder/report.html``.

    The page is whole or not there at all, and the same findings give the same
    bytes.

    Parameters
    ----------
    findings : Findings
        Everything found in a recording.
    folder : Path
        Where the page goes; made if it is not there.
    replace : bool, optional
        Whether a page that is already there may be replaced.

    Returns
    -------
    Path
        The page.

    Raises
    ------
    OutputError
        If the page is already there, or the folder or the page cannot be written.
    """
    path = Path(folder) / PAGE_NAME
    refuse_to_overwrite(path, replace=replace)
    text = page_text(findings)
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise OutputError(
            f"{path.parent}: the folder cannot be made ({error.strerror or error}); "
            "name another one."
        ) from error
    write_text(path, text, replace=replace)
    return path


def page_text(findings: Findings) -> str:
    """Return the page as HTML text.

    Parameters
    ----------
    findings : Findings
        Everything found in a recording.

    Returns
    -------
    str
        One HTML 5 document that refers to nothing outside itself.
    """
    sections = [
        _Section(number, channel, draw_channel(channel, findings.capture))
        for number, channel in enumerate(findings.channels.values(), start=1)
    ]
    names = _plain_names(findings)
    environment = jinja2.Environment(
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    environment.filters |= {
        "plain": lambda text: plain(text, names),
        "line": say_line,
        "value": say_value,
        "number": say_number,
        "sentence": channel_sentence,
        "rate": _say_rate,
        "address": _address,
        "capital": lambda text: text[:1].upper() + text[1:],
        "kind": lambda verdict: verdict.value.replace(" ", "-"),
    }
    template = importlib.resources.files("pwmscope.report").joinpath("page.html.j2")
    return environment.from_string(template.read_text("utf-8")).render(
        findings=findings,
        capture=findings.capture,
        file=plain(PurePath(findings.capture.source).name or findings.capture.source, {}, 80),
        overall=overall_sentence(findings),
        sections=sections,
        open_points=open_points(findings),
        rulebook=RULEBOOK,
        cautions=CAUTIONS,
        version=__version__,
    )


def _plain_names(findings: Findings) -> dict[str, str]:
    """Pair each name that needs it with what is shown for it, longest first."""
    names = {name: _isolated(say_line(name)) for name in findings.capture.lines}
    changed = [name for name, shown in names.items() if name != shown and name]
    return {name: names[name] for name in sorted(changed, key=len, reverse=True)}


def _isolated(name: str) -> str:
    """Keep a name written from right to left from reordering the words around it."""
    if any(unicodedata.bidirectional(letter) in {"R", "AL", "AN"} for letter in name):
        return f"\u2068{name}\u2069"
    return name


def plain(text: str, names: Mapping[str, str], most: int = MOST_LETTERS) -> str:
    r"""Make a sentence that may hold a hostile name fit to be shown.

    Parameters
    ----------
    text : str
        The sentence.
    names : mapping of str to str
        What to write for each name that cannot be shown as it is, longest first.
    most : int, optional
        Letters that are kept.

    Returns
    -------
    str
        Without control characters, and shortened where it is too long.

    Examples
    --------
    >>> plain("Line a\x00b: idle.", {"a\x00b": "a?b"}), plain("x" * 9, {}, 4)
    ('Line a?b: idle.', 'xxx…')
    """
    if names:
        pattern = "|".join(re.escape(name) for name in names)
        text = re.sub(pattern, lambda found: names[found[0]], text)
    marks = "\u2068\u2069" if names else ""
    text = "".join(c if c.isprintable() or c in marks else "?" for c in text)
    return text if len(text) <= most else text[: most - 1] + "…"


def _say_rate(sample_interval_us: float | None) -> str:
    """Write a sample rate with the interval it stands for.

    Examples
    --------
    >>> _say_rate(2.0), _say_rate(None)
    ('500 kS/s (one sample each 2 us)', 'sample rate not known')
    """
    if sample_interval_us is None:
        return "sample rate not known"
    rate_hz = 1e6 / sample_interval_us
    size, unit = next(
        (size, unit)
        for size, unit in ((1e9, "GS/s"), (1e6, "MS/s"), (1e3, "kS/s"), (0.0, "S/s"))
        if rate_hz >= size * 0.9999
    )
    return f"{rate_hz / (size or 1.0):.6g} {unit} (one sample each {sample_interval_us:.5g} us)"


def _address(picture: Picture) -> str:
    """Hold a picture in an address of its own, so that the page needs no other file."""
    return "data:image/svg+xml;base64," + base64.b64encode(picture.svg.encode()).decode("ascii")
