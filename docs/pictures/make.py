"""Makes the pictures of the documentation from the shipped captures.

.venv/bin/python docs/pictures/make.py
"""

from pathlib import Path

import pwmscope
from pwmscope.bench import load_sheet
from pwmscope.bench.wiring import check_wiring
from pwmscope.report.pictures import draw_channel
from pwmscope.report.wiring_drawing import draw_wiring

HERE = Path(__file__).parent
CAPTURES = HERE.parents[1] / "captures"
CAPTURE = CAPTURES / "preset.csv.gz"


def main() -> None:
    """Write width-over-time.svg and wiring.svg beside this file."""
    findings = pwmscope.examine(pwmscope.load(CAPTURE), off_line="tx-on")
    pictures = draw_channel(findings.channels["RX1"], findings.capture)
    (HERE / "width-over-time.svg").write_text(pictures[1].svg)
    wiring = check_wiring(load_sheet(CAPTURES / "bench.toml"))
    (HERE / "wiring.svg").write_text(draw_wiring(wiring))


if __name__ == "__main__":
    main()
