"""The findings about delay and transfer: what they mean, and what is said."""

from __future__ import annotations

from typing import Final

from pwmscope.findings.lag.content import Content, Train
from pwmscope.findings.lag.curve import Parameter
from pwmscope.findings.lag.delay import Correlation, Delay, Trigger
from pwmscope.findings.lag.pairs import Pairs
from pwmscope.findings.lag.transfer import Transfer
from pwmscope.model import (
    COVERAGE,
    Definition,
    Evidence,
    Finding,
    format_s,
    format_us,
    measured,
    not_shown,
)

DEFINITIONS: Final = (
    Definition(
        "follows",
        "Which input line an output line is made from: the one whose width explains the output's "
        "at one delay, and whose pulse has ended when the output's begins.",
        "what the input leaves of the variance of the output's width is at most 1 %, or four "
        "times the noise, at a delay found as for delay; best explanation first",
        "own algorithm",
    ),
    Definition(
        "delay",
        "How late an output is: from the leading edge of an input pulse to the leading edge of "
        "the output pulse that carries its width. Median over the output pulses, with the "
        "shortest and the longest; frames late are the newer input pulses that had begun.",
        "R_j - r_k, k = newest input pulse that ended at least L before R_j; L minimises the "
        "variance of W_j about a smooth curve of w_k, by 20 in log-likelihood against every L a "
        "frame away; the median is off by +- Ts/2 (rectangular) and Ts sqrt(7 / (30 m)) for m "
        "delays within 3/4 Ts of it, or by Ts / sqrt(6) if that is less, by the clock's 1e-4 x "
        "(rectangular), and by pulses in doubt. "
        "Where one input does not explain the output: peak of Pearson's coefficient of the "
        "changes of width over 0.1 s, parabola through three, jackknife over eight parts",
        "delay between mid-reference instants, IEEE Std 181 (from memory); second-difference "
        "variance estimator of Gasser, Sroka and Jennen-Steinmetz, 1986, and jackknife of Efron "
        "and Tibshirani, 1993 (from memory); choice of L: own algorithm",
    ),
    Definition(
        "start after input",
        "When an output pulse starts, whatever its width: a fixed time after each input pulse "
        "begins or ends, or on a clock of its own.",
        "slope of changes of (R_j - r_i) against changes of w_i, i the newest input pulse begun: "
        "1 waits for the end, 0 for the start; own clock if the delay wanders by more than five "
        "deviations and three sample intervals over the recording",
        "own algorithm; least squares as in JCGM 100, H.3 (from memory)",
    ),
    Definition(
        "added start jitter",
        "How much the start of the output scatters about its usual time after the input. What "
        "sampling alone gives is taken out.",
        "RMS of the time from the event that the output waits for; jitter^2 = s^2 - Ts^2/6 well "
        "above the floor",
        "JCGM 100, 4.3.7, 4.3.9 and G.4.1",
    ),
    Definition(
        "beat of the clocks",
        "Where input and output have frame clocks of their own the delay runs through a whole "
        "frame again and again; this is how long that takes.",
        "T_in / |drift of the delay| where the periods differ by less than 1 %, else 1 / |f_fast "
        "- round(f_fast / f_slow) f_slow|",
        "beat of two frequencies, elementary",
    ),
    Definition(
        "input frames without output",
        "Input pulses, between the first and the last that came through, that no output pulse "
        "carries.",
        "count of input pulses k that no output pulse j is paired with",
        "own algorithm",
    ),
    Definition(
        "repeated outputs",
        "Output pulses that carry the same input pulse as the output pulse before.",
        "count of j with k(j) = k(j - 1)",
        "own algorithm",
    ),
    Definition(
        "outputs without input",
        "Output pulses that came while the input had been silent for long: the device goes on by "
        "itself.",
        "count of output pulses whose input pulse ended more than L + 2.5 input frames before",
        "own algorithm",
    ),
    Definition(
        "added width jitter",
        "How much jitter an output adds to the width while the stick stands still.",
        "sqrt(s_out^2 - (gain s_in)^2) over pairs in which both stand still, each freed of "
        "sampling; interval from the ends of theirs",
        "JCGM 100, 5.1.2 (independent parts add in quadrature)",
    ),
    Definition(
        "width gain",
        "How much the output's width changes for each microsecond of the input's, where it is "
        "neither clipped nor dead; negative for a reversed output.",
        "without bends the least-squares slope of the recorded pulses, with what sampling and "
        "pulses in doubt leave open: u^2 = Ts^2/6 (1/S + g^2 R/S^2), S = sum a^2, a = w - mean w, "
        "R = sum over input pulses of (sum of a over its outputs)^2; with bends g of the curve "
        "W = clip(c + g dead(w - w0, b), low, high) by least squares with the loss 2 (sqrt(1 + z) "
        "- 1); features that gain less than 20 in the Bayesian information criterion are left "
        "out; u^2 from the Jacobian, times 1 + 2 sum r_k of the residuals' autocorrelation, and, "
        "where a step shows, step^2 / (12 dwells s_w^2) for its rounding",
        "nonlinear least squares (SciPy); Bayesian information criterion, Schwarz 1978 (from "
        "memory)",
    ),
    Definition(
        "width offset",
        "How far from neutral the output is when the input is at neutral, as the straight part "
        "of the curve gives it.",
        "c - neutral; u^2 = u(c)^2 + Ts^2/6 + step^2 / (12 dwells)",
        "as for width gain; JCGM 100, 4.3.7",
    ),
    Definition(
        "output deadband",
        "The band of input widths in which the output does not move.",
        "b of the curve of width gain, in input microseconds",
        "as for width gain",
    ),
    Definition(
        "output step",
        "The smallest step between the output's widths, and whether it is the input's own.",
        "as resolution, of the output; the input's own if it is within 10 % of |gain| times the "
        "input's step",
        "as for resolution",
    ),
    Definition(
        "lower clip",
        "The output width that a smaller input (or a larger one, if reversed) no longer lowers.",
        "low of the curve of width gain",
        "as for width gain",
    ),
    Definition(
        "upper clip",
        "The output width that a larger input (or a smaller one, if reversed) no longer raises.",
        "high of the curve of width gain",
        "as for width gain",
    ),
    Definition(
        "output hysteresis",
        "How much wider the output is for the same input on the way up than on the way down.",
        "mean over sweeps up - mean over sweeps down of what the curve leaves; u^2 = s_up^2/n_up "
        "+ s_down^2/n_down",
        "difference of two means, JCGM 100, 5.1.2; Welch",
    ),
)
"""Every finding of `pwmscope.findings.lag`, in the order in which they are told."""


