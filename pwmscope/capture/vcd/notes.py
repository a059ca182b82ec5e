"""What is said about a value change dump once it is read."""

from __future__ import annotations

from pwmscope.capture.units import say_interval
from pwmscope.capture.vcd.clock import Clock
from pwmscope.capture.vcd.header import Header
from pwmscope.capture.vcd.trace import Trace


def say_time(header: Header, clock: Clock, start_ps: int, *, ends_with_edge: bool) -> list[str]:
    """Say the unit of time, where time 0 lies and where the recording ends."""
    unit = say_interval(header.unit_fs / 1000) if header.unit_fs >= 1000 else f"{header.unit_fs} fs"
    stated = "as the file states" if header.timescale is not None else "as you said"
    said = [f"The file is a value change dump (IEEE Std 1364) in units of {unit}, {stated}."]
    if header.unit_fs < 1000:
        said.append("Times in femtoseconds were rounded to whole picoseconds.")
    if start_ps:
        said.append(
            f"Time 0 is the first time stamp, which the file calls {start_ps / 1e12:.9g} s."
        )
    if ends_with_edge:
        said.append(
            "The last time stamp is itself a change, so the recording is taken to end there; "
            "lines that went quiet together after it could not be seen."
        )
    offs_ps = list(clock.offs_ps)
    if clock.off_since_ps is not None:
        offs_ps.append((clock.off_since_ps, clock.now_ps))
    if offs_ps:
        spans = ", ".join(
            f"{(a - start_ps) / 1e12:.9g} s to {(b - start_ps) / 1e12:.9g} s"
            for a, b in offs_ps[:4]
        )
        more = f", and {len(offs_ps) - 4} more spans" if len(offs_ps) > 4 else ""
        said.append(
            f"Recording was switched off ($dumpoff) from {spans}{more}; levels are unknown there "
            "and were read as those before, and what had changed is timed at the span's end."
        )
    return said


def say_line(name: str, trace: Trace, start_ps: int) -> list[str]:
    """Say what of a line was unknown or had no length."""
    said = []
    if trace.first_level is None:
        return [f"Line {name} has no known level anywhere and was left out."]
    if trace.unknown_count:
        stretches = "1 stretch" if trace.unknown_count == 1 else f"{trace.unknown_count} stretches"
        said.append(
            f"Line {name} is unknown (x or z) for {stretches}, "
            f"{say_interval(trace.unknown_ps)} in all, the first at "
            f"{(trace.unknown_from_ps - start_ps) / 1e12:.9g} s; it was read as the level before, "
            "or after where there is none before."
        )
    if trace.superseded:
        said.append(
            f"Line {name} has {trace.superseded} levels that another level replaces at the same "
            "time; pulses of no length were left out."
        )
    return said
