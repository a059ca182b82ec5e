"""Shapes of time: stamps, units, multipliers, rates, digits, signs."""

from __future__ import annotations

import datetime as dt
import random

from read_paper import Paper, paper, rows_of, shape, text
from read_shapes_layout import s6, us
from read_signal import PS, draw, number

DAY = dt.datetime(2026, 11, 28, 0, 0, 0, tzinfo=dt.UTC)


def clock(ps: int, start: dt.datetime, digits: int) -> tuple[dt.datetime, str]:
    """Return the whole second of an instant and the digits of its fraction."""
    second, rest = divmod(ps, PS["s"])
    return start + dt.timedelta(seconds=second), f"{rest // 10 ** (12 - digits):0{digits}d}"


@shape(9)
def epoch_stamps(rng: random.Random, i: int) -> Paper:
    sig = draw(rng)
    start = int((DAY + dt.timedelta(hours=20, seconds=rng.randrange(3000))).timestamp()) * PS["s"]
    start += rng.randrange(10**6) * PS["us"]
    head, unit, dec = (
        ("timestamp", "s", 6),
        ("epoch_ms", "ms", 2),
        ("timestamp_us", "us", None),
        ("time_ns", "ns", None),
        ("unix_time", "s", 5),
        ("timestamp", "us", None),
        ("timestamp", "ns", None),
        ("time", "s", 6),
        ("timestamp", "ms", 2),
    )[i]
    rows = rows_of(sig, lambda t: number(start + t, unit, dec), sampled=i % 2 == 0)
    return paper(
        sig,
        text(rows, [head, *sig.wires]),
        f"epoch in {unit} under {head!r}",
        unit=unit,
        column=head,
        tolerance_ps=10_000_000 if i == 4 else 1_000_000 if dec is not None else 1,
    )


@shape(8)
def iso_stamps(rng: random.Random, i: int) -> Paper:
    sig = draw(rng)
    start = DAY + dt.timedelta(hours=23, minutes=59, seconds=59) * (i % 2)
    form, digits, tail = (
        ("%Y-%m-%dT%H:%M:%S", 6, "Z"),
        ("%Y-%m-%d %H:%M:%S", 6, ""),
        ("%Y-%m-%dT%H:%M:%S", 9, "+01:00"),
        ("%d.%m.%Y %H:%M:%S", 6, ""),
        ("%Y/%m/%d %H:%M:%S", 6, ""),
        ("%H:%M:%S", 6, ""),
        ("%Y%m%dT%H%M%S", 6, "Z"),
        ("%Y-%m-%d %H:%M:%S", 6, " UTC"),
    )[i]

    def time(t: int) -> str:
        when, rest = clock(t + 880 * PS["ms"], start, digits)
        return when.strftime(form) + ("," if i == 3 else ".") + rest + tail

    rows = rows_of(sig, time, sampled=i % 2 == 0)
    body = text(rows, ["timestamp", *sig.wires], delim=";" if i == 3 else ",")
    return paper(sig, body, f"stamps {rows[0][0]}")


@shape(6)
def am_pm(rng: random.Random, i: int) -> Paper:
    sig = draw(rng)
    start = DAY + dt.timedelta(hours=(11, 23, 20, 12, 0, 9)[i], minutes=59, seconds=59)
    if i in (1, 3):
        start -= dt.timedelta(minutes=5)

    def time(t: int) -> str:
        when, rest = clock(t + 930 * PS["ms"], start, 6)
        half = "AM" if when.hour < 12 else "PM"
        half = (half, half.lower(), half, half[0] + "." + half[1] + ".", half, half)[i]
        front = f"{when.month}/{when.day}/{when.year} " if i in (0, 2, 4) else ""
        gap = "" if i == 5 else " "
        return f"{front}{when.hour % 12 or 12}:{when:%M:%S}.{rest}{gap}{half}"

    rows = rows_of(sig, time, sampled=i % 2 == 0)
    return paper(sig, text(rows, ["Time", *sig.wires]), f"{rows[0][0]} to {rows[-1][0]}")


