"""Findings put in order as one document."""

from __future__ import annotations

from pwmscope import __version__
from pwmscope.bench import CAUTIONS, BenchSheet
from pwmscope.findings import Findings
from pwmscope.findings.failsafe import Failsafe
from pwmscope.report.bench_pictures import bench_pictures
from pwmscope.report.compaction import compacted
from pwmscope.report.document.advice import advice_section
from pwmscope.report.document.blocks import Document, Figure, Paragraph, Section
from pwmscope.report.document.channels import (
    channel_sections,
    evidence_section,
    summary_section,
    together_sections,
)
from pwmscope.report.document.front import front_sections
from pwmscope.report.document.method import method_sections
from pwmscope.report.document.words import Wording, file_name
from pwmscope.report.loss_picture import draw_failsafe


def compose(
    findings: Findings,
    *,
    check: Failsafe | None = None,
    sha256: str = "",
    advice: tuple[str, ...] = (),
) -> Document:
    """Put everything found in a recording in order.

    Parameters
    ----------
    findings : Findings
        Everything found in a recording.
    check : Failsafe, optional
        The failsafe check of the same recording, where there is a bench sheet.
    sha256 : str, optional
        Hash of the recording's file.
    advice : tuple of str, optional
        Sentences that advise settings, to stand with what to change.

    Returns
    -------
    Document
        The same for the same findings, to the letter.
    """
    others = () if check is None else (line.line for line in check.lines)
    wording = Wording.of(findings, others)
    file = file_name(findings.capture.source)
    sheet = None if check is None else check.sheet
    return Document(
        f"Receiver outputs in {file}",
        file,
        _about(findings, check, sha256, wording),
        sha256,
        __version__,
        (
            *front_sections(findings, check, wording),
            advice_section(findings, wording, advice, CAUTIONS),
            summary_section(findings, wording),
            *together_sections(findings, wording),
            *_loss_picture(check, wording),
            *_bench_pictures(findings, sheet, wording),
        ),
        (
            *channel_sections(findings, wording),
            evidence_section(findings, wording),
            *method_sections(findings, check, wording),
        ),
    )


def _about(
    findings: Findings, check: Failsafe | None, sha256: str, wording: Wording
) -> tuple[str, ...]:
    capture = findings.capture
    sheet = None if check is None else check.sheet
    said = []
    if sheet is not None:
        named = (("Robot", sheet.robot), ("Club", sheet.club), ("Rulebook", sheet.rulebook))
        told = [f"{what}: {wording.text(name)}" for what, name in named if name]
        said.append(". ".join((*told, f"Bench sheet: {file_name(sheet.source)}")) + ".")
    begun = f"examined, from {capture.start_s:.3f} s on" if capture.start_ps else "recorded"
    count = len(capture.lines)
    said.append(
        f"{capture.duration_s:.3f} s {begun}, {count} line{'' if count == 1 else 's'}, "
        f"{format_rate(capture.sample_interval_us)}. Measured by pwmscope {__version__}."
    )
    if sha256:
        said.append(f"SHA-256 of the recording: {sha256}")
    return tuple(said)


def _loss_picture(check: Failsafe | None, wording: Wording) -> tuple[Section, ...]:
    if check is None:
        return ()
    picture = draw_failsafe(check)
    if picture is None:
        seen = Paragraph(wording.say("No signal loss was seen, so there is nothing to draw."))
        return (Section("losses", wording.say("Signal loss, line by line"), (seen,)),)
    figure = Figure(compacted(picture), "Picture of the signal losses")
    return (Section("losses", wording.say("Signal loss, line by line"), (figure,)),)


def _bench_pictures(
    findings: Findings, sheet: BenchSheet | None, wording: Wording
) -> tuple[Section, ...]:
    """Draw what concerns all lines together, where there is such a thing."""
    figures = tuple(
        Figure(compacted(picture), f"Picture of the bench: {picture.name.rstrip('-0123456789')}")
        for picture in bench_pictures(findings, sheet)
    )
    if not figures:
        return ()
    return (Section("together-drawn", wording.say("The bench, drawn"), figures),)


def format_rate(sample_interval_us: float | None) -> str:
    """Write a sample rate with the interval it stands for.

    Examples
    --------
    >>> format_rate(2.0), format_rate(None)
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
