"""The findings about delay and transfer: what they mean, and what is said."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from pwmscope.findings.lag.delay import Correlation, Delay, Trigger
from pwmscope.findings.lag.pairs import Content, Pairs, Parameter, Train
from pwmscope.findings.lag.transfer import AddedJitter, Memory, Transfer
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
        "Which input line an output line is made from. Its width explains the output's at one "
        "delay. Its pulse has ended when the output's begins.",
        "the input leaves at most 1 % of the output width's variance, or four times the noise. "
        "Delay found as for delay; best explanation first",
        "own algorithm",
    ),
    Definition(
        "delay",
        "How late an output is: from an input pulse's leading edge to that of the output pulse "
        "with its width. Median over the output pulses, with the shortest and the longest. Frames "
        "late are the newer input pulses that had begun.",
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
        "When an output pulse starts: a fixed time after each input pulse begins or ends, or on "
        "its own clock.",
        "slope of changes of (R_j - r_i) against changes of w_i, i the newest input pulse begun: "
        "1 waits for the end, 0 for the start; not in step if the delay wanders by more than five "
        "deviations and three sample intervals over the recording, then the ends of other inputs "
        "named; own clock if it wanders along a parabola within a tenth of its way",
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
        "With two frame clocks the delay runs through a whole frame again and again. This is how "
        "long that takes.",
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
        "How much the output's width changes for each microsecond of the input's, where it "
        "follows. Negative for a reversed output.",
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
        "How far from neutral the output is with the input at neutral, by the curve's straight "
        "part.",
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
UNITS: Final = {
    "delay": "ms",
    "start after input": "us",
    "added start jitter": "us",
    "beat of the clocks": "s",
    "input frames without output": "",
    "repeated outputs": "",
    "outputs without input": "",
    "added width jitter": "us",
    "width gain": "us/us",
    "width offset": "us",
    "output deadband": "us",
    "output step": "us",
    "lower clip": "us",
    "upper clip": "us",
    "output hysteresis": "us",
}
"""The findings, with their units, in the order in which they are told."""
OF_TRANSFER: Final = tuple(UNITS)[7:]
"""Those that there are none of without a curve."""
PLAIN: Final = 3.0
"""A hysteresis shows if it is larger than so many of its standard uncertainties."""
MIN_NEAR: Final = 20
MOVE: Final = (
    "Weapon removed, wheels off the ground, robot restrained: record again. Move only the stick "
    "of {line} from end to end, unevenly, with pauses."
)
FRAMES_LATE: Final = (
    "in the same frame", "one frame late", "two frames late", "three frames late",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Subject:
    """The two lines that findings are about."""

    source: Train
    output: Train
    evidence: tuple[Evidence, ...]

    def shown(
        self,
        name: str,
        value: float,
        sentence: str,
        uncertainty: float | None = None,
        interval: tuple[float, float] | None = None,
    ) -> Finding:
        """Make a finding of what was measured."""
        return measured(
            name, value, UNITS[name], sentence,
            uncertainty=uncertainty, interval=interval, evidence=self.evidence,
        )  # fmt: skip


def hidden(name: str, reason: str) -> Finding:
    """Make a finding of what the recording does not show."""
    return not_shown(name, UNITS[name], reason)


def format_ms(us: float) -> str:
    """Write microseconds as milliseconds.

    >>> format_ms(21_400.0), format_ms(1_800.2), format_ms(4.8)
    ('21.4 ms', '1.80 ms', '0.005 ms')
    """
    ms = us / 1e3
    return f"{ms:.{1 if abs(ms) >= 10.0 else 2 if abs(ms) >= 1.0 else 3}f} ms"


def content_finding(
    about: Subject,
    delay: Delay,
    *,
    content: Content | None,
    correlation: Correlation | None,
    by_content: bool,
    later_us: float,
) -> Finding:
    """Say how late the output's width is, by the widths and the edges together."""
    pair = f"{about.source.line} to {about.output.line}"
    agree = ""
    if correlation is not None:
        about_ms = format_ms(COVERAGE * correlation.uncertainty_us)
        agree = (
            f" Changes of width agree best at {format_ms(correlation.delay_us)} ± {about_ms} "
            f"(correlation {correlation.peak:.3f})."
        )
    if by_content:
        sentence = (
            f"{pair}: {format_ms(delay.median_us)} late, between {format_ms(delay.low_us)} and "
            f"{format_ms(delay.high_us)}, from leading edge to leading "
            f"edge{_format_age(about.source, delay)}"
        )
        if later_us:
            sentence += (
                f" It is smoothed over several frames, whose middle is {format_ms(later_us)} "
                "older still."
            )
        sentence += agree
        if delay.high_us <= 0.0 and delay.low_us < 0.0:
            sentence = (
                f"{pair}: not late at all, the output begins {format_ms(-delay.median_us)} before "
                "the input whose width it has. Either the two are named the wrong way round, or "
                "both carry the same command side by side."
            )
        doubt_us, of_median_us = delay.uncertainty_us, delay.of_median_us
        return about.shown(
            "delay", delay.median_us / 1e3, sentence,
            None if doubt_us is None else doubt_us / 1e3,
            None if of_median_us is None else (of_median_us[0] / 1e3, of_median_us[1] / 1e3),
        )  # fmt: skip
    if correlation is not None and _is_usable(correlation, about.source):
        return about.shown(
            "delay", correlation.delay_us / 1e3,
            f"{pair}: the width follows about {format_ms(correlation.delay_us)} late, smoothed or "
            f"mixed with another input.{agree}",
            correlation.uncertainty_us / 1e3,
        )  # fmt: skip
    return hidden("delay", f"{pair}: {_why(about.source, about.output, content)}")