@shape(6)
def minutes_and_seconds(rng: random.Random, i: int) -> Paper:
    sig = draw(rng, seconds=0.15)
    start = (59_950, 0, 3_599_960, 125_000, 59_900, 600_000)[i] * PS["ms"]

    def time(t: int) -> str:
        minute, rest = divmod(t + start, PS["min"])
        second, part = divmod(rest, PS["s"])
        front = str(minute) if i == 3 else f"{minute:02d}"
        return f"{front}:{second:02d}.{part // PS['us']:06d}"

    head = ("time", "Time (mm:ss)", "mm:ss", "elapsed", "time", "t [m:s]")[i]
    rows = rows_of(sig, time, sampled=i % 2 == 0)
    return paper(sig, text(rows, [head, *sig.wires]), f"{head}: {rows[0][0]}", column=head)


@shape(5)
def date_and_time_columns(rng: random.Random, i: int) -> Paper:
    sig = draw(rng)
    start = DAY + dt.timedelta(hours=23, minutes=59, seconds=59) * (i % 2)

    def split(t: int) -> tuple[str, str]:
        when, rest = clock(t + 930 * PS["ms"], start, 6)
        return when.strftime(("%Y-%m-%d", "%d.%m.%Y")[i == 2]), f"{when:%H:%M:%S}.{rest}"

    rows = [
        [*split(t * sig.step_ps), *r[1:]]
        for t, r in zip(sig.change_ticks(), rows_of(sig, us), strict=True)
    ]
    return paper(sig, text(rows, ["Date", "Time", *sig.wires]), f"{rows[0][:2]}")


@shape(16)
def unit_in_heading(rng: random.Random, i: int) -> Paper:
    sig = draw(
        rng,
        kinds="slow" if i % 4 == 3 else "servo",
        seconds=3.0 if i % 4 == 3 else 0.12,
        rate_hz=10_000 if i % 4 == 3 else 100_000,
    )
    head, unit, dec = (
        ("start_us", "us", None),
        ("Start (us)", "us", None),
        ("t[ns]", "ns", None),
        ("time, ms", "ms", 2),
        ("Time in us", "us", None),
        ("us", "us", None),
        ("Zeit/µs", "us", None),
        ("TIME-MS", "ms", 3),
        ("microseconds", "us", None),
        ("time_usec", "us", None),
        ("Elapsed (seconds)", "s", 5),
        ("Time / ms", "ms", 2),
        ("time (µs)", "us", None),
        ("T_MICROS", "us", None),
        ("time_msec", "ms", 2),
        ("nanoseconds", "ns", None),
    )[i]
    rows = rows_of(sig, lambda t: number(t, unit, dec), sampled=i % 2 == 0)
    return paper(
        sig,
        text(rows, [head, *sig.wires]),
        f"{head!r}",
        unit=unit,
        column=head,
        deciding="no unit is stated",
    )


@shape(9)
def multipliers(rng: random.Random, i: int) -> Paper:
    slow = i % 3 == 1
    sig = draw(
        rng,
        kinds="slow" if slow else "servo",
        seconds=3.0 if slow else 0.12,
        rate_hz=10_000 if slow else 100_000,
    )
    head, size = (
        ("time (100 ns)", 10**5),
        ("t / 1e-6 s", 10**6),
        ("time x10us", 10**7),
        ("time [10^-6 s]", 10**6),
        ("time (0.1 us)", 10**5),
        ("ticks of 250 ns", 250_000),
        ("time [x10 us]", 10**7),
        ("time_100ns", 10**5),
        ("t (1e-3 s)", 10**9),
    )[i]
    rows = rows_of(sig, lambda t: number(t, size, 2 if i == 8 else None), sampled=i % 2 == 0)
    return paper(sig, text(rows, [head, *sig.wires]), f"{head!r}", deciding="no unit is stated")


@shape(6)
def minutes(rng: random.Random, i: int) -> Paper:
    sig = draw(rng, kinds="slow" if i % 2 else "servo", seconds=3.0 if i % 2 else 0.12)
    head = ("time_min", "t (min)", "minutes", "Time [min]", "elapsed (minutes)", "min")[i]
    rows = rows_of(sig, lambda t: number(t, "min", 10))
    return paper(
        sig,
        text(rows, [head, *sig.wires]),
        f"{head!r}",
        tolerance_ps=6000 * 2,
        deciding="no unit is stated",
    )