MOVE = (
    "With the weapon removed and the wheels off the ground, record again while only the stick of "
    "{line} goes from end to end a few times, not evenly, with pauses."
)
FRAMES_LATE = ("in the same frame", "one frame late", "two frames late", "three frames late")


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
    return FRAMES_LATE[frames] if 0 <= frames < len(FRAMES_LATE) else f"{frames} frames late"


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
    words = {
        Trigger.INPUT_END: f"{begin} the end of each pulse of {source.line}.",
        Trigger.INPUT_START: f"{begin} the start of each pulse of {source.line}.",
        Trigger.KEEPS_STEP: (
            f"{begin} the start of each pulse of {source.line} on the average; "
            f"{_why_unclear(source, delay)}"
        ),
    }[delay.trigger]
    if delay.trigger is Trigger.INPUT_END and delay.waits_frames:
        words = (
            f"{begin} the end of that pulse of {source.line} which came "
            f"{format_before(delay.waits_frames)} the newest."
        )
    return measured(name, delay.after_us, unit, words, evidence=evidence)


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


PLAIN: Final = 3.0
"""A hysteresis shows if it is larger than so many of its standard uncertainties."""
MIN_NEAR: Final = 20
NAMES: Final = (
    ("width gain", "us/us"),
    ("width offset", "us"),
    ("output deadband", "us"),
    ("output step", "us"),
    ("lower clip", "us"),
    ("upper clip", "us"),
    ("output hysteresis", "us"),
)
"""The findings about the transfer, with their units, in the order in which they are told."""


def no_transfer(reason: str) -> tuple[Finding, ...]:
    """Say for each finding about the transfer why it is not shown."""
    return tuple(not_shown(name, unit, reason) for name, unit in NAMES)


def transfer_findings(
    source: Train, output: Train, transfer: Transfer, evidence: tuple[Evidence, ...]
) -> tuple[Finding, ...]:
    """Say how an output's width comes of an input's."""
    return (
        _gain(source, output, transfer, evidence),
        _offset(source, output, transfer, evidence),
        _deadband(source, output, transfer, evidence),
        _step(source, output, transfer, evidence),
        _clip("lower clip", transfer.curve.low_us, output, transfer, evidence),
        _clip("upper clip", transfer.curve.high_us, output, transfer, evidence),
        _hysteresis(output, transfer, evidence),
    )


def _gain(
    source: Train, output: Train, transfer: Transfer, evidence: tuple[Evidence, ...]
) -> Finding:
    gain = transfer.gain
    turned = " It is reversed." if gain.value < 0 else ""
    return measured(
        "width gain", gain.value, "us/us",
        f"{output.line} changes by {gain.value:.4f} ± {COVERAGE * gain.uncertainty:.4f} us for "
        f"each microsecond of {source.line}.{turned} The curve leaves "
        f"{format_us(transfer.curve.rms_us)} RMS of its width.",
        uncertainty=gain.uncertainty, interval=gain.interval, evidence=evidence,
    )  # fmt: skip


