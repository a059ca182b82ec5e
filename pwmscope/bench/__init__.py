"""What is expected on the bench: sheet, plan, limits, cautions. Knows nothing of measurements."""

from __future__ import annotations

from typing import TYPE_CHECKING

from pwmscope.bench.equipment import (
    BUTTON_LATE_S,
    CAUTIONS,
    COMMON_PRACTICE,
    DEFAULT_STOP,
    DRIVES,
    FAILSAFE_IN,
    INTO_MIXER,
    LEVELS,
    LINK_CAUTIONS,
    MARKER_KINDS,
    MAX_LATE_S,
    MIXERS,
    MOTION_CAUTIONS,
    MOTORS,
    NO_DEVICE,
    NO_NEUTRAL,
    ROLES,
    SENSORS,
    STICKS,
    UNUSED,
    Analyser,
    BenchChannel,
    BenchSheet,
    Control,
    Edge,
    Level,
    Limits,
    Marker,
    MarkerKind,
    Mixer,
    Receiver,
    Role,
    StopBand,
    Stretch,
    Transmitter,
    stretch_fault,
)
from pwmscope.bench.link_plan import make_link_plan, make_marker_plan
from pwmscope.bench.plan import (
    AXES,
    NO_HAND,
    ONE_HAND,
    TWO_HANDS,
    TWO_PEOPLE,
    Axis,
    CapturePlan,
    Mode,
    PlanStep,
    StepSpan,
    make_plan,
    make_table_plan,
    needed_pulses,
    needed_rate_hz,
    offered_rate_hz,
    refuse_short_losses,
    table_handling,
)
from pwmscope.bench.sheet import (
    check_marker,
    find_faults,
    load_sheet,
    parse_sheet,
    sheet_of,
    sheet_toml,
    with_marker_keys,
)
from pwmscope.bench.sheet_template import BLANK, WEAPONS, Answers, Weapon, filled_sheet, roles_of
from pwmscope.bench.toml_text import Fault, KeyPath, SheetError, format_key
from pwmscope.bench.wiring import (
    WIRING_RULES,
    Feed,
    Judgement,
    Ruling,
    Wiring,
    WiringRule,
    check_wiring,
    judge_band,
    judge_protocol,
)
from pwmscope.faces import at_first_use
from pwmscope.model import Verdict

if TYPE_CHECKING:
    from pwmscope.bench.plan_reading import PlanError, load_plan, parse_plan, plan_schema, plan_toml
    from pwmscope.bench.sheet_model import sheet_schema


__all__ = [
    "AXES", "BLANK", "BUTTON_LATE_S", "CAUTIONS", "COMMON_PRACTICE", "DEFAULT_STOP", "DRIVES",
    "FAILSAFE_IN", "INTO_MIXER", "LEVELS", "LINK_CAUTIONS", "MARKER_KINDS", "MAX_LATE_S",
    "MIXERS", "MOTION_CAUTIONS", "MOTORS", "NO_DEVICE", "NO_HAND", "NO_NEUTRAL", "ONE_HAND",
    "ROLES", "SENSORS", "STICKS", "TWO_HANDS", "TWO_PEOPLE", "UNUSED", "WEAPONS",
    "WIRING_RULES", "Analyser", "Answers", "Axis", "BenchChannel", "BenchSheet", "CapturePlan",
    "Control", "Edge", "Fault", "Feed", "Judgement", "KeyPath", "Level", "Limits", "Marker",
    "MarkerKind", "Mixer", "Mode", "PlanError", "PlanStep", "Receiver", "Role", "Ruling",
    "SheetError", "StepSpan", "StopBand", "Stretch", "Transmitter", "Verdict", "Weapon",
    "Wiring", "WiringRule", "check_marker", "check_wiring", "filled_sheet", "find_faults",
    "format_key",
    "judge_band", "judge_protocol", "load_plan", "load_sheet", "make_link_plan",
    "make_marker_plan", "make_plan", "make_table_plan", "needed_pulses", "needed_rate_hz",
    "offered_rate_hz", "parse_plan", "parse_sheet", "plan_schema", "plan_toml",
    "refuse_short_losses", "roles_of", "sheet_of", "sheet_schema", "sheet_toml",
    "stretch_fault", "table_handling", "with_marker_keys",
]  # fmt: skip


__getattr__ = at_first_use(__name__, {
    "plan_reading": "load_plan parse_plan plan_schema plan_toml PlanError",
    "sheet_model": "sheet_schema",
})  # fmt: skip
"""What needs the library that validates, which takes a tenth of a second to import."""