def _format_age(source: Train, delay: Delay) -> str:
    if delay.trigger is Trigger.UNCLEAR:
        return "."
    if delay.trigger.in_step:
        frames = delay.frames
        known = 0 <= frames < len(FRAMES_LATE)
        return f"; the width is {FRAMES_LATE[frames] if known else f'{frames} frames late'}."
    seen_us = delay.high_us - delay.low_us
    sentence = ". Its own frame clock moves the delay through a whole frame of the input"
    if seen_us < 0.9 * source.period_us:
        return (
            f"{sentence}, {format_ms(source.period_us)}. This recording saw {format_ms(seen_us)} "
            "of it. Record for a whole beat to see the rest."
        )
    return f"{sentence}."


def _is_usable(correlation: Correlation, source: Train) -> bool:
    is_sharp = COVERAGE * correlation.uncertainty_us <= source.period_us / 2.0
    return abs(correlation.peak) >= 0.5 and is_sharp


def _why(source: Train, output: Train, content: Content | None) -> str:
    if source.moved and not output.moved:
        return (
            f"the width of {output.line} stood still while {source.line} moved. It does not "
            "follow that input in this recording. Check which output belongs to which input, and "
            "that the device between them is powered."
        )
    if not source.moved:
        why = f"the width of {source.line} did not move enough to show how late it comes through."
    elif content is None:
        why = "the two lines share too little time; record ten seconds or more."
    elif content.explained:
        why = (
            "the stick moved too evenly or too little. Several delays explain the widths alike, a "
            "frame or more apart."
        )
    else:
        why = (
            f"the width of {source.line} does not explain that of {output.line}; "
            f"{100.0 * content.unexplained:.0f} % of its variance is left. It follows another "
            "input, is mixed from several, or is made by another receiver."
        )
    return f"{why} {MOVE.format(line=source.line)}"


def edge_finding(about: Subject, delay: Delay) -> Finding:
    """Say when the output pulse starts, whatever its width."""
    source, output = about.source, about.output
    if delay.trigger is Trigger.OWN_CLOCK:
        return hidden(
            "start after input",
            f"{output.line} starts on its own clock: {output.period_us / 1e3:.3f} ms a frame, "
            f"{source.line} {source.period_us / 1e3:.3f} ms. It follows no edge of {source.line} "
            "at a fixed time.",
        )
    if delay.trigger is Trigger.UNCLEAR:
        return hidden("start after input", _why_unknown(about, delay))
    if delay.waits_for is not None:
        return about.shown(
            "start after input", delay.after_us,
            f"{output.line} starts {format_us(delay.after_us)} after {delay.waits_for}.",
        )  # fmt: skip
    after = {
        Trigger.INPUT_END: f"the end of each pulse of {source.line}.",
        Trigger.INPUT_START: f"the start of each pulse of {source.line}.",
        Trigger.KEEPS_STEP: (
            f"the start of each pulse of {source.line} on the average. "
            f"{_why_unclear(source, delay)}"
        ),
    }[delay.trigger]
    if delay.trigger is Trigger.INPUT_END and delay.waits_frames:
        frames = delay.waits_frames
        before = "one frame before" if frames == 1 else f"{frames} frames before"
        after = f"the end of that pulse of {source.line} which came {before} the newest."
    return about.shown(
        "start after input", delay.after_us,
        f"{output.line} starts {format_us(delay.after_us)} after {after}",
    )  # fmt: skip


def _why_unknown(about: Subject, delay: Delay) -> str:
    source, output = about.source.line, about.output.line
    return (
        f"{output} keeps no fixed time after {source}: its start moves by "
        f"{format_us(delay.wander_us)}, unevenly. Either it waits for the pulse of a line not "
        "named here, or its own clock is unsteady. Name its further inputs with `others`."
    )