RATES = (
    ("Sample rate: 100 kHz", 100_000),
    ("Sample rate: 100,000 Hz", 100_000),
    ("Sample rate: 100 000 Hz", 100_000),
    ("Sampling interval: 10 us", 100_000),
    ("samplerate=100000", 100_000),
    ("# Sample rate: 0.1 MHz", 100_000),
    ("Sample rate: 1,000,000 Hz", 1_000_000),
    ("Rate: 100 kS/s", 100_000),
    ("Sample rate: 100'000 Sa/s", 100_000),
    ("Sample rate: 1.000 MHz", 1_000_000),
    ("Sampling frequency (Hz): 100000", 100_000),
    ("Sample period: 0.01 ms", 100_000),
)


@shape(12)
def sample_numbers(rng: random.Random, i: int) -> Paper:
    said, hz = RATES[i]
    sig = draw(rng, hz, 0.06 if hz > 100_000 else 0.12)
    ticks = sig.change_ticks() if i % 2 else range(sig.samples)
    head = ("sample", "Sample", "index", "n", "Sample number", "no")[i % 6]
    rows = [[str(t), *map(str, r)] for t, r in zip(ticks, sig.levels(ticks), strict=True)]
    return paper(
        sig, text(rows, [head, *sig.wires], before=[said]), f"{head!r}, {said!r}", rate=True
    )


@shape(9)
def a_maximum_rate_beside(rng: random.Random, i: int) -> Paper:
    before, hz = (
        (["Maximum sample rate: 24 MHz", "Sample rate: 100 kHz"], 100_000),
        (["Sample rate: 100 kHz", "Max sample rate: 24 MHz"], 100_000),
        (["Sample rate: 1,000,000 Hz (max 24,000,000 Hz)"], 1_000_000),
        (["Max. rate: 24,000,000 S/s", "Sample rate: 100,000 S/s"], 100_000),
        (["Sample rate (max): 24 MHz", "Sample rate (set): 100 kHz"], 100_000),
        (["Device: up to 24 MHz", "Sample rate: 100 kHz"], 100_000),
        (["Sample rate: 100 kHz of 24 MHz possible"], 100_000),
        (["Sample rate limit: 24 MHz", "Sample rate: 1 000 000 Hz"], 1_000_000),
        (["# max sample rate = 8 MHz", "# sample rate = 100 kHz"], 100_000),
    )[i]
    sig = draw(rng, hz, 0.06 if hz > 100_000 else 0.12)
    ticks = sig.change_ticks() if i % 2 else range(sig.samples)
    if i in (5, 6):
        rows = [list(map(str, r)) for r in sig.levels(range(sig.samples))]
        top = list(sig.wires)
    else:
        rows = [[str(t), *map(str, r)] for t, r in zip(ticks, sig.levels(ticks), strict=True)]
        top = ["sample", *sig.wires]
    return paper(sig, text(rows, top, before=before), f"{before}", rate=True)


@shape(6)
def rate_but_no_time(rng: random.Random, i: int) -> Paper:
    said, hz = RATES[(0, 1, 3, 7, 6, 8)[i]]
    sig = draw(rng, hz, 0.05)
    rows = [list(map(str, r)) for r in sig.levels(range(sig.samples))]
    return paper(
        sig, text(rows, list(sig.wires), before=[said]), f"only levels, {said!r}", rate=True
    )


@shape(8)
def no_rate_stated(rng: random.Random, i: int) -> Paper:
    sig = draw(rng)
    said = (
        [],
        [],
        [],
        [],
        ["Sample rate: 100"],
        ["Rate: 24"],
        ["Max sample rate: 24 MHz"],
        ["Thistle"],
    )[i]
    rows = [list(map(str, r)) for r in sig.levels(range(sig.samples))]
    if i in (1, 3, 5, 6):
        rows = [[str(k), *r] for k, r in enumerate(rows)]
    top = None if i in (2, 3) else [*(["sample"] if i in (1, 5, 6) else []), *sig.wires]
    return paper(
        sig,
        text(rows, top, before=said),
        f"no rate; {said}",
        rate=True,
        reading="option",
        by_place=top is None,
        deciding="no unit is stated",
    )


