"""The whole job in one call, and everything that it found in one object."""

from __future__ import annotations

import datetime
from collections.abc import Collection, Mapping, Sequence
from contextlib import nullcontext
from dataclasses import dataclass, replace
from functools import cached_property
from html import escape
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, Literal

from pwmscope.analysis.documents import (
    FINDING_COLUMNS,
    LOSS_COLUMNS,
    analysis_data,
    as_pandas,
    as_polars,
    finding_rows,
    loss_rows,
    write_documents,
)
from pwmscope.analysis.terms import (
    LimitsLike,
    MarkerLike,
    OffAt,
    PathLike,
    PlanLike,
    Recording,
    SheetLike,
    Terms,
    check_hints,
    name_sources,
    read_source,
    read_terms,
)
from pwmscope.bench import AXES, CAUTIONS, Axis, BenchSheet, CapturePlan, Stretch
from pwmscope.capture import Capture, Hints, Observer, observed_by
from pwmscope.errors import (
    ArgumentError,
    HintError,
    Naming,
    PwmscopeError,
    format_given,
    naming_by_default,
    require_type,
)
from pwmscope.findings import (
    ChannelFindings,
    Finding,
    Findings,
    LossEvent,
    SensorFindings,
    Verdict,
    examine,
    examine_link_record,
)
from pwmscope.findings.failsafe import Failsafe, FailsafeLine, LeftOut, LeftOutKind, check_failsafe
from pwmscope.model import Hazard, badness
from pwmscope.pulses import Convention
from pwmscope.report import (
    Action,
    Answer,
    Card,
    Evidence,
    LineChecks,
    json_text,
    line_checks,
    make_answer,
)

if TYPE_CHECKING:
    import pandas as pd
    import polars as pl

    from pwmscope.advice import MixingAdvice, SettingsAdvice, Transmitter
    from pwmscope.analysis.terms import Source
    from pwmscope.bench import Wiring
    from pwmscope.findings import Alignment, FaultHunt
    from pwmscope.findings.lag import Follows, Lag, Lines
    from pwmscope.findings.link import LinkRecord
    from pwmscope.findings.mixing import Mixing
    from pwmscope.report import Written


def _marker_argument(value: str | None) -> str:
    line, _, level = (value or "").partition("=")
    return f"`marker=Marker('{line}', '{level}')`" if level else "`marker`"


ARGUMENT_OF: Final[Naming] = {"off_line": _marker_argument, "off_at_s": "`off_at`"}
"""What `analyse` calls the arguments of those whom it asks."""
_MAX_TOLD: Final = 5
"""Cards that the short form of an analysis names."""
_WIDE: Final = 100


@dataclass(frozen=True, slots=True, eq=False)
class LineAnalysis:
    """Everything about one line over all recordings."""

    # As the bench sheet has them; role and device are empty without one
    line: str
    role: str
    device: str
    channels: tuple[ChannelFindings, ...]  # What each recording that holds the line shows of it
    checks: LineChecks  # The checks of its pulses, over all recordings
    failsafe: FailsafeLine  # Its failsafe check
    sensors: tuple[SensorFindings, ...] = ()  # Of a sensor's line, what each recording shows

    def __getitem__(self, name: str) -> Finding:
        """Return a finding by its name: where several recordings have it, the one that governs."""
        for check in self.checks.checks:
            if check.finding.name == name:
                return check.finding
        told = [f for channel in self.channels for f in channel.findings]
        told += [f for sensor in self.sensors for f in sensor.findings]
        found = [f for f in told if f.name == name]
        if not found:
            names = dict.fromkeys(f.name for f in told)
            raise ArgumentError("name", format_given(name), f"one of {', '.join(names) or 'none'}")
        worst_first = sorted(found, key=lambda finding: badness(finding.verdict))
        if worst_first[0].verdict is Verdict.DOES_NOT_MEET:
            return worst_first[0]
        return next((f for f in worst_first if f.value is not None), worst_first[0])

    def __repr__(self) -> str:
        about = ", ".join(filter(None, (self.role, self.device)))
        failsafe = self.failsafe.verdict or "no verdict"
        return (
            f"<LineAnalysis {self.line}{f' ({about})' if about else ''}: failsafe {failsafe}, "
            f"pulses {self.checks.verdict}, {len(self.losses)} losses>"
        )

    @property
    def losses(self) -> tuple[LossEvent, ...]:
        """What it did at each loss, in order."""
        return tuple(event for _, event in self.failsafe.losses)


