"""The one place where the product is asked. Only this module knows its names."""

from __future__ import annotations

import tempfile
import time
import traceback
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from typing import Any

from loss_drafts import Test

import pwmscope
from pwmscope.bench import load_sheet
from pwmscope.findings.failsafe import check_failsafe, listen_to

NEW_KEYS = ("kind", "late_s", "no_pulses_after_s")


@dataclass
class Answer:
    """What the product said: a verdict per line, one for the whole, or a refusal."""

    lines: dict[str, str] = field(default_factory=dict)
    overall: str = "not shown"
    refused: str = ""
    crashed: str = ""
    cpu_s: float = 0.0


def _toml(sheet: dict[str, Any]) -> str:
    def value(v: Any) -> str:
        if isinstance(v, bool):
            return str(v).lower()
        if isinstance(v, str):
            return f'"{v}"'
        return str(list(v)) if isinstance(v, (list, tuple)) else repr(v)

    rows = [f"{k} = {value(v)}" for k, v in sheet.items() if not isinstance(v, dict)]
    for name in ("limits", "marker"):
        if name in sheet:
            rows += [f"[{name}]", *(f"{k} = {value(v)}" for k, v in sheet[name].items())]
    for name, channel in sheet["channels"].items():
        rows += [f'[channels."{name}"]', *(f"{k} = {value(v)}" for k, v in channel.items())]
    return "\n".join(rows) + "\n"


def _load(sheet: dict[str, Any]) -> Any:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "bench.toml"
        path.write_text(_toml(sheet), encoding="utf-8")
        return load_sheet(path)


@cache
def knows(key: str) -> bool:
    """Whether the product's sheet has one of the keys that are being added."""
    channel: dict[str, Any] = {"role": "drive-left", "no_pulses": "stops"}
    marker: dict[str, Any] = {"line": "tx-on", "on": "high"}
    if key == "unused":
        channel = {"role": "unused"}
    elif key == "no_pulses_after_s":
        channel[key] = 0.5
    else:
        marker |= {"kind": "button"} | ({key: 0.2} if key == "late_s" else {})
    try:
        _load({"marker": marker, "channels": {"RX1": channel}})
    except pwmscope.PwmscopeError:
        return False
    return True


def known_part(sheet: dict[str, Any]) -> dict[str, Any]:
    """The sheet without keys that this product does not know yet."""
    result = {k: v for k, v in sheet.items() if not isinstance(v, dict)}
    result["limits"] = dict(sheet.get("limits", {}))
    if "marker" in sheet:
        result["marker"] = {
            k: v for k, v in sheet["marker"].items() if k not in NEW_KEYS or knows(k)
        }
    result["channels"] = {
        name: {k: v for k, v in channel.items() if k not in NEW_KEYS or knows(k)}
        for name, channel in sheet["channels"].items()
        if channel["role"] != "unused" or knows("unused")
    }
    return result


def ask(test: Test) -> Answer:
    """Give the test's recordings and sheet to the product."""
    answer = Answer()
    start = time.process_time()
    try:
        sheet = _load(known_part(test.sheet))
        loss_analysis = []
        for number, recording in enumerate(test.recordings):
            lines = {n: pwmscope.Line(n, e, level) for n, (e, level) in recording.lines.items()}
            capture = pwmscope.Capture(
                lines, recording.duration_ps, recording.sample_ps, f"recording {number + 1}"
            )
            loss_analysis.append(
                listen_to(
                    capture,
                    off_at_s=recording.script.off_at_s,
                    sheet=sheet,
                    limits=sheet.limits,
                )
            )
        check = check_failsafe(loss_analysis, sheet, sheet.limits)
        answer.overall = check.verdict.value
        answer.lines = {line.line: line.verdict.value for line in check.lines if line.verdict}
    except pwmscope.PwmscopeError as error:
        answer.refused = f"{type(error).__name__}: {error}"
    except Exception:
        answer.crashed = traceback.format_exc(limit=-3)
    answer.cpu_s = time.process_time() - start
    return answer