@shape(5)
def rate_contradicted(rng: random.Random, i: int) -> Paper:
    """The stated rate makes every pulse ten times too long or short: it must be said or refused."""
    sig = draw(rng)
    said, factor = (
        ("10 kHz", 10),
        ("1 MHz", 0.1),
        ("10,000 Hz", 10),
        ("2.4 MHz", 1 / 24),
        ("4 kHz", 25),
    )[i]
    ticks = sig.change_ticks() if i % 2 else range(sig.samples)
    rows = [[str(t), *map(str, r)] for t, r in zip(ticks, sig.levels(ticks), strict=True)]
    truth = {
        n: (f, tuple(round(e * factor) for e in edges)) for n, (f, edges) in sig.edges_ps().items()
    }
    body = text(rows, ["sample", *sig.wires], before=[f"Sample rate: {said}"])
    return paper(
        sig,
        body,
        f"pulses contradict {said}",
        reading="either",
        truth=truth,
        tolerance_ps=500,
        must_say="servo|pulse|contradict|too (long|short)",
    )


@shape(5)
def rate_against_steps(rng: random.Random, i: int) -> Paper:
    """Steps of the time column and the stated rate disagree; the pulses side with the time."""
    sig = draw(rng)
    said = ("1 MHz", "10 kHz", "1,000,000 Hz", "Sampling interval: 1 us", "24 MHz")[i]
    head, time = (("time_us", us), ("time_s", s6))[i % 2]
    rows = rows_of(sig, time, sampled=True)
    line = said if ":" in said else f"Sample rate: {said}"
    return paper(
        sig,
        text(rows, [head, *sig.wires], before=[line]),
        f"10 us steps, {line!r}",
        reading="either",
        must_say="rate|interval.*(stated|contradict|differ)|contradict",
    )


@shape(6)
def pulses_tell_the_unit(rng: random.Random, i: int) -> Paper:
    sig = draw(rng, kinds="busy", seconds=0.3)
    unit, dec = (("us", None), ("ms", 2), ("ns", None), ("s", 5), ("ms", 3), ("us", 1))[i]
    rows = rows_of(sig, lambda t: number(t, unit, dec), sampled=i % 2 == 0)
    head = ("time", "Time", "t", "timestamp", "time", "t")[i]
    return paper(sig, text(rows, [head, *sig.wires]), f"no unit, truly {unit}", unit=unit)


@shape(8)
def unit_unknowable(rng: random.Random, i: int) -> Paper:
    """No unit, and no pulse that tells it: two units give other numbers."""
    sig = draw(rng, 10_000, 6.0, kinds="slow")
    unit, dec = (
        ("us", None),
        ("ms", 1),
        ("ms", None),
        ("us", 1),
        ("ms", 3),
        ("s", 4),
        ("ns", None),
        ("ms", 2),
    )[i]
    if i == 2:
        unit, sig = "ms", draw(rng, 1000, 60.0, kinds="slow")
    ticks = range(0, sig.samples) if i % 4 == 0 else sig.change_ticks()
    rows = rows_of(sig, lambda t: number(t, unit, dec), ticks=ticks)
    return paper(
        sig,
        text(rows, ["time", *sig.wires]),
        f"no unit, truly {unit}, levels of 30-60 ms or so",
        unit=unit,
        reading="ambiguous",
    )


@shape(9)
def few_digits(rng: random.Random, i: int) -> Paper:
    """Times printed coarser than the samples: right within a digit, and it must be said."""
    sig = draw(rng, kinds="busy", seconds=0.3)
    unit, dec, head = (
        ("s", 4, "time_s"),
        ("ms", 1, "time_ms"),
        ("s", 4, "Time (s)"),
        ("ms", 1, "Time [ms]"),
        ("s", 4, "t_s"),
        ("s", 0, "time_s"),
        ("ms", 0, "time_ms"),
        ("s", 0, "time_s"),
        ("s", 3, "time_s"),
    )[i]
    if i in (5, 7):  # six significant digits, as a short printing form gives them
        start = rng.randrange(10, 90) * PS["s"]
        rows = rows_of(sig, lambda t: f"{(start + t) / 1e12:.6g}", sampled=i == 7)
        unit_ps = 10**8
    else:
        rows = rows_of(sig, lambda t: number(t, unit, dec), sampled=i % 2 == 0)
        unit_ps = PS[unit] // 10**dec
    return paper(
        sig,
        text(rows, [head, *sig.wires]),
        f"{head}, steps of {unit_ps // 10**6} us",
        unit=unit,
        tolerance_ps=unit_ps + 1,
        reading="either" if unit_ps >= 10**9 else "unaided",
        must_say="digit|printed|coarse|round|decimal|row number",
        coarse_ps=unit_ps,
    )


