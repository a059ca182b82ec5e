"""Measured answers from a logic-analyser recording of a radio receiver's output pins.

One call does the whole job::

    import pwmscope

    analysis = pwmscope.analyse("captures/drill.csv.gz", sheet="captures/bench.toml")
    analysis.headline      # the answer in one line
    analysis.hazards       # what was seen that can hurt
    analysis.cards         # one card per device: verdict, number, what to do
    analysis.actions       # what to do next, the most dangerous first
    analysis["RX1"]        # one line: its findings, losses, failsafe check
    analysis["RX1"]["neutral"].value
    analysis.to_pandas()   # one row per channel and finding; to_polars() as well
    analysis.report("my-report")

Recordings are files (text tables, value change dumps, Parquet, Arrow), open binary files,
pandas and polars frames, or captures. Several are judged as one test:
``analyse("sweep.csv", "losses.csv", sheet="bench.toml")``.

Many recordings, each by itself, on own processes or any executor of concurrent.futures::

    for outcome in pwmscope.analyse_many(files, sheet="captures/bench.toml"):
        print(outcome.source, outcome.error or outcome.result.headline)

The steps one by one::

    capture = pwmscope.load("captures/clean-sweep.csv")   # a file -> Capture: lines of edges
    tables = pwmscope.decode(capture)                     # edges -> PulseTable of each line
    findings = pwmscope.examine(capture)                  # pulses -> Findings
    findings["RX2"]["neutral"]                            # a Finding: value, interval, verdict

Pictures, each on Axes of your own or new ones::

    pwmscope.plot.width_over_time(analysis["RX1"])
    pwmscope.plot.losses(analysis, "RX1")

A verdict is `Verdict.MEETS`, `Verdict.DOES_NOT_MEET` or `Verdict.NOT_SHOWN`; what a recording
cannot show is never called met. Every error made for people is a `PwmscopeError`; its text is a
sentence that names the argument or the file, and what to do.

Before anything is powered: weapon removed or locked, wheels off the ground, robot restrained, eye
protection on, battery looked after, 5 V servo pins only. The event's rulebook and its safety
officer decide.
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING

from pwmscope.faces import at_first_use

if TYPE_CHECKING:
    from pwmscope import plot
    from pwmscope.analysis import Action, Analysis, Card, Hazard, analyse, analyse_many
    from pwmscope.bench import COMMON_PRACTICE, BenchSheet, Limits, Marker, load_plan, load_sheet
    from pwmscope.capture import Capture, Line, load
    from pwmscope.errors import PwmscopeError
    from pwmscope.findings import ChannelFindings, Finding, Findings, Verdict, examine
    from pwmscope.pulses import CONVENTIONS, STANDARD_SERVO, Convention, Flag, PulseTable, decode

__version__ = "0.1.0"

__all__ = [
    "COMMON_PRACTICE", "CONVENTIONS", "STANDARD_SERVO", "Action", "Analysis", "BenchSheet",
    "Capture", "Card", "ChannelFindings", "Convention", "Finding", "Findings", "Flag", "Hazard",
    "Limits", "Line", "Marker", "PulseTable", "PwmscopeError", "Verdict", "analyse", "analyse_many",
    "decode", "examine", "load", "load_plan", "load_sheet", "plot",
]  # fmt: skip


_at_first_use = at_first_use(__name__, {
    "analysis": "Action Analysis Card Hazard analyse analyse_many",
    "bench": "BenchSheet COMMON_PRACTICE Limits Marker load_sheet load_plan",
    "capture": "Capture Line load",
    "errors": "PwmscopeError",
    "findings": "ChannelFindings Finding Findings Verdict examine",
    "pulses": "CONVENTIONS Convention Flag PulseTable STANDARD_SERVO decode",
})  # fmt: skip


def __getattr__(name: str) -> object:
    """Import a public name when it is first used, so that start-up stays quick."""
    return importlib.import_module("pwmscope.plot") if name == "plot" else _at_first_use(name)


def __dir__() -> list[str]:
    """List the public names."""
    return [*__all__, "__version__"]