def _offset(
    source: Train, output: Train, transfer: Transfer, evidence: tuple[Evidence, ...]
) -> Finding:
    centre_us = transfer.curve.centre_us.value
    off_us = centre_us - output.neutral_us
    shown_us = round(off_us, 2) + 0.0  # no minus before a zero
    return measured(
        "width offset", off_us, "us",
        f"At {source.neutral_us:g} us of {source.line} the straight part of the curve gives "
        f"{format_us(centre_us)}, {shown_us:+.2f} us from the convention's neutral.",
        uncertainty=transfer.offset_uncertainty_us, evidence=evidence,
    )  # fmt: skip


def _deadband(
    source: Train, output: Train, transfer: Transfer, evidence: tuple[Evidence, ...]
) -> Finding:
    curve = transfer.curve
    if curve.dead_us is not None and curve.dead_at_us is not None:
        half_us = curve.dead_us.value / 2.0
        return measured(
            "output deadband", curve.dead_us.value, "us",
            f"{output.line} stands still while {source.line} is between "
            f"{curve.dead_at_us - half_us:.1f} and {curve.dead_at_us + half_us:.1f} us, a deadband "
            f"of {curve.dead_us.value:.1f} us.",
            uncertainty=curve.dead_us.uncertainty, evidence=evidence,
        )  # fmt: skip
    if transfer.near_neutral < MIN_NEAR:
        return not_shown(
            "output deadband", "us",
            f"{source.line} was hardly seen near its neutral. Move its stick slowly through the "
            "middle while recording.",
        )  # fmt: skip
    doubt_us = curve.rms_us / abs(curve.gain.value)
    return measured(
        "output deadband", 0.0, "us",
        f"No deadband shows: {output.line} follows {source.line} through the middle within "
        f"{format_us(COVERAGE * doubt_us)}.",
        uncertainty=doubt_us, evidence=evidence,
    )  # fmt: skip


def _step(
    source: Train, output: Train, transfer: Transfer, evidence: tuple[Evidence, ...]
) -> Finding:
    if transfer.step_us is None:
        return not_shown("output step", "us", transfer.step_reason)
    whose = (
        f"which is the step of {source.line} times the gain"
        if transfer.step_is_inputs
        else f"its own, not that of {source.line}"
    )
    return measured(
        "output step", transfer.step_us, "us",
        f"{output.line} comes in steps of {transfer.step_us:.3f} us, {whose}.",
        uncertainty=transfer.step_uncertainty_us, evidence=evidence,
    )  # fmt: skip


def _clip(
    name: str,
    clip: Parameter | None,
    output: Train,
    transfer: Transfer,
    evidence: tuple[Evidence, ...],
) -> Finding:
    low_us, high_us = transfer.reached_us
    if clip is None:
        return not_shown(
            name, "us",
            f"No {name} of {output.line} shows between {low_us:.0f} and {high_us:.0f} us of input, "
            "which is all that was seen. Move the stick to both its ends while recording.",
        )  # fmt: skip
    curve = transfer.curve
    if curve.dead_us is None:
        knee_us = curve.neutral_us + (clip.value - curve.centre_us.value) / curve.gain.value
        where = f", from {knee_us:.0f} us of input on"
    else:
        where = ""
    return measured(
        name, clip.value, "us",
        f"{output.line} is clipped at {clip.value:.1f} us{where}.",
        uncertainty=clip.uncertainty, evidence=evidence,
    )  # fmt: skip


def _hysteresis(output: Train, transfer: Transfer, evidence: tuple[Evidence, ...]) -> Finding:
    name, memory = "output hysteresis", transfer.memory
    up, down = memory.sweeps
    if memory.smoothed:
        return not_shown(
            name, "us",
            f"{output.line} is smoothed over several frames, which looks like hysteresis while "
            "the stick moves. Compare the widths at which it settles from above and from below.",
        )  # fmt: skip
    if memory.hysteresis_us is None:
        return not_shown(
            name, "us",
            f"{up} sweeps up and {down} down were seen away from the clipped ends; three of each "
            "are needed. Move the stick from end to end three times or more.",
        )  # fmt: skip
    size_us, doubt_us = memory.hysteresis_us, memory.hysteresis_uncertainty_us
    if abs(size_us) <= PLAIN * doubt_us:
        sentence = (
            f"No hysteresis shows: over {up} sweeps up and {down} down the output differs by "
            f"{size_us:+.2f} ± {COVERAGE * doubt_us:.2f} us."
        )
    else:
        way = "wider" if size_us > 0 else "narrower"
        sentence = (
            f"On the way up {output.line} is {abs(size_us):.2f} ± {COVERAGE * doubt_us:.2f} us "
            f"{way} than on the way down, over {up} sweeps up and {down} down."
        )
    return measured(name, size_us, "us", sentence, uncertainty=doubt_us, evidence=evidence)