@shape(9)
def negative_start(rng: random.Random, i: int) -> Paper:
    sig = draw(rng)
    minus = ("-", "−", "−", "–", "-", "−", "-", "−", "-")[i]
    head, unit, dec = (
        ("time_us", "us", None),
        ("time_us", "us", None),
        ("time_s", "s", 6),
        ("time_ms", "ms", 2),
        ("time_s", "s", 6),
        ("Time (s)", "s", 5),
        ("t_ns", "ns", None),
        ("Zeit (ms)", "ms", 2),
        ("time_s", "s", 6),
    )[i]
    start = -rng.randrange(10, 90) * PS["ms"]
    point = "," if i == 7 else "."
    rows = rows_of(
        sig, lambda t: number(start + t, unit, dec, minus=minus, point=point), sampled=i % 2 == 0
    )
    if i == 8:
        rows = [[("" if r[0].startswith("-") else "+") + r[0], *r[1:]] for r in rows]
    return paper(
        sig, text(rows, [head, *sig.wires], delim=";" if i == 7 else ","), f"from {rows[0][0]}"
    )


@shape(7)
def cells_with_units(rng: random.Random, i: int) -> Paper:
    sig = draw(rng)
    unit, dec, gap = (
        ("us", None, " "),
        ("ms", 2, " "),
        ("us", None, ""),
        ("s", 6, " "),
        ("µs", None, " "),
        ("mixed", 2, " "),
        ("ns", None, " "),
    )[i]

    def time(t: int) -> str:
        if unit == "mixed":  # a unit that suits the size, cell by cell
            own = "us" if t < PS["ms"] else "ms"
            return f"{number(t, own, None)} {own}"
        return number(t, unit.replace("µ", "u"), dec) + gap + unit

    rows = rows_of(sig, time, sampled=i % 2 == 0)
    return paper(sig, text(rows, [("time", "Time", "t")[i % 3], *sig.wires]), f"{rows[1][0]!r}")


@shape(8)
def thousands_in_times(rng: random.Random, i: int) -> Paper:
    sig = draw(rng, seconds=1.3 if i % 2 else 0.12)
    sep = (",", " ", "'", ".", ",", "\u202f", "_", "\u00a0")[i]
    rows = rows_of(sig, lambda t: number(t, "us", thousands=sep), sampled=i % 2 == 0)
    delim = ";" if i in (1, 3, 5) else ","
    return paper(
        sig,
        text(rows, ["time_us", *sig.wires], delim=delim, quote=i == 4),
        f"{rows[-1][0]!r}",
        deciding="thousand|decimal",
    )


@shape(5)
def thousands_or_decimals(rng: random.Random, i: int) -> Paper:
    """One comma, three digits after it in each row, no pulse that tells: thousands or decimals."""
    head, unit = (
        ("time_us", "us"),
        ("time_ms", "ms"),
        ("t (us)", "us"),
        ("Time [ms]", "ms"),
        ("us", "us"),
    )[i]
    sig = (
        draw(rng, 1000, 800.0, kinds="slow")
        if unit == "ms"
        else draw(rng, 100_000, 0.8, kinds="slow")
    )
    rows = rows_of(sig, lambda t: number(1000 * PS[unit] + t, unit, thousands=","))
    assert all(r[0].count(",") == 1 for r in rows)
    return paper(
        sig,
        text(rows, [head, *sig.wires], delim=";"),
        f"{rows[0][0]} to {rows[-1][0]}",
        reading="ambiguous",
    )