def _why_unclear(source: Train, delay: Delay) -> str:
    which = "to tell whether it waits for a pulse's start or end."
    if not source.moved:
        return f"Its width did not move enough {which}"
    if delay.slope is None:
        return f"Too few pulses in a row changed their width {which}"
    return (
        f"It changes by {delay.slope:.2f} us for each of the width. It waits neither for that "
        "pulse's start nor its end."
    )


def jitter_finding(about: Subject, delay: Delay) -> Finding:
    """Say how much the output's start scatters about its usual delay."""
    name, jitter, line = "added start jitter", delay.jitter, about.output.line
    if delay.trigger is Trigger.UNCLEAR:
        return hidden(name, _why_unknown(about, delay))
    if jitter is None:
        return hidden(
            name,
            f"{line} runs on its own clock; the spread of its delay is beating, not jitter. Its "
            "own period jitter tells how steady it is.",
        )
    sentence = jitter.sentence(f"the start of {line} after its input")
    if jitter.jitter_rms_us is None:
        return hidden(name, sentence)
    return about.shown(name, jitter.jitter_rms_us, sentence, interval=jitter.interval_us)


def beat_finding(about: Subject, delay: Delay) -> Finding:
    """Say how long the delay takes to run through a whole frame."""
    name, source, output = "beat of the clocks", about.source.line, about.output.line
    if delay.trigger is Trigger.UNCLEAR:
        return hidden(name, _why_unknown(about, delay))
    if delay.trigger.in_step:
        return hidden(name, f"{output} keeps step with {source}, so nothing beats.")
    if delay.beat_s is None:
        return hidden(
            name,
            "The frame periods are whole multiples of each other as far as this recording tells; "
            "record for longer.",
        )
    return measured(
        name, delay.beat_s, UNITS[name],
        f"The two frame clocks beat: the delay runs through a whole frame of {source} in "
        f"about {format_s(delay.beat_s)}.",
    )  # fmt: skip


def count_findings(about: Subject, pairs: Pairs, delay: Delay) -> tuple[Finding, ...]:
    """Say which input frames have no output and which outputs repeat one."""
    source, output = about.source.line, about.output.line
    unused, again = pairs.without_output.size, int(pairs.again.sum())
    inputs = int(pairs.source[-1] - pairs.source[0] + 1) if len(pairs) else 0
    own = delay.trigger is Trigger.OWN_CLOCK
    clock = " Its own frame clock does that." if own and (unused or again) else ""
    if pairs.in_doubt:
        clock += (
            f" {pairs.in_doubt} pulses begin so near to where the next width is taken over that "
            "they may carry a neighbour."
        )
    return (
        about.shown(
            "input frames without output", float(unused),
            f"{unused} of {inputs} pulses of {source} have no pulse of {output} that carries "
            f"them.{clock}",
        ),
        about.shown(
            "repeated outputs", float(again),
            f"{again} of {len(pairs)} pulses of {output} repeat the input pulse of the one "
            f"before.{clock}",
        ),
        about.shown(
            "outputs without input", float(pairs.without_input),
            f"{pairs.without_input} pulses of {output} came while {source} had been silent for "
            "more than two frames.",
        ),
    )  # fmt: skip


def transfer_findings(about: Subject, transfer: Transfer) -> tuple[Finding, ...]:
    """Say how an output's width comes of an input's."""
    source, output, curve, gain = about.source, about.output, transfer.curve, transfer.gain
    centre_us = curve.centre_us.value
    off_us = centre_us - output.neutral_us
    return (
        about.shown(
            "width gain", gain.value,
            f"{output.line} changes by {gain.value:.4f} ± {COVERAGE * gain.uncertainty:.4f} us for "
            f"each microsecond of {source.line}.{' It is reversed.' if gain.value < 0 else ''} The "
            f"curve leaves {format_us(curve.rms_us)} RMS of its width.",
            gain.uncertainty, gain.interval,
        ),
        about.shown(
            "width offset", off_us,
            f"At {source.neutral_us:g} us of {source.line} the straight part of the curve gives "
            f"{format_us(centre_us)}, {round(off_us, 2) + 0.0:+.2f} us from the convention's "
            "neutral.",
            transfer.offset_uncertainty_us,
        ),
        _deadband(about, transfer),
        _step(about, transfer),
        _clip(about, "lower clip", curve.low_us, transfer),
        _clip(about, "upper clip", curve.high_us, transfer),
        _hysteresis(about, transfer.memory),
    )  # fmt: skip


