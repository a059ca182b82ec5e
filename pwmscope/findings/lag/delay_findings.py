"""What is said about the delay: how late, by edges and by content, and what is missing."""

from __future__ import annotations

from pwmscope.findings.lag.content import Content
from pwmscope.findings.lag.correlation import Correlation
from pwmscope.findings.lag.delay import Delay, Trigger
from pwmscope.findings.lag.pairs import Pairs
from pwmscope.findings.lag.train import Train
from pwmscope.model import COVERAGE, Evidence, Finding, format_s, format_us, measured, not_shown

MOVE = (
    "With the weapon removed and the wheels off the ground, record again while only the stick of "
    "{line} goes from end to end a few times, not evenly, with pauses."
)
FEW_FRAMES = ("in the same frame", "one frame late", "two frames late", "three frames late")


def format_ms(us: float) -> str:
    """Write microseconds as milliseconds.

    Examples
    --------
    >>> format_ms(21_400.0), format_ms(1_800.2), format_ms(4.8)
    ('21.4 ms', '1.80 ms', '0.005 ms')
    """
    ms = us / 1e3
    return f"{ms:.{1 if abs(ms) >= 10.0 else 2 if abs(ms) >= 1.0 else 3}f} ms"


def format_frames(frames: int) -> str:
    """Write how many frames late a width is.

    Examples
    --------
    >>> format_frames(1), format_frames(7)
    ('one frame late', '7 frames late')
    """
    return FEW_FRAMES[frames] if 0 <= frames < len(FEW_FRAMES) else f"{frames} frames late"


def content_finding(
    source: Train,
    output: Train,
    delay: Delay,
    *,
    content: Content | None,
    correlation: Correlation | None,
    evidence: tuple[Evidence, ...],
    by_content: bool,
    later_us: float,
) -> Finding:
    """Say how late the output's width is, by the widths and the edges together."""
    pair = f"{source.line} to {output.line}"
    if by_content:
        if delay.high_us <= 0.0 and delay.low_us < 0.0:
            return _ahead(pair, delay, evidence)
        sentence = (
            f"{pair}: {format_ms(delay.median_us)} late, between {format_ms(delay.low_us)} and "
            f"{format_ms(delay.high_us)}, from leading edge to leading "
            f"edge{_format_age(source, delay)}"
        )
        if later_us:
            sentence += (
                f" It is smoothed over several frames, whose middle is {format_ms(later_us)} "
                "older still."
            )
        if correlation is not None:
            sentence += f" {_format_correlation(correlation)}"
        return measured(
            "delay", delay.median_us / 1e3, "ms", sentence,
            uncertainty=None if delay.uncertainty_us is None else delay.uncertainty_us / 1e3,
            interval=_interval_ms(delay), evidence=evidence,
        )  # fmt: skip
    if _is_usable(correlation, source) and correlation is not None:
        return measured(
            "delay", correlation.delay_us / 1e3, "ms",
            f"{pair}: the width follows about {format_ms(correlation.delay_us)} late, smoothed or "
            f"mixed with another input. {_format_correlation(correlation)}",
            uncertainty=correlation.uncertainty_us / 1e3, evidence=evidence,
        )  # fmt: skip
    return not_shown("delay", "ms", f"{pair}: {_why(source, output, content)}")


def _ahead(pair: str, delay: Delay, evidence: tuple[Evidence, ...]) -> Finding:
    return measured(
        "delay", delay.median_us / 1e3, "ms",
        f"{pair}: not late at all, the output begins {format_ms(-delay.median_us)} "
        "before the input "
        "whose width it has. Either the two are named the wrong way round, or both carry the same "
        "command side by side.",
        uncertainty=None if delay.uncertainty_us is None else delay.uncertainty_us / 1e3,
        interval=_interval_ms(delay), evidence=evidence,
    )  # fmt: skip


def _interval_ms(delay: Delay) -> tuple[float, float] | None:
    if delay.of_median_us is None:
        return None
    return delay.of_median_us[0] / 1e3, delay.of_median_us[1] / 1e3


def _format_age(source: Train, delay: Delay) -> str:
    if delay.trigger is not Trigger.OWN_CLOCK:
        return f"; the width is {format_frames(delay.frames)}."
    seen_us = delay.high_us - delay.low_us
    sentence = ". Its own frame clock lets the delay run through a whole frame of the input"
    if seen_us < 0.9 * source.period_us:
        return (
            f"{sentence}, {format_ms(source.period_us)}, of which this recording saw "
            f"{format_ms(seen_us)}; record for a whole beat to see the rest."
        )
    return f"{sentence}."


def _is_usable(correlation: Correlation | None, source: Train) -> bool:
    return (
        correlation is not None
        and abs(correlation.peak) >= 0.5
        and COVERAGE * correlation.uncertainty_us <= source.period_us / 2.0
    )


def _format_correlation(correlation: Correlation) -> str:
    return (
        f"Changes of width agree best at {format_ms(correlation.delay_us)} ± "
        f"{format_ms(COVERAGE * correlation.uncertainty_us)} (correlation {correlation.peak:.3f})."
    )