@dataclass(frozen=True, repr=False, eq=False)
class Analysis:
    """Everything that recordings of one bench show, judged as one test.

    Made by `analyse`. In a notebook its cards are shown; ``print`` gives the headline,
    the hazards and a line per device.

    Parameters
    ----------
    recordings : tuple of Recording
        What was read.
    findings : tuple of Findings
        What each recording shows, in the same order.
    failsafe : Failsafe
        The failsafe check over all of them.
    terms : Terms
        What they were held against.
    alignments : tuple of Alignment
        Where the plan's steps are in each recording; empty without a plan.
    wiring : Wiring or None, optional
        The rulings of the wiring rules, where `with_wiring` asked for them.
    read_only : tuple of str, optional
        The lines that were read, where hints left out others.
    """

    recordings: tuple[Recording, ...]
    findings: tuple[Findings, ...]
    failsafe: Failsafe
    terms: Terms
    alignments: tuple[Alignment, ...]
    wiring: Wiring | None = None
    read_only: tuple[str, ...] = ()

    @property
    def captures(self) -> tuple[Capture, ...]:
        """The recordings as they were examined."""
        return tuple(findings.capture for findings in self.findings)

    @property
    def sheet(self) -> BenchSheet | None:
        """The bench sheet."""
        return self.terms.sheet

    @property
    def plan(self) -> CapturePlan | None:
        """The plan that the hands followed."""
        return self.terms.plan

    @property
    def headline(self) -> str:
        """The answer in one line, with the number that decides."""
        return self.answer.headline

    @property
    def verdict(self) -> Verdict:
        """The worst verdict over everything that was held against a limit."""
        return self.answer.verdict

    @property
    def hazards(self) -> tuple[Hazard, ...]:
        """What was seen that can hurt although no limit is held against it."""
        return self.answer.hazards

    @property
    def cards(self) -> tuple[Card, ...]:
        """One card for each device: verdict, the number that decides, what to do."""
        return self.answer.cards

    @property
    def actions(self) -> tuple[Action, ...]:
        """What to do next: at most five things, the most dangerous first."""
        return self.answer.actions

    @property
    def cautions(self) -> tuple[str, ...]:
        """What to do before anything is powered."""
        return CAUTIONS if self.sheet is None else self.sheet.cautions

    @cached_property
    def answer(self) -> Answer:
        """Headline, verdict, hazards, cards and actions together."""
        with naming_by_default(ARGUMENT_OF):
            return make_answer(self._evidence)

    @cached_property
    def _evidence(self) -> Evidence:
        return Evidence(
            self.failsafe, self.sheet, self.checks, self.mixing, self.mixing_advice, self.settings,
            self.wiring, self.read_only,
            tuple((f.capture.source, s) for f in self.findings for s in f.sensors.values()),
        )  # fmt: skip

    @property
    def failsafe_answer(self) -> Answer:
        """The answer to the failsafe check alone, whatever the pulses show."""
        with naming_by_default(ARGUMENT_OF):
            return make_answer(Evidence(self.failsafe, self.sheet, read_only=self.read_only))

    @cached_property
    def checks(self) -> list[LineChecks]:
        """The checks of each line's pulses, over all recordings."""
        return line_checks(self.findings, self.sheet)

    @cached_property
    def mixing(self) -> Mixing | None:
        """What two drive outputs do with the sticks; None where the sheet names no two.

        A fault that one recording shows governs; otherwise the first that answers.
        """
        if self.sheet is None:
            return None
        from pwmscope.findings.mixing import find_lines  # noqa: PLC0415 - slow to import

        lines = [find_lines(findings.servo_tables, self.sheet) for findings in self.findings]
        found = [
            mixing
            for number, own in enumerate(lines)
            if (len({output.side for output in own.outputs}) == 2 or own.is_into_mixer)
            and (mixing := self.examine_drive(number)) is not None
        ]
        order = (Verdict.DOES_NOT_MEET, Verdict.MEETS, Verdict.NOT_SHOWN)
        return min(found, key=lambda mixing: order.index(mixing.verdict), default=None)

    def examine_drive(
        self,
        number: int = 0,
        *,
        sides: Mapping[Literal["left", "right"], str | None] | None = None,
        axes: Mapping[Axis, str | None] | None = None,
    ) -> Mixing | None:
        """Examine what the drive outputs of one recording do with the sticks.

        Parameters
        ----------
        number : int, optional
            Which recording, from 0.
        sides : mapping of str to str or None, optional
            A line for ``left`` and ``right``; these go before the sheet's.
        axes : mapping of str to str or None, optional
            A line for a stick axis; these go before the sheet's.

        Returns
        -------
        Mixing or None
            None where no drive output is named.

        Raises
        ------
        HintError
            If a named line is not in the recording, or one line is named twice.
        """
        from pwmscope.findings.mixing import (  # noqa: PLC0415 - slow to import
            examine_mixing,
            find_lines,
            swapped_mixing,
        )

        findings = self._recording(number)
        _check_keys("sides", sides, ("left", "right"))
        _check_keys("axes", axes, AXES)
        servo = findings.servo_tables
        lines = find_lines(servo, self.sheet, sides, axes)
        if not lines.outputs:
            return None
        swapped = self._swapped
        for output in lines.outputs:
            if output.line in swapped:
                return swapped_mixing(lines, swapped[output.line])
        return examine_mixing(
            servo,
            lines,
            spans=self.alignments[number].spans if self.alignments else (),
            planned=() if self.plan is None else self.plan.moved_alone,
            lost={name: channel.loss_spans for name, channel in findings.channels.items()},
            ties=findings.order.grouping.ties,
        )

    def examine_link(
        self, number: int = 0, *, last_failsafe: datetime.date | None = None
    ) -> LinkRecord:
        """Tell what one recording shows of the link: the plan is that of a link record.

        Parameters
        ----------
        number : int, optional
            Which recording, from 0.
        last_failsafe : date, optional
            Day of the robot's last failsafe check.

        Returns
        -------
        LinkRecord

        Raises
        ------
        HintError
            If no plan was given, or it is not one of a link record.
        """
        if self.plan is None:
            raise HintError("A link record is read by its plan. Give its file as plan.")
        return examine_link_record(
            self._recording(number), self.plan, self.sheet, last_failsafe=last_failsafe
        )

    def _recording(self, number: int) -> Findings:
        """Return the findings of a recording by its number, which an argument gave."""
        last = len(self.findings) - 1
        expected = "a recording's number, 0" if not last else f"a recording's number, 0 to {last}"
        require_type("number", number, int, expected)
        if not 0 <= number <= last:
            raise ArgumentError("number", format_given(number), expected)
        return self.findings[number]

    @property
    def _swapped(self) -> dict[str, str]:
        """What to do about each line that follows another line's stick."""
        left_out = self.failsafe.left_out
        return {left.what: left.said for left in left_out if left.kind is LeftOutKind.SWAPPED}

    @cached_property
    def mixing_advice(self) -> tuple[MixingAdvice, ...]:
        """What to change about the mixing, the least effort first."""
        if self.mixing is None:
            return ()
        from pwmscope.advice import advise_mixing  # noqa: PLC0415 - slow to import

        return advise_mixing(self.mixing)

    @cached_property
    def settings(self) -> SettingsAdvice | None:
        """Which settings of the transmitter to change; None where no sheet names a device.

        Each channel's advice is that of the recording that shows most of it.
        """
        sheet = self.sheet
        if sheet is None:
            return None
        advised = [
            self.advise_settings(number)
            for number, findings in enumerate(self.findings)
            if any(device.line in findings.channels for device in sheet.devices)
        ]
        if not advised:
            return None
        best: dict[str, Any] = {}
        for channel in (channel for advice in advised for channel in advice.channels):
            before = best.get(channel.line)
            if before is None or channel.not_shown < before.not_shown:
                best[channel.line] = channel
        ordered = tuple(best[line] for line in sheet.channels if line in best)
        missing = tuple(line for line in advised[0].missing if line not in best)
        return replace(advised[0], channels=ordered, missing=missing)

    def advise_settings(
        self, number: int = 0, transmitters: dict[str, Transmitter] | None = None
    ) -> SettingsAdvice:
        """Say which settings to change by one recording.

        Parameters
        ----------
        number : int, optional
            Which recording, from 0.
        transmitters : dict of str to Transmitter, optional
            What is known of the transmitter, by line; by default what the sheet states.

        Returns
        -------
        SettingsAdvice

        Raises
        ------
        ArgumentError
            If there is no bench sheet.
        """
        sheet = self.sheet
        if sheet is None:
            raise ArgumentError("sheet", "not given", "the bench sheet, which names the devices")
        from pwmscope.advice import Transmitter, advise_settings, stated_scale  # noqa: PLC0415 - slow to import

        findings = self._recording(number)
        expected = "a mapping of lines to Transmitter"
        if transmitters is not None:
            require_type("transmitters", transmitters, Mapping, expected)
            for known in transmitters.values():
                require_type("transmitters", known, Transmitter, expected)
        else:
            transmitters = {
                line: Transmitter(stated_scale(channel.us_per_percent, "as the sheet states"))
                for line, channel in sheet.channels.items()
                if channel.us_per_percent is not None
            }
        return advise_settings(
            findings, sheet, transmitters=transmitters,
            alignment=self.alignments[number] if self.alignments else None, swapped=self._swapped,
        )  # fmt: skip

    def fault_hunt(self, stretches: Sequence[Stretch] | None = None) -> FaultHunt:
        """Compare how often faults come in stretches of the first recording.

        Parameters
        ----------
        stretches : sequence of Stretch, optional
            Two or more, such as motors off and motors on; by default those of the bench sheet.

        Returns
        -------
        FaultHunt

        Raises
        ------
        ArgumentError
            If there are fewer than two, or they contradict each other or the recording.
        """
        if stretches is None:
            stretches = () if self.sheet is None else self.sheet.stretches
        expected = "two or more Stretch"
        require_type("stretches", stretches, Sequence, expected)
        for stretch in stretches:
            require_type("stretches", stretch, Stretch, expected)
        from pwmscope.findings import hunt_faults  # noqa: PLC0415 - slow to import

        return hunt_faults(self.findings[0], stretches)

    def lag(self, input_line: str, output_line: str, *others: str) -> Lag:
        """Measure how late one line follows another in the first recording, and how.

        Parameters
        ----------
        input_line, output_line : str
            The lines before and after the device.
        *others : str
            Further inputs that are mixed into the output.

        Returns
        -------
        Lag

        Raises
        ------
        ArgumentError
            If a line is not in the recording, or carries no servo pulses.
        """
        from pwmscope.findings.lag import examine_lag  # noqa: PLC0415 - slow to import

        self._check_pulsing("input_line", input_line)
        self._check_pulsing("output_line", output_line)
        for other in others:
            self._check_pulsing("others", other)
        records = self.lag_lines.records
        further = tuple(records[other] for other in others)
        return examine_lag(records[input_line], records[output_line], further)

    def follows(self, input_line: str | None = None, output_line: str | None = None) -> Follows:
        """Find which lines follow which in the first recording.

        Parameters
        ----------
        input_line, output_line : str, optional
            Look only for lines that follow this one, or that this one follows.

        Returns
        -------
        Follows

        Raises
        ------
        ArgumentError
            If a line is not in the recording, or carries no servo pulses.
        """
        from pwmscope.findings.lag import find_follows  # noqa: PLC0415 - slow to import

        for argument, line in (("input_line", input_line), ("output_line", output_line)):
            if line is not None:
                self._check_pulsing(argument, line)
        records = self.lag_lines.records
        return find_follows(records, source=input_line, output=output_line)

    @cached_property
    def lag_lines(self) -> Lines:
        """The first recording's lines, as a delay is measured between them."""
        from pwmscope.findings.lag import read_lines  # noqa: PLC0415 - slow to import

        return read_lines(self.captures[0], self.terms.convention)

    def _check_pulsing(self, argument: str, line: str) -> None:
        lines, source = self.lag_lines, self.captures[0].source
        if line in lines.others:
            raise ArgumentError(
                argument, f"line '{line}' of {source}, which carries no servo pulses",
                "a line with servo pulses", lines.others[line],
            )  # fmt: skip
        if line not in lines.records:
            names = ", ".join((*lines.records, *lines.others))
            raise ArgumentError(
                argument, f"line '{line}'", f"one of the lines of {source}: {names}"
            )

    def with_wiring(self) -> Analysis:
        """Judge the wiring that the sheet states as well.

        Returns
        -------
        Analysis
            The same with `wiring`; without a sheet the same.
        """
        if self.sheet is None:
            return self
        from pwmscope.bench import check_wiring  # noqa: PLC0415 - slow to import

        return replace(self, wiring=check_wiring(self.sheet))

    def __getitem__(self, line: str) -> LineAnalysis:
        """Return everything about a line: an output's, the marker's or a sensor's."""
        checks = next((found for found in self.checks if found.line == line), None)
        channels = tuple(f.channels[line] for f in self.findings if line in f.channels)
        sensors = tuple(f.sensors[line] for f in self.findings if line in f.sensors)
        known = [found.line for found in self.failsafe.lines]
        for findings in self.findings:
            known += [*findings.channels, *findings.sensors, *findings.capture.lines]
        if line not in known:
            lines = ", ".join(dict.fromkeys(known)) or "none"
            raise ArgumentError("line", format_given(line), f"one of the lines: {lines}")
        failsafe = self.failsafe.of_line(line)
        channel = None if self.sheet is None else self.sheet.channels.get(line)
        return LineAnalysis(
            line,
            "" if channel is None else channel.role,
            "" if channel is None else channel.device,
            channels,
            checks or LineChecks(line, (), failsafe.why_not, is_idle=True),
            failsafe,
            sensors,
        )

    def __repr__(self) -> str:
        sources = ", ".join(capture.source for capture in self.captures)
        lines = [f"<Analysis of {sources}>", self.headline, *map(str, self.hazards[:1])]
        if len(self.hazards) > 1:
            lines.append(f"! and {len(self.hazards) - 1} more hazards")
        lines += [f"  {card.line}: {card.verdict}. {card.figure}" for card in self.cards]
        more = len(self.cards) - _MAX_TOLD
        if more > 0:
            lines[-more:] = [f"  and {more} more"]
        return "\n".join(
            line if len(line) <= _WIDE else f"{line[: _WIDE - 3]}..." for line in lines
        )

    def _repr_html_(self) -> str:
        """Show the answer in a notebook: headline, hazards, cards, actions, cautions."""
        cells = "".join(_html_card(card) for card in self.cards)
        hazards = "".join(f"<p><strong>{escape(str(h))}</strong></p>" for h in self.hazards)
        actions = "".join(f"<li>{escape(action.sentence)}</li>" for action in self.actions)
        if self.answer.more_actions:
            actions += f"<li>and {self.answer.more_actions} more things to do</li>"
        left_out = "".join(f"<p>{escape(said)}</p>" for said in self.answer.left_out)
        cautions = escape(" ".join(self.cautions))
        return (
            f"<div><p><strong>{escape(self.headline)}</strong></p>{hazards}"
            f"<table><thead><tr><th>line</th><th>device</th><th>verdict</th><th>what decides</th>"
            f"</tr></thead><tbody>{cells}</tbody></table>"
            f"<p>What to do next</p><ol>{actions}</ol>{left_out}"
            f"<p><em>Before you power anything: {cautions}</em></p></div>"
        )

    def to_polars(self) -> pl.DataFrame:
        """Return one row per channel and finding, with the unit in a column.

        Returns
        -------
        polars.DataFrame
            Columns as in docs/api.md.
        """
        return as_polars(finding_rows(self.findings, self.sheet), FINDING_COLUMNS)

    def to_pandas(self) -> pd.DataFrame:
        """Return one row per channel and finding, with the unit in a column.

        Returns
        -------
        pandas.DataFrame
            Columns as in docs/api.md.
        """
        return as_pandas(finding_rows(self.findings, self.sheet), FINDING_COLUMNS)

    def losses_to_polars(self) -> pl.DataFrame:
        """Return one row per channel and loss.

        Returns
        -------
        polars.DataFrame
            Columns as in docs/api.md.
        """
        return as_polars(loss_rows(self.findings, self.sheet), LOSS_COLUMNS)

    def losses_to_pandas(self) -> pd.DataFrame:
        """Return one row per channel and loss.

        Returns
        -------
        pandas.DataFrame
            Columns as in docs/api.md.
        """
        return as_pandas(loss_rows(self.findings, self.sheet), LOSS_COLUMNS)

    def to_json(self) -> str:
        """Write everything as JSON text, by docs/analysis.schema.json.

        Returns
        -------
        str
            Two spaces deep, ending in a line break.
        """
        return json_text(analysis_data(self.answer, self._evidence, self.findings))

    def report(self, folder: PathLike, *, replace: bool = False) -> tuple[Written, ...]:
        """Write each recording's report: page, PDF, Markdown and JSON.

        Parameters
        ----------
        folder : str or path-like
            Where the files go; several recordings get a folder of their own in it.
        replace : bool, optional
            Whether files that are there may be replaced.

        Returns
        -------
        tuple of Written
            Where the files of each recording are.

        Raises
        ------
        OutputError
            If a file is in the way or cannot be written.
        """
        require_type("folder", folder, (str, Path), "the path of a folder")
        return write_documents(self, self.settings, Path(folder), replace=replace)