def _deadband(about: Subject, transfer: Transfer) -> Finding:
    name, curve = "output deadband", transfer.curve
    source, output = about.source.line, about.output.line
    if curve.dead_us is not None and curve.dead_at_us is not None:
        low_us, high_us = (curve.dead_at_us + way * curve.dead_us.value / 2.0 for way in (-1, 1))
        return about.shown(
            name, curve.dead_us.value,
            f"{output} stands still while {source} is between {low_us:.1f} and {high_us:.1f} us, a "
            f"deadband of {curve.dead_us.value:.1f} us.",
            curve.dead_us.uncertainty,
        )  # fmt: skip
    if transfer.near_neutral < MIN_NEAR:
        return hidden(
            name,
            f"{source} was hardly seen near its neutral. Move its stick slowly through the middle "
            "while recording.",
        )
    doubt_us = curve.rms_us / abs(curve.gain.value)
    return about.shown(
        name, 0.0,
        f"No deadband shows: {output} follows {source} through the middle within "
        f"{format_us(COVERAGE * doubt_us)}.",
        doubt_us,
    )  # fmt: skip


def _step(about: Subject, transfer: Transfer) -> Finding:
    if transfer.step_us is None:
        return hidden("output step", transfer.step_reason)
    source = about.source.line
    whose = f"its own, not that of {source}"
    if transfer.step_is_inputs:
        whose = f"which is the step of {source} times the gain"
    return about.shown(
        "output step", transfer.step_us,
        f"{about.output.line} comes in steps of {transfer.step_us:.3f} us, {whose}.",
        transfer.step_uncertainty_us,
    )  # fmt: skip


def _clip(about: Subject, name: str, clip: Parameter | None, transfer: Transfer) -> Finding:
    curve, output = transfer.curve, about.output.line
    if clip is None:
        low_us, high_us = transfer.reached_us
        return hidden(
            name,
            f"No {name} of {output} shows between {low_us:.0f} and {high_us:.0f} us of input, "
            "which is all that was seen. Move the stick to both its ends while recording.",
        )
    where = ""
    if curve.dead_us is None:
        knee_us = curve.neutral_us + (clip.value - curve.centre_us.value) / curve.gain.value
        where = f", from {knee_us:.0f} us of input on"
    sentence = f"{output} is clipped at {clip.value:.1f} us{where}."
    return about.shown(name, clip.value, sentence, clip.uncertainty)


def _hysteresis(about: Subject, memory: Memory) -> Finding:
    name, output = "output hysteresis", about.output.line
    size_us, doubt_us = memory.hysteresis_us, memory.hysteresis_uncertainty_us
    up, down = memory.sweeps
    if memory.smoothed:
        return hidden(
            name,
            f"{output} is smoothed over several frames, which looks like hysteresis while "
            "the stick moves. Compare the widths at which it settles from above and from below.",
        )
    if size_us is None:
        return hidden(
            name,
            f"{up} sweeps up and {down} down were seen away from the clipped ends; three of each "
            "are needed. Move the stick from end to end three times or more.",
        )
    sweeps = f"over {up} sweeps up and {down} down"
    sentence = (
        f"On the way up {output} is {abs(size_us):.2f} ± {COVERAGE * doubt_us:.2f} us "
        f"{'wider' if size_us > 0 else 'narrower'} than down, {sweeps}."
    )
    if abs(size_us) <= PLAIN * doubt_us:
        sentence = (
            f"No hysteresis shows: {sweeps} the output differs by {size_us:+.2f} ± "
            f"{COVERAGE * doubt_us:.2f} us."
        )
    return about.shown(name, size_us, sentence, doubt_us)


def added_jitter_finding(about: Subject, added: AddedJitter) -> Finding:
    """Say how much width jitter an output adds; its evidence are the output's dwells."""
    name, source, output = "added width jitter", about.source.line, about.output.line
    if added.interval_us is None or added.output is None or added.source is None:
        return hidden(
            name,
            f"{source} and {output} never stood still together, so the jitter that {output} adds "
            "is not shown. Leave the stick alone for five seconds while recording.",
        )
    low_us, high_us = added.interval_us
    if added.added_us is None:
        faster = ""
        if added.output.record_at_hz is not None:
            faster = f" {added.output.sentence(f'the width of {output}')}"
        return hidden(
            name,
            f"{output} is not shown to add any jitter to the width: at most {high_us:.2g} us RMS."
            f"{faster}",
        )
    before_us = added.source.jitter_rms_us
    before = (
        f"at most {added.source.interval_us[1]:.2g}" if before_us is None else f"{before_us:.2g}"
    )
    return about.shown(
        name, added.added_us,
        f"{output} adds {added.added_us:.2g} us RMS of width jitter (95 %: {low_us:.2g} to "
        f"{high_us:.2g} us). Its own width has {added.output.jitter_rms_us:.2g} us, {source}'s "
        f"{before} us, sampling taken out.",
        interval=(low_us, high_us),
    )  # fmt: skip
