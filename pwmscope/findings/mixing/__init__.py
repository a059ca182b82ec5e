"""What the drive outputs do with the sticks: pairing, fit, and the arrangement's name.

`lines` says which lines are outputs and which are sticks, `sticks` pairs their pulses, `fit`
finds the matrix between them, `arrangement` names it, `examination` asks all of it in turn
and words the findings.
"""

from pwmscope.findings.mixing.answers import DEFINITIONS
from pwmscope.findings.mixing.examination import Mixing, examine_mixing
from pwmscope.findings.mixing.lines import find_lines

__all__ = ["DEFINITIONS", "Mixing", "examine_mixing", "find_lines"]