def _why(source: Train, output: Train, content: Content | None) -> str:
    move = MOVE.format(line=source.line)
    if not source.moved:
        return (
            f"the width of {source.line} did not move enough to show how late it comes through. "
            f"{move}"
        )
    if not output.moved:
        return (
            f"the width of {output.line} stood still while {source.line} moved, so it does not "
            "follow that input in this recording. Check which output belongs to which input, and "
            "that the device between them is powered."
        )
    if content is None:
        return f"the two lines share too little time; record ten seconds or more. {move}"
    if content.explained:
        return (
            "several delays, a frame or more apart, explain the widths about as well, because the "
            f"stick moved too evenly or too little. {move}"
        )
    return (
        f"the width of {source.line} does not explain that of {output.line}; "
        f"{content.unexplained:.0%} of its variance is left. It follows another input, is mixed "
        f"from several, or is made by another receiver. {move}"
    ).replace("%", " %")


def edge_finding(
    source: Train, output: Train, delay: Delay, evidence: tuple[Evidence, ...]
) -> Finding:
    """Say when the output pulse starts, whatever its width."""
    name, unit = "start after input", "us"
    if delay.trigger is Trigger.OWN_CLOCK:
        reason = (
            f"{output.line} starts on its own clock ({output.period_us / 1e3:.3f} ms a frame, "
            f"{source.line} {source.period_us / 1e3:.3f} ms), so it follows no edge of "
            f"{source.line} at a fixed time."
        )
        return not_shown(name, unit, reason)
    begin = f"{output.line} starts {format_us(delay.after_us)} after"
    told = {
        Trigger.INPUT_END: f"{begin} the end of each pulse of {source.line}.",
        Trigger.INPUT_START: f"{begin} the start of each pulse of {source.line}.",
        Trigger.KEEPS_STEP: (
            f"{begin} the start of each pulse of {source.line} on the average; "
            f"{_why_unclear(source, delay)}"
        ),
    }[delay.trigger]
    if delay.trigger is Trigger.INPUT_END and delay.waits_frames:
        told = (
            f"{begin} the end of that pulse of {source.line} which came "
            f"{format_before(delay.waits_frames)} the newest."
        )
    return measured(name, delay.after_us, unit, told, evidence=evidence)


def format_before(frames: int) -> str:
    """Write a number of frames before.

    Examples
    --------
    >>> format_before(1), format_before(3)
    ('one frame before', '3 frames before')
    """
    return "one frame before" if frames == 1 else f"{frames} frames before"


def _why_unclear(source: Train, delay: Delay) -> str:
    if not source.moved:
        return (
            "its width did not move enough to tell whether it waits for the pulse's start or its "
            "end."
        )
    if delay.slope is None:
        return (
            "too few pulses in a row changed their width to tell whether it waits for the pulse's "
            "start or its end."
        )
    return (
        f"it changes by {delay.slope:.2f} us for each of the width, so it waits neither for "
        "that pulse's start nor for its end."
    )


def jitter_finding(output: Train, delay: Delay, evidence: tuple[Evidence, ...]) -> Finding:
    """Say how much the output's start scatters about its usual delay."""
    name, jitter = "added start jitter", delay.jitter
    if jitter is None:
        return not_shown(
            name, "us",
            f"{output.line} runs on its own clock; the spread of its delay is beating, not jitter. "
            "Its own period jitter tells how steady it is.",
        )  # fmt: skip
    sentence = jitter.sentence(f"the start of {output.line} after its input")
    if jitter.jitter_rms_us is None:
        return not_shown(name, "us", sentence)
    return measured(
        name, jitter.jitter_rms_us, "us", sentence, interval=jitter.interval_us, evidence=evidence
    )


def beat_finding(source: Train, output: Train, delay: Delay) -> Finding:
    """Say how long the delay takes to run through a whole frame."""
    name = "beat of the clocks"
    if delay.trigger is not Trigger.OWN_CLOCK:
        return not_shown(
            name, "s", f"{output.line} keeps step with {source.line}, so nothing beats."
        )
    if delay.beat_s is None:
        return not_shown(
            name, "s",
            "The frame periods are whole multiples of each other as far as this recording tells; "
            "record for longer.",
        )  # fmt: skip
    return measured(
        name, delay.beat_s, "s",
        f"The two frame clocks beat: the delay runs through a whole frame of {source.line} in "
        f"about {format_s(delay.beat_s)}.",
    )  # fmt: skip


def count_findings(
    source: Train, output: Train, pairs: Pairs, delay: Delay, evidence: tuple[Evidence, ...]
) -> tuple[Finding, ...]:
    """Say which input frames have no output and which outputs repeat one."""
    unused, again = pairs.without_output.size, int(pairs.again.sum())
    inputs = int(pairs.source[-1] - pairs.source[0] + 1) if len(pairs) else 0
    own = delay.trigger is Trigger.OWN_CLOCK
    clock = " That comes of its own frame clock." if own and (unused or again) else ""
    if pairs.in_doubt:
        clock += (
            f" {pairs.in_doubt} pulses begin so near to where the next width is taken over that "
            "they may carry a neighbour."
        )
    return (
        measured(
            "input frames without output", float(unused), "",
            f"{unused} of {inputs} pulses of {source.line} have no pulse of {output.line} that "
            f"carries them.{clock}", evidence=evidence,
        ),
        measured(
            "repeated outputs", float(again), "",
            f"{again} of {len(pairs)} pulses of {output.line} repeat the input pulse of the one "
            f"before.{clock}", evidence=evidence,
        ),
        measured(
            "outputs without input", float(pairs.without_input), "",
            f"{pairs.without_input} pulses of {output.line} came while {source.line} had been "
            "silent for more than two frames.", evidence=evidence,
        ),
    )  # fmt: skip
