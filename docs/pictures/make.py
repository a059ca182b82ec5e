"""Makes the pictures of the documentation from the shipped captures.

.venv/bin/python docs/pictures/make.py
"""

from pathlib import Path

import pwmscope
from pwmscope.report.pictures import draw_channel

HERE = Path(__file__).parent
CAPTURE = HERE.parents[1] / "captures" / "preset.csv.gz"


def main() -> None:
    """Write width-over-time.svg beside this file."""
    findings = pwmscope.examine(pwmscope.load(CAPTURE), off_line="tx-on")
    pictures = draw_channel(findings.channels["RX1"], findings.capture)
    (HERE / "width-over-time.svg").write_text(pictures[1].svg)


if __name__ == "__main__":
    main()
