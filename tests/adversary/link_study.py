"""Study: link records of late and sloppy hands. Is the channel map right, and is none wrong?

python -m tests.adversary.link_study 700         records of the one maker, `link_bench`
python -m tests.adversary.link_study 700 0 2     and of the other, `link_afresh`
"""

import sys
from collections import Counter

import pwmscope
from pwmscope.findings.link import examine_link
from tests.adversary import link_afresh, link_bench

MAKERS = {1: link_bench.draw, 2: link_afresh.draw}


def judge(seed, maker=1):
    """Ask about one record: what the map is worth, and what the other memory's answer is."""
    bench = MAKERS[maker](seed)
    marker = bench.sheet.marker.line
    tables = {
        name: table for name, table in pwmscope.decode(bench.capture).items() if name != marker
    }
    found = examine_link(bench.capture, tables, bench.plan, bench.sheet)
    return bench, found, map_worth(bench, found), other_worth(bench, found)


def map_worth(bench, found):
    """Right, wrong, in part (what is told is right, but not all is) or refused."""
    if not found.rows:
        return "refused"
    worth = "right"
    for row in found.rows:
        true = bench.moves.get(row.control, {})
        told = {f.line: f.direction for f in row.followers}
        if any(true.get(line) != sign for line, sign in told.items()):
            return "wrong"
        missing = {n for n in set(true) - set(told) if (row.control, n) not in faint(bench)}
        if missing - set(row.unsure):
            return "wrong"
        if any((row.control, line) not in faint(bench) for line in row.unsure):
            worth = "in part"
    return worth


def faint(bench):
    """What need not be told of a record."""
    return getattr(bench, "faint", ())


def other_worth(bench, found):
    """Whether the answer about the other memory is true, false or not given."""
    verdict = found["other memory"].verdict
    if verdict is pwmscope.Verdict.NOT_SHOWN:
        return "not shown"
    return "true" if (verdict is pwmscope.Verdict.DOES_NOT_MEET) == bench.other_follows else "FALSE"


def study(count, first=0, maker=1):
    """Count what came out of so many records, by mishap; and list those that are wrong."""
    by_mishap, other, bad = {}, Counter(), []
    for seed in range(first, first + count):
        bench, _found, worth, about = judge(seed, maker)
        by_mishap.setdefault(bench.mishap, Counter())[worth] += 1
        other[about] += 1
        if worth == "wrong" or about == "FALSE":
            bad.append((seed, bench.mishap, worth, about))
    return by_mishap, other, bad


def main(count, first=0, maker=1):
    """Print what came out of so many records."""
    by_mishap, other, bad = study(count, first, maker)
    for mishap, counts in sorted(by_mishap.items()):
        print(f"{mishap:12}", dict(counts))
    total = sum(by_mishap.values(), Counter())
    print("all         ", dict(total), "| other memory:", dict(other))
    for each in bad[:20]:
        print("bad:", *each)


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
