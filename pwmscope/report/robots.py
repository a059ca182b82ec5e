"""One robot over several answers: the same verdicts, hazards, stops and trials as each shows."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import PurePath
from typing import Any, Final

from pwmscope.findings import Verdict
from pwmscope.findings.failsafe import NAME as SIGNAL_LOSS
from pwmscope.findings.failsafe import Failsafe, LeftOutKind
from pwmscope.model import badness, format_line, governing
from pwmscope.report.answer import Answer, format_checks
from pwmscope.report.document import shown
from pwmscope.report.evidence import Judged, danger_of, format_left_out
from pwmscope.report.sentences import short_names

_LETTERS: Final = 80
_OF_RECORDINGS: Final = (
    LeftOutKind.PART,
    LeftOutKind.TWICE,
    LeftOutKind.NO_LOSS,
    LeftOutKind.NO_LINE,
    LeftOutKind.NOT_READ,
)
_MAX_OPEN: Final = 6
"""So many open checks of a robot are named; the rest is counted."""


@dataclass(frozen=True, slots=True)
class DeviceVerdict:
    """One device on the lists."""

    line: str
    device: str  # Its name up to its first comma, or its role
    verdict: Verdict
    danger: int = 0  # By its role; the lowest can hurt most


@dataclass(frozen=True, slots=True)
class Trial:
    """One loss of one recording, over all lines."""

    recording: str  # By which it counts once, such as its hash
    lost_s: float
    meets: bool  # On every line that has a verdict


@dataclass(frozen=True, slots=True)
class RobotAnswer:
    """An answer as lists show it, with what several need to be put together."""

    headline: str
    judged: tuple[Judged, ...]  # Everything that was held against a limit
    devices: tuple[DeviceVerdict, ...]
    hazards: tuple[tuple[str, tuple[str, ...]], ...]  # Each kind with its lines
    slowest_s: float | None
    trials: tuple[Trial, ...]
    files: tuple[str, ...]  # The recordings'
    left_out: tuple[str, ...] = ()  # What was not judged, each a sentence
    pulses_only: bool = False  # It was stated that no signal was lost

    @property
    def verdict(self) -> Verdict:
        """The worst of all that was judged."""
        return governing(judged.verdict for judged in self.judged)


@dataclass(frozen=True, slots=True)
class Together:
    """One robot over several answers; all texts are fit to be shown."""

    verdict: Verdict
    headline: str  # That of the answer that decides
    devices: tuple[DeviceVerdict, ...]
    hazards: tuple[str, ...]
    slowest_s: float | None
    losses: int
    met: int  # Losses that met the limit on every line
    open: str  # What else is not shown
    left_out: str  # What was not judged


def robot_answer(
    answer: Answer, failsafe: Failsafe, hashes: Mapping[str, str] | None = None
) -> RobotAnswer:
    """Take from an answer what lists show; recordings count once by their hashes."""
    by = hashes or {}
    moments: dict[tuple[str, float], bool] = {}
    for line in failsafe.lines:
        for recording, event in line.all_losses:
            if not event.is_restart:
                key = (by.get(recording.source, recording.source), event.lost_s)
                moments.setdefault(key, True)
                cut = line.is_guarded and line.verdict is Verdict.MEETS
                moments[key] &= cut or event.verdict in (None, Verdict.MEETS)
    if any(line.verdict is Verdict.NOT_SHOWN and not line.all_losses for line in failsafe.lines):
        moments = dict.fromkeys(moments, False)  # What a device did in them is not recorded
    return RobotAnswer(
        answer.headline,
        answer.judged,
        tuple(
            DeviceVerdict(card.line, card.device or card.role, card.verdict, danger_of(card.role))
            for card in answer.cards
        ),
        tuple((hazard.kind.value, hazard.lines) for hazard in answer.hazards),
        failsafe.slowest_s,
        tuple(Trial(name, lost_s, meets) for (name, lost_s), meets in moments.items()),
        tuple(dict.fromkeys(recording.source for recording in failsafe.recordings)),
        tuple(_named_alone(answer, failsafe)),
    )


def _named_alone(answer: Answer, failsafe: Failsafe) -> Iterator[str]:
    """Say what was not judged; a list leaves out in which folder a recording was."""
    alone = {
        format_left_out(left): format_left_out(replace(left, what=PurePath(left.what).name))
        for left in failsafe.left_out
        if left.kind in _OF_RECORDINGS
    }
    yield from (alone.get(said, said) for said in answer.left_out)


def unusable(name: str, why: str = "could not be used") -> RobotAnswer:
    """Stand for what a recording would say that cannot be used: nothing is shown by it."""
    missing = Judged("failsafe", why, name, Verdict.NOT_SHOWN)
    headline = f"FAILSAFE not shown: {shown(format_line(name), _LETTERS)} {why}"
    return RobotAnswer(headline, (missing,), (), (), None, (), (name,))


def together(answers: Sequence[RobotAnswer]) -> Together:
    """Put the answers about one robot together, as if all were one test.

    A proven failure governs, whatever else was recorded. A recording without a loss leaves the
    failsafe not shown: it may hold one that was not seen. What one answer does not show of the
    pulses, another may.
    """
    parts: dict[str, list[Judged]] = {"failsafe": []}
    for judged in (judged for answer in answers for judged in answer.judged):
        parts.setdefault(judged.part, []).append(judged)
    joined = [each for part, own in parts.items() for each in _joined(own, part)]
    if not parts["failsafe"]:
        joined.append(Judged("failsafe", "no loss was recorded", "", Verdict.NOT_SHOWN))
    verdict = governing(each.verdict for each in joined)
    trials: dict[tuple[str, float], bool] = {}
    for trial in (trial for answer in answers for trial in answer.trials):
        key = (trial.recording, trial.lost_s)
        trials[key] = trials.get(key, True) and trial.meets
    stops_s = [answer.slowest_s for answer in answers if answer.slowest_s is not None]
    slowest_s, met = max(stops_s, default=None), sum(trials.values())
    headline = _headline(answers, verdict)
    if not headline:
        took = "" if slowest_s is None else f", slowest {slowest_s:.2f} s"
        headline = f"FAILSAFE meets, {met} of {len(trials)}{took}"
    return Together(
        verdict, headline, tuple(_devices(answers, verdict)), _hazards(answers), slowest_s,
        len(trials), met, _format_open(joined), _format_left_out(answers),
    )  # fmt: skip


def _joined(own: Iterable[Judged], part: str) -> Iterator[Judged]:
    """Give each check once: the worst; of pulses one that meets goes before one not shown."""
    order = (Verdict.DOES_NOT_MEET, Verdict.NOT_SHOWN, Verdict.MEETS)
    if part == "pulses":
        order = (Verdict.DOES_NOT_MEET, Verdict.MEETS, Verdict.NOT_SHOWN)
    best: dict[tuple[str, str], Judged] = {}
    for judged in own:
        key = (judged.name, judged.line)
        if key not in best or order.index(judged.verdict) < order.index(best[key].verdict):
            best[key] = judged
    return iter(best.values())


def _headline(answers: Sequence[RobotAnswer], verdict: Verdict) -> str:
    """Choose the headline of the answer that decides; empty where all of several meet."""
    if len(answers) == 1:
        return answers[0].headline
    if verdict is Verdict.MEETS:
        return ""
    own = [answer for answer in answers if answer.verdict is verdict]

    def urgency(answer: RobotAnswer) -> tuple[int, int, bool]:
        failsafe = [judged.verdict for judged in answer.judged if judged.part == "failsafe"]
        dangers = [each.danger for each in answer.devices if each.verdict is verdict]
        return badness(governing(failsafe)), min(dangers, default=9), not answer.trials

    chosen, others = min(own, key=urgency), len(own) - 1
    files = ", ".join(shown(PurePath(file).name, _LETTERS) for file in chosen.files)
    more = f"; {others} more answer{'s' if others > 1 else ''}: {verdict}" if others else ""
    return f"{files}: {chosen.headline}{more}" if files else f"{chosen.headline}{more}"


def _devices(answers: Sequence[RobotAnswer], verdict: Verdict) -> Iterator[DeviceVerdict]:
    """Give each device once, with its worst verdict; where nothing is open, none is left open."""
    shown_to_meet = {
        device.line
        for answer in answers
        for device in answer.devices
        if device.verdict is Verdict.MEETS is verdict
    }
    worst: dict[str, DeviceVerdict] = {}
    for device in (device for answer in answers for device in answer.devices):
        before = worst.get(device.line)
        if before is None or badness(device.verdict) < badness(before.verdict):
            worst[device.line] = device
    for line in shown_to_meet:
        worst[line] = replace(worst[line], verdict=Verdict.MEETS)
    names = short_names([device.device for device in worst.values()])
    named = [
        replace(device, device=shown(name, _LETTERS) or format_line(device.line))
        for device, name in zip(worst.values(), names, strict=True)
    ]
    return iter(sorted(named, key=lambda each: (badness(each.verdict), each.danger)))


def _hazards(answers: Iterable[RobotAnswer]) -> tuple[str, ...]:
    """Say each kind of hazard once, with its lines."""
    lines: dict[str, dict[str, None]] = {}
    for kind, of in (hazard for answer in answers for hazard in answer.hazards):
        lines.setdefault(kind, {}).update(dict.fromkeys(of))
    return tuple(
        f"{', '.join(map(format_line, of))}: {shown(kind, _LETTERS)}" for kind, of in lines.items()
    )


def _format_left_out(answers: Iterable[RobotAnswer]) -> str:
    """Say what was not judged, each thing once and the first few."""
    said = [*dict.fromkeys(said for answer in answers for said in answer.left_out)]
    more = len(said) - _MAX_OPEN
    told = [shown(each, 3 * _LETTERS) for each in said[:_MAX_OPEN]]
    return " ".join([*told, f"And {more} more."] if more > 0 else told)


def _format_open(joined: Iterable[Judged]) -> str:
    """Name what is not shown, the first few."""
    lines: dict[str, list[str]] = {}
    told = []
    for judged in (judged for judged in joined if judged.verdict is Verdict.NOT_SHOWN):
        name = PurePath(judged.line).name
        if judged.part == "failsafe" and judged.name != SIGNAL_LOSS:
            told.append(f"{format_line(name)}: {judged.name}")
        else:
            check = "failsafe" if judged.part == "failsafe" else judged.name
            lines.setdefault(check, []).append(name or "the bench")
    groups = [(name, tuple(of)) for name, of in lines.items()]
    return "; ".join([*told, format_checks(groups, _MAX_OPEN)] if groups else told)


def answer_data(answer: RobotAnswer) -> dict[str, Any]:
    """Turn an answer into plain data, as the register keeps it."""
    return {"schema": 1, "verdict": answer.verdict.value, **asdict(answer)}


def read_answer(data: object) -> RobotAnswer | None:
    """Read an answer that was kept; None where it is damaged or of a newer kind."""
    if not isinstance(data, dict) or data.get("schema") != 1:
        return None
    try:
        return RobotAnswer(
            str(data["headline"]),
            tuple(Judged(j["part"], str(j["name"]), str(j["line"]), Verdict(j["verdict"]))
                  for j in data["judged"]),
            tuple(DeviceVerdict(str(d["line"]), str(d["device"]), Verdict(d["verdict"]),
                                int(d["danger"])) for d in data["devices"]),
            tuple((str(kind), tuple(map(str, lines))) for kind, lines in data["hazards"]),
            None if data["slowest_s"] is None else float(data["slowest_s"]),
            tuple(Trial(str(t["recording"]), float(t["lost_s"]), t["meets"] is True)
                  for t in data["trials"]),
            tuple(map(str, data["files"])),
            tuple(map(str, data["left_out"])),
            data["pulses_only"] is True,
        )  # fmt: skip
    except (KeyError, TypeError, ValueError):
        return None


def folded(name: str) -> str:
    """Return what names share that look the same on paper: they differ in capitals or blanks."""
    return " ".join(name.split()).casefold()
