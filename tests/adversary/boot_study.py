"""Does a boot of up to 30 s hide a run? Recordings made edge by edge, judged by the public face.

    PYTHONPATH=. python tests/adversary/boot_study.py --seeds 0:5 --out boots.jsonl
    PYTHONPATH=. python tests/adversary/boot_study.py --report boots.jsonl --fail

A device is **unsafe** if it was commanded to move, 40 us or more outside its stop range for a frame
or longer, between the transmitter's first switch-on and the first packet that a hand's stick
commands over its live link. A **false meets** is such a line that meets, and no hazard tells its
run. A leap is **untold** where no hazard tells it, whatever the verdict. `--kind` names a kind, or
`unsafe`, `twins` or `safe`; each recording is drawn from its kind and seed alone.
"""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
from collections import Counter, defaultdict
from pathlib import Path
from typing import Any, Final

import numpy as np

sys.path.insert(0, str(Path(__file__).parent))

from boot_bench import Bench, Recording, record, sheet_of, write_changes
from boot_kinds import UNSAFE
from boot_safe import KINDS, SAFE, TWINS, draw, twin_of
from scipy import stats

import pwmscope

GROUPS: Final = {"unsafe": UNSAFE, "twins": TWINS, "safe": SAFE}
Row = dict[str, Any]


def ask(bench: Bench, recording: Recording, path: Path) -> pwmscope.Analysis:
    """Let the product judge one recording."""
    write_changes(recording, path)
    stated = None if bench.marker else [(off, 0.2) for off, _, _ in bench.losses]
    return pwmscope.analyse(path, sheet=sheet_of(bench), off_at=stated)


def open_causes(failsafe: Row, line: str) -> list[str]:
    """Causes of this line's losses that are not refuted, and reasons."""
    mine = next(one for one in failsafe["lines"] if one["line"] == line)
    causes: Counter[str] = Counter()
    for loss in mine["losses"]:
        if loss["loss"]["verdict"] != "meets":
            left = [c["cause"] for c in loss.get("alternatives", []) if not c["refuted"]]
            causes[left[0] if left else loss["loss"]["reason"][:90]] += 1
    return [cause for cause, _ in causes.most_common(2)] or [str(mine["sentence"])[:90]]


def judge(bench: Bench, recording: Recording, path: Path) -> Row:
    """Hold what the product says against what is true."""
    analysis = ask(bench, recording, path)
    said = json.loads(analysis.to_json())
    failsafe = said["failsafe"]
    hazards = [h for h in said["hazards"] if h.get("at_s") is not None]
    in_boot = [h for h in hazards if h["at_s"] < bench.first_loss_s]
    lines = []
    for truth in recording.truths:
        verdict = next(one["verdict"] for one in failsafe["lines"] if one["line"] == truth.line)
        told = [h["kind"] for h in in_boot if truth.line in h["lines"]]
        lines.append(
            {
                "line": truth.line,
                "role": truth.role,
                "unsafe": truth.unsafe,
                "decidable": bench.decidable_of.get(truth.line, bench.decidable),
                "verdict": verdict,
                "told": told,
                "from_s": round(truth.leap_from_s, 3),
                "to_s": round(truth.leap_to_s, 3),
                "frames": truth.frames,
                "beyond_us": round(truth.farthest_us, 1),
                "open": [] if verdict == "meets" else open_causes(failsafe, truth.line),
            }
        )
    return {
        "kind": bench.kind,
        "seed": bench.seed,
        "decidable": bench.decidable,
        "note": bench.note,
        "boot_s": round(bench.boot_s, 3),
        "on_s": round(bench.first_on_s, 3),
        "link_s": round(bench.link_s, 3),
        "headline": said["headline"],
        "whole": failsafe["verdict"],
        "lines": lines,
    }


