"""What the drive outputs do with the sticks: `fit`, `arrangement`, `straightness`, the whole."""

from pwmscope.findings.mixing.arrangement import (
    AT_OUTPUTS,
    SINGLE,
    WANTED,
    Arrangement,
    Fault,
    Kind,
    explanations,
    name_arrangement,
)
from pwmscope.findings.mixing.examination import (
    COMMAND,
    DEFINITIONS,
    Mixing,
    Response,
    balance_finding,
    balance_of,
    corner_part,
    drive_sides,
    examine_mixing,
    responses_of,
    straight_finding,
    swapped_mixing,
)
from pwmscope.findings.mixing.fit import (
    DriveLines,
    MixFit,
    OutputLine,
    Samples,
    Side,
    StickLine,
    Travel,
    find_lines,
    fit_mix,
)
from pwmscope.findings.mixing.straightness import (
    DriveSide,
    Straightness,
    Throttle,
    straight_line_error,
)

__all__ = [
    "AT_OUTPUTS", "COMMAND", "DEFINITIONS", "SINGLE", "WANTED", "Arrangement", "DriveLines",
    "DriveSide", "Fault", "Kind", "MixFit", "Mixing", "OutputLine", "Response", "Samples", "Side",
    "StickLine", "Straightness", "Throttle", "Travel", "balance_finding", "balance_of",
    "corner_part", "drive_sides", "examine_mixing", "explanations", "find_lines", "fit_mix",
    "name_arrangement", "responses_of", "straight_finding", "straight_line_error", "swapped_mixing",
]  # fmt: skip
