"""Makes the pictures of the documentation from the shipped captures.

.venv/bin/python docs/pictures/make.py
"""

from pathlib import Path

import pwmscope
from pwmscope.bench import check_wiring, load_sheet
from pwmscope.cli import main as pwmscope_command
from pwmscope.findings.failsafe import check_failsafe, listen_to
from pwmscope.plot import draw_channel, draw_wiring, write_failsafe_picture

HERE = Path(__file__).parent
CAPTURES = HERE.parents[1] / "captures"


def main() -> None:
    """Write width-over-time, failsafe, drive-path, sticks and wiring as .svg beside this file."""
    capture, sheet = pwmscope.load(CAPTURES / "preset.csv.gz"), load_sheet(CAPTURES / "bench.toml")
    check = check_failsafe([listen_to(capture, sheet=sheet)], sheet, sheet.limits)
    write_failsafe_picture(check, HERE / "failsafe.svg", replace=True)
    findings = pwmscope.examine(capture, off_line="tx-on")
    pictures = draw_channel(findings.channels["RX1"], findings.capture)
    (HERE / "width-over-time.svg").write_text(pictures[1].svg)
    drive = (
        "mixing",
        CAPTURES / "unmixed-drive.csv.gz",
        "--sheet",
        CAPTURES / "unmixed-drive.toml",
    )
    arguments = [*map(str, drive), "--pictures", str(HERE), "--replace"]
    pwmscope_command(arguments, standalone_mode=False)
    (HERE / "wiring.svg").write_text(draw_wiring(check_wiring(sheet)))


if __name__ == "__main__":
    main()