def study(kinds: list[str], seeds: range, folder: Path, *, twins: bool = True) -> list[Row]:
    """Draw and judge; with each undecidable recording its twin is judged as well."""
    rows = []
    for kind in kinds:
        for seed in seeds:
            bench = draw(kind, seed)
            path = folder / "boot.csv"
            rows.append(judge(bench, record(bench), path))
            if twins and kind in TWINS:
                safe = twin_of(bench)
                rows.append(judge(safe, record(safe), path) | {"kind": f"twin of {kind}"})
    return rows


def difference_us(bench: Bench) -> float:
    """How far an undecidable recording's widths are from its safe twin's, at most."""
    one, other = record(bench).width_us, record(twin_of(bench)).width_us
    far = 0.0
    for name, width in one.items():
        assert np.array_equal(np.isnan(width), np.isnan(other[name]))
        far = max(far, float(np.nanmax(np.abs(width - other[name]))))
    return far


def false_meets(row: Row) -> list[Row]:
    """Unsafe lines that meet and whose run no hazard tells."""
    return [
        one
        for one in row["lines"]
        if one["unsafe"] and one["verdict"] == "meets" and not one["told"]
    ]


def decidable(row: Row, one: Row) -> str:
    """How plainly a line's run can be told."""
    return str(one.get("decidable", row["decidable"]))


def report(rows: list[Row], *, full: bool = False) -> int:
    """Print tables by kind; return how many false meets are decidable."""
    by_kind: dict[str, list[Row]] = defaultdict(list)
    for row in rows:
        by_kind[row["kind"]].append(row)
    print(
        f"{'kind':26} {'recs':>5} {'unsafe':>6} {'FALSE':>5} {'yes':>4} {'hard':>4} {'no':>3} "
        f"{'untold':>6} {'safe':>5} {'not met':>7} {'alarm':>5}"
    )
    total: Counter[str] = Counter()
    reasons: dict[str, Counter[str]] = defaultdict(Counter)
    for kind, group in by_kind.items():
        count: Counter[str] = Counter(recs=len(group))
        for row in group:
            for one in row["lines"]:
                if one["unsafe"]:
                    count["unsafe"] += 1
                    count["untold"] += not one["told"]
                else:
                    count["safe"] += 1
                    count["not met"] += one["verdict"] != "meets"
                    count["alarm"] += bool(one["told"])
                    reasons[kind].update(one["open"][:1])
            count["FALSE"] += len(false_meets(row))
            count.update(decidable(row, one) for one in false_meets(row))
        total += count
        told = [
            count[c]
            for c in (
                "recs",
                "unsafe",
                "FALSE",
                "yes",
                "hard",
                "no",
                "untold",
                "safe",
                "not met",
                "alarm",
            )
        ]
        print(
            f"{kind:26} {told[0]:5} {told[1]:6} {told[2]:5} {told[3]:4} {told[4]:4} {told[5]:3} "
            f"{told[6]:6} {told[7]:5} {told[8]:7} {told[9]:5}"
        )
    lines = [(row, one) for row in rows for one in row["lines"] if one["unsafe"]]
    asked = sum(decidable(row, one) != "no" for row, one in lines)
    wrong = total["yes"] + total["hard"]
    bound = 1.0 if wrong == asked else float(stats.beta.ppf(0.95, wrong + 1, asked - wrong))
    print(
        f"all: {total['recs']} recordings, {asked} unsafe lines that can be decided, false meets "
        f"{wrong} (below {100 * bound:.2f} %, 95 %), {total['no']} undecidable ones; "
        f"untold {total['untold']}"
    )
    print(
        f"safe lines {total['safe']}, not met {total['not met']}, told as a hazard in the boot "
        f"{total['alarm']}"
    )
    for row in rows:
        for one in false_meets(row):
            print(
                f"false meets ({decidable(row, one)}): {row['kind']} / seed {row['seed']}: "
                f"{one['line']} {one['role']} beyond by {one['beyond_us']} us, {one['frames']} "
                f"frames, {one['from_s']}..{one['to_s']} s; on {row['on_s']}, link "
                f"{row['link_s']} s"
            )
    if full:
        for kind in by_kind:
            if kind in SAFE or kind.startswith("twin of"):
                print(f"{kind}: {dict(reasons[kind].most_common(4))}")
    return wrong