@shape(6)
def exponents(rng: random.Random, i: int) -> Paper:
    sig = draw(rng)
    form = ("{:.5E}", "{:.6e}", "{:.5E}", "{:+.6E}", "{:.8e}", "{:.5E}")[i]

    def time(t: int) -> str:
        shown = form.format(t / 1e12)
        return shown.replace("E", "D") if i == 5 else shown.replace(".", ",") if i == 2 else shown

    rows = rows_of(sig, time, sampled=i % 2 == 0)
    body = text(rows, ["time_s", *sig.wires], delim=";" if i == 2 else ",")
    return paper(sig, body, f"{rows[1][0]!r}", tolerance_ps=10**6 if "5" in form else 10**5)


@shape(6)
def time_not_in_english(rng: random.Random, i: int) -> Paper:
    sig = draw(rng)
    head, unit, dec = (
        ("Zeit (ms)", "ms", 2),
        ("Temps (s)", "s", 6),
        ("Tiempo [us]", "us", None),
        ("時間 (s)", "s", 6),
        ("Czas [ms]", "ms", 3),
        ("Tid (us)", "us", None),
    )[i]
    rows = rows_of(sig, lambda t: number(t, unit, dec), sampled=i % 2 == 0)
    return paper(sig, text(rows, [head, *sig.wires]), head, unit=unit, column=head)


@shape(6)
def two_time_columns(rng: random.Random, i: int) -> Paper:
    sig = draw(rng)
    rows = rows_of(sig, us, sampled=i % 2 == 0)
    ticks = range(sig.samples) if i % 2 == 0 else sig.change_ticks()
    if i < 2:
        rows = [[str(t), *r] for t, r in zip(ticks, rows, strict=True)]
        top = ["sample", "time_us", *sig.wires]
    elif i < 4:
        rows = [[number(t * sig.step_ps, "s", 6), *r] for t, r in zip(ticks, rows, strict=True)]
        top = ["time_s", "time_us", *sig.wires]
    else:
        stamps = [clock(t * sig.step_ps, DAY, 6) for t in ticks]
        rows = [[f"{w:%Y-%m-%d %H:%M:%S}.{d}", *r] for (w, d), r in zip(stamps, rows, strict=True)]
        top = ["timestamp", "elapsed_us", *sig.wires]
    return paper(
        sig, text(rows, top), f"{top[:2]}", hints={"time_column": top[1], "lines": tuple(sig.wires)}
    )


@shape(5)
def time_columns_that_disagree(rng: random.Random, i: int) -> Paper:
    """Two columns claim to be the time, and give other numbers."""
    sig = draw(rng)
    ticks = sig.change_ticks()
    factor = (2, 10, 1000, 3, 0.1)[i]
    rows = [
        [str(round(t * sig.step_ps * factor) // 10**6), *r]
        for t, r in zip(ticks, rows_of(sig, us), strict=True)
    ]
    top = [
        ("time_us", "t_us"),
        ("time_us", "timestamp_us"),
        ("Time (us)", "time_us"),
        ("t [us]", "time [us]"),
        ("time us", "time_us"),
    ][i]
    return paper(
        sig,
        text(rows, [*top, *sig.wires]),
        f"{top}, the first {factor} times the second",
        reading="ambiguous",
        hints={"time_column": top[1], "lines": tuple(sig.wires)},
    )


@shape(5)
def time_since_last_row(rng: random.Random, i: int) -> Paper:
    sig = draw(rng)
    ticks = sig.change_ticks()
    unit, dec = (("us", None), ("ms", 2), ("s", 5), ("us", None), ("ns", None))[i]
    head = (
        f"delta_{unit}",
        f"dt ({unit})",
        f"since last ({unit})",
        f"delta time [{unit}]",
        f"diff_{unit}",
    )[i]
    rows = [
        [number((t - b) * sig.step_ps, unit, dec), *r[1:]]
        for t, b, r in zip(ticks, [0, *ticks], rows_of(sig, us), strict=False)
    ]
    return paper(sig, text(rows, [head, *sig.wires]), head, reading="either")


@shape(5)
def newest_first(rng: random.Random, i: int) -> Paper:
    sig = draw(rng)
    head, time = (("time_us", us), ("time_s", s6))[i % 2]
    rows = rows_of(sig, time, sampled=i > 2)
    return paper(
        sig,
        text(rows[::-1], [head, *sig.wires]),
        "rows from the last to the first",
        reading="either",
    )
