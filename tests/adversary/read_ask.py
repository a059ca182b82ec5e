"""The only place that calls pwmscope: load a file, follow the arguments that a refusal names."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

import pwmscope

ROUNDS = 4


@dataclass
class Told:
    """What came of one file: lines, refusal or fault, and what was given on the way."""

    lines: dict[str, tuple[int, tuple[int, ...]]] | None = None
    sentences: tuple[str, ...] = ()
    interval_ps: float | None = None
    refusals: list[str] = field(default_factory=list)
    given: dict[str, object] = field(default_factory=dict)
    fault: str = ""
    stderr: str = ""
    seconds: float = 0.0


def ask(path: Path, hints: dict[str, object]) -> Told:
    """Load; while it is refused with an argument whose value is known, give that one too."""
    told = Told()
    for _ in range(ROUNDS):
        try:
            capture = pwmscope.load(path, **told.given)  # type: ignore[arg-type]
        except pwmscope.PwmscopeError as error:
            told.refusals.append(str(error))
            named = [a for a in getattr(error, "arguments", ()) if a in hints]
            fresh = [a for a in named if a not in told.given]
            if not fresh:
                return told
            told.given[fresh[0]] = hints[fresh[0]]
            continue
        except Exception as error:
            told.fault = f"{type(error).__name__}: {error}"
            return told
        told.lines = {
            n: (int(w.initial_level), tuple(w.edges_ps.tolist())) for n, w in capture.lines.items()
        }
        told.sentences = tuple(map(str, capture.assumptions))
        told.interval_ps = capture.sample_interval_ps
        return told
    return told