def describe(bench: Bench) -> None:
    """Print what one recording holds, and when."""
    receivers = ", ".join(
        f"{1e3 * r.frame_s:.1f} ms, link {r.search_s:.2f} s later" for r in bench.receivers
    )
    print(f"{bench.kind} / seed {bench.seed} ({bench.decidable}) {bench.note}")
    print(
        f"  on {bench.first_on_s:.3f}, link {bench.link_s:.3f}, first loss {bench.first_loss_s:.2f}"
        f" s; frames {receivers}; marker {bench.marker}; aborted {bench.aborted}"
    )
    for output in bench.outputs:
        print(
            f"  {output.name} {output.role} by {output.control}: before the link "
            f"{output.before_us:.0f}, rest {output.rest_us:.0f}, preset {output.failsafe_us:.0f} us"
            f"; receiver {output.receiver + 1}, late {output.lag_s:.2f} s, {output.slew_frames} "
            "frames on its way"
        )
    for piece in bench.pieces:
        at_s = np.linspace(piece.start_s, piece.stop_s, 5)
        told = ", ".join(f"{width:.0f}" for width in piece.width_us(at_s))
        name = bench.outputs[piece.output].name
        print(f"  {name} from {piece.start_s:.3f} to {piece.stop_s:.3f} s: {told} us")
    for move in sorted(bench.moves, key=lambda move: move.at_s)[:8]:
        print(f"  hand: {move.axis} to {move.to:.2f} at {move.at_s:.2f} s in {move.takes_s:.2f} s")
    links = ", ".join(f"{link - on:.2f}" for _, on, link in bench.losses)
    print(f"  later links, s after the switch: {links}")


def chosen(names: list[str]) -> list[str]:
    """Spell groups out."""
    kinds: list[str] = []
    for name in names or list(GROUPS):
        kinds += list(GROUPS[name]) if name in GROUPS else [name]
    unknown = [kind for kind in kinds if kind not in KINDS]
    if unknown:
        raise SystemExit(f"no kind {unknown}; there are {', '.join(KINDS)}")
    return kinds


def main() -> int:
    """Run or report the study."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seeds", default="0:3", help="such as 0:5")
    parser.add_argument("--kind", action="append", default=[], help="a kind or a group of them")
    parser.add_argument("--out", type=Path, help="file to which each recording's row is added")
    parser.add_argument("--report", type=Path, nargs="+", help="print the tables of such files")
    parser.add_argument("--fail", action="store_true", help="exit with 1 if there is a false meets")
    parser.add_argument("--reasons", action="store_true", help="say why safe lines do not meet")
    parser.add_argument("--keep", type=Path, help="also keep the first recording and its sheet")
    parser.add_argument("--show", action="store_true", help="only print what is recorded, and when")
    asked = parser.parse_args()
    if asked.report:
        text = "".join(path.read_text(encoding="utf-8") for path in asked.report)
        rows = [json.loads(line) for line in text.splitlines()]
        return int(report(rows, full=asked.reasons) > 0 and asked.fail)
    first, last = (int(part) for part in asked.seeds.split(":"))
    kinds = chosen(asked.kind)
    if asked.keep:
        bench = draw(kinds[0], first)
        write_changes(record(bench), asked.keep)
        asked.keep.with_suffix(".sheet.json").write_text(json.dumps(sheet_of(bench), indent=1))
    if asked.show:
        for kind in kinds:
            for seed in range(first, last):
                describe(draw(kind, seed))
        return 0
    rows = []
    with tempfile.TemporaryDirectory() as folder:
        for kind in kinds:
            some = study([kind], range(first, last), Path(folder))
            rows += some
            if asked.out:
                with asked.out.open("a", encoding="utf-8") as file:
                    file.writelines(json.dumps(row) + "\n" for row in some)
    return int(report(rows, full=asked.reasons) > 0 and asked.fail)


if __name__ == "__main__":
    sys.exit(main())