def _check_keys(argument: str, given: object, names: Collection[str]) -> None:
    """Refuse what is no mapping, or has a key that means nothing."""
    if given is None:
        return
    expected = f"a mapping with any of the keys {', '.join(names)}"
    require_type(argument, given, Mapping, expected)
    assert isinstance(given, Mapping)  # just seen
    for key in given:
        if key not in names:
            raise ArgumentError(argument, f"a mapping with the key {key!r}", expected)


def _html_card(card: Card) -> str:
    about = ", ".join(filter(None, (card.role, card.device)))
    cells = (card.line, about, card.verdict.value, card.told)
    return "<tr>" + "".join(f"<td>{escape(cell)}</td>" for cell in cells) + "</tr>"


@naming_by_default(ARGUMENT_OF)
def analyse(
    source: Source,
    *more: Source,
    sheet: SheetLike | None = None,
    plan: PlanLike | None = None,
    marker: MarkerLike | None = None,
    off_at: OffAt | None = None,
    convention: Convention | str | None = None,
    limits: LimitsLike | None = None,
    span: tuple[float | None, float | None] | None = None,
    hints: Mapping[str, Any] | None = None,
    progress: Observer | None = None,
) -> Analysis:
    """Do the whole job: read the recordings of a bench, examine them, and judge them as one test.

    Parameters
    ----------
    source, *more : str, path-like, binary file, data frame or Capture
        The recordings. A pandas or polars frame has a column per line, of truth values or
        of 0 and 1, and a column of time, such as ``time_s``; without one, name the sample
        rate in ``hints``.
    sheet : str, path-like, mapping or BenchSheet, optional
        What is on each line, and the event's limit (docs/sheet.md). Without it no device
        can be said to stop in time.
    plan : str, path-like or CapturePlan, optional
        The plan that the hands followed.
    marker : str or Marker, optional
        A line that shows whether the transmitter is on; it goes before the sheet's.
    off_at : float or sequence, optional
        Moments in seconds at which the transmitter went off, where there is no marker:
        numbers, or pairs with the half-width of their uncertainty, which is 0.5 s for a
        number alone.
    convention : Convention or str, optional
        What every line is held against; by default chosen from its pulses.
    limits : Limits or mapping, optional
        What the figures are held against; a mapping such as ``{"failsafe_s": 1.5}``
        changes single ones. By default the sheet's, or common practice's.
    span : tuple of float, optional
        The part of each recording that is examined: from and to, in seconds, each of which
        may be None.
    hints : mapping, optional
        Keywords of `load`, for every recording that is read.
    progress : callable, optional
        Called with how much is done, how much there is (None where that is not known) and
        what is counted.

    Returns
    -------
    Analysis

    Raises
    ------
    ArgumentError
        If an argument is of another type, naming it.
    PwmscopeError
        If a recording, the sheet or the plan cannot be used.

    Examples
    --------
    >>> import numpy as np
    >>> import polars as pl
    >>> time_us = np.arange(0, 2_000_000, 10)
    >>> frame = pl.DataFrame({"time_us": time_us, "RX1": time_us % 20_000 < 1_500})
    >>> analysis = analyse(frame)
    >>> analysis.headline
    'PULSES not shown, 0 of 1 meet: width jitter, low endpoint, high endpoint of RX1; \
failsafe not recorded'
    >>> analysis["RX1"]["neutral"].value
    1500.0
    """
    asked = check_hints(hints)
    sources = (source, *more)
    terms = read_terms(
        sheet=sheet, plan=plan, marker=marker, off_at=off_at, convention=convention,
        limits=limits, span=span, recordings=len(sources),
    )  # fmt: skip
    if "keep" not in asked and (named := terms.named_lines):
        asked["keep"] = named
    if progress is not None and not callable(progress):
        raise ArgumentError("progress", format_given(progress), "a function of three arguments")
    with nullcontext() if progress is None else observed_by(progress):
        names = name_sources(sources)
        read = [read_source(one, asked, name) for one, name in zip(sources, names, strict=True)]
        recordings = [replace(one, capture=terms.part_of(one.capture)) for one in read]
        findings = tuple(_examined(one.capture, terms) for one in recordings)
    alignments: tuple[Alignment, ...] = ()
    if terms.plan is not None:
        alignments = tuple(f.alignment for f in findings if f.alignment is not None)
    failsafe = check_failsafe([f.loss_analysis for f in findings], terms.sheet, terms.limits)
    only = Hints.of(lines=asked.get("lines")).lines or ()
    if only and terms.sheet is not None:
        known = {name for f in findings for name in f.capture.lines}
        hidden = _hidden(sources, asked, terms, known)
        failsafe = replace(failsafe, left_out=(*failsafe.left_out, *hidden))
    laid = [None] * len(findings) if not alignments else list(alignments)
    told = _told_of_lines(failsafe.left_out, findings, laid, terms.sheet)
    failsafe = replace(failsafe, left_out=told)
    return Analysis(tuple(recordings), findings, failsafe, terms, alignments, read_only=tuple(only))


