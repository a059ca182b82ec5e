"""A fixed slice of the study: no unsafe line meets, and ordinary safe tests are answered."""

import pytest
from failsafe_study import bound, run
from loss_classes import SAFE, UNSAFE
from loss_families import FAMILIES, SPARE, WELL

SLICE_SEED = 1


@pytest.mark.parametrize("family", FAMILIES)
def test_no_unsafe_line_meets(family):
    first = list(FAMILIES).index(family) % 2
    rows = [run(family, kind, SLICE_SEED) for kind in UNSAFE[first::2]]
    lines = [line for row in rows for line in row["lines"] if line["unsafe"]]
    wrong = [
        f"{row['kind']}, seed {row['seed']}, {line['line']}"
        for row in rows
        for line in row["lines"]
        if line["unsafe"] and line["verdict"] == "meets"
    ]
    whole = [
        f"{row['kind']}, seed {row['seed']}"
        for row in rows
        if row["overall"] == "meets" and any(line["unsafe"] for line in row["lines"])
    ]
    assert len(lines) >= 9, "the slice has lost its unsafe lines"
    assert not wrong
    assert not whole
    assert not [row["crashed"] for row in rows if row["crashed"]]


def answers(family, kinds):
    """What the safe lines of well-performed tests are told."""
    rows = [run(family, kind, SLICE_SEED + i) for kind in kinds for i in range(2)]
    return [
        line["verdict"]
        for row in rows
        if row["well"]
        for line in row["lines"]
        if line["under_test"] and not line["unsafe"]
    ]


ANSWERED = tuple(kind for kind in SAFE if kind != "stop")


@pytest.mark.parametrize(("family", "least"), list(zip(WELL, (0.95, 0.80, 0.60), strict=True)))
def test_ordinary_safe_tests_are_answered(family, least):
    verdicts = answers(family, ANSWERED)
    assert len(verdicts) >= 20, "the slice has lost its safe lines"
    assert "does not meet" not in verdicts
    assert verdicts.count("meets") >= least * len(verdicts)


def test_stops_of_all_lines_are_answered():
    """One plug with all lines looks the same, so this needs a line that goes on."""
    verdicts = answers(WELL[0], ("stop",))
    assert len(verdicts) >= 4
    assert "does not meet" not in verdicts
    assert verdicts.count("meets") >= 0.95 * len(verdicts)


def test_stops_beside_a_spare_output_that_goes_on_are_answered():
    verdicts = answers(SPARE, ("stop",))
    assert len(verdicts) >= 4
    assert set(verdicts) == {"meets"}


def test_bound_is_the_rule_of_three():
    # No event in n: 1 - 0.05^(1/n), about 3/n (a handbook's rule, from memory).
    assert bound(0, 300) == pytest.approx(1 - 0.05 ** (1 / 300))
    assert bound(0, 3000) == pytest.approx(3 / 3000, rel=0.01)
