"""The shape of an analysis as JSON."""

from __future__ import annotations

from typing import Annotated, Literal

from annotated_types import Len, MinLen
from typing_extensions import TypedDict

from pwmscope.model.verdict import Verdict
from pwmscope.report.json_types import (
    FailsafeDocument,
    Finding,
    FindingsDocument,
    Sentence,
    Setting,
    SheetName,
)


class HazardSeen(TypedDict):
    """What was seen that can hurt although no limit is held against it."""

    lines: Annotated[list[str], MinLen(1)]
    sentence: Sentence


class DeviceCard(TypedDict):
    """One device, or one line where no bench sheet names the devices."""

    line: str
    role: str
    device: str
    verdict: Verdict
    figure: Sentence
    """What decides."""
    action: str
    """What to do; empty where there is nothing."""


class ToDo(TypedDict):
    """One thing to do next."""

    doing: Literal["set", "do", "record"]
    lines: list[str]
    """The lines it is about; empty where it is about the bench."""
    sentence: Sentence
    value: float | None
    """What to set it to; null where there is nothing to set."""
    unit: str


class MixingAnswer(TypedDict):
    """What two drive outputs do with the sticks."""

    verdict: Verdict
    arrangement: str | None
    findings: list[Finding]
    changes: list[Annotated[list[Sentence], MinLen(1)]]
    """Ways to mend it, each the changes to make together."""


class LineSetting(Setting):
    """One setting of one line."""

    line: str


class AnalysisDocument(TypedDict):
    """What `Analysis.to_json` writes: the answer, then the details it is made of."""

    schema: Literal[1]
    headline: Sentence
    """The answer in one line."""
    verdict: Verdict
    """The worst over everything that was held against a limit."""
    sheet: SheetName | None
    """The bench sheet; null without one."""
    hazards: list[HazardSeen]
    """They change neither headline nor verdict."""
    cards: list[DeviceCard]
    actions: Annotated[list[ToDo], Len(0, 5)]
    """The most dangerous first."""
    left_out: list[Sentence]
    """What was not judged."""
    cautions: Annotated[list[Sentence], MinLen(1)]
    """What to do before anything is powered."""
    recordings: Annotated[list[FindingsDocument], MinLen(1)]
    failsafe: FailsafeDocument
    mixing: MixingAnswer | None
    """Null where the sheet names no two drive outputs."""
    settings: list[LineSetting]