def _told_of_lines(
    left_out: tuple[LeftOut, ...],
    findings: Sequence[Findings],
    laid: Sequence[Alignment | None],
    sheet: BenchSheet | None,
) -> tuple[LeftOut, ...]:
    """Say which plan was not used, which lines are swapped, and which names are to be corrected."""
    unused = [
        LeftOut(LeftOutKind.PLAN, own.capture.source)
        for own, plan in zip(findings, laid, strict=True)
        if plan is not None and not plan.fits
    ]
    is_unlisted = any(left.kind is LeftOutKind.UNLISTED for left in left_out)
    if sheet is None or not (is_unlisted or any(plan is not None and plan.fits for plan in laid)):
        return (*left_out, *unused)
    from pwmscope.advice import find_swapped, with_names  # noqa: PLC0415 - slow to import

    swapped = {
        left.what: left
        for own, plan in zip(findings, laid, strict=True)
        for left in find_swapped(own, sheet, plan)
    }
    is_held = any(line in own.capture.lines for own in findings[1:] for line in sheet.channels)
    if is_unlisted and not is_held:
        left_out = with_names(left_out, findings[0], sheet, laid[0])
    return (*left_out, *unused, *swapped.values())


def _hidden(
    sources: Sequence[Source], asked: Mapping[str, Any], terms: Terms, known: Collection[str]
) -> list[LeftOut]:
    """List what weighs of the lines that were left out by name: they may have a device."""
    whole = {name: hint for name, hint in asked.items() if name != "lines"}
    try:
        read = [
            read_source(one, whole, name)
            for one, name in zip(sources, name_sources(sources), strict=True)
        ]
        captures = [terms.part_of(one.capture) for one in read]
    except PwmscopeError:
        return [LeftOut(LeftOutKind.NOT_READ, "the recordings")]
    found = [_examined(capture, terms).loss_analysis for capture in captures]
    left_out = check_failsafe(found, terms.sheet, terms.limits).left_out
    kinds = (LeftOutKind.UNLISTED, LeftOutKind.STICK)
    return [left for left in left_out if left.kind in kinds and left.what not in known]


def _examined(capture: Capture, terms: Terms) -> Findings:
    return examine(
        capture, off_line=terms.marker, off_at_s=terms.off_at_s, sheet=terms.sheet,
        convention=terms.convention, limits=terms.limits, plan=terms.plan,
    )  # fmt: skip
