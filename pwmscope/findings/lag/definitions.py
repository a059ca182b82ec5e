"""What the findings about delay and transfer mean."""

from __future__ import annotations

from typing import Final

from pwmscope.model import Definition

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
