"""A detection study in small: random losses whose truth the script knows, none falsely "meets".

Source: the recordings of ``tests/benchmarks/loss_scripts.py``, whose truth comes from the
script and the exact pulses and knows nothing of the analysis. docs/failsafe.md has
the table of the whole study, made by ``tests/benchmarks/loss_study.py``.
"""

from collections import Counter
from pathlib import Path

import pytest

BENCHMARKS = Path(__file__).parents[1] / "benchmarks"
SEEDS = (*range(70_001, 70_041), 500_721)
"""The last was once falsely said to meet it: a restart that was short on some lines."""


@pytest.fixture(scope="module")
def study():
    with pytest.MonkeyPatch.context() as patch:
        patch.syspath_prepend(str(BENCHMARKS))
        import loss_study  # noqa: PLC0415 - it lies outside the package

        yield loss_study


@pytest.fixture(scope="module")
def told(study):
    return [one for seed in SEEDS for one in study.study_seed(seed)]


def test_no_loss_is_falsely_said_to_meet_the_limit(study, told):
    assert len({(t.seed, t.truth.off_s) for t in told}) > 150
    assert study.false_meets(told) == []


def test_losses_that_can_show_it_do_meet(study, told):
    """A study in which nothing ever met the limit would show nothing."""
    marked = [t for t in told if t.truth.mark == "marked" and t.truth.conforms]
    verdicts = Counter(study.verdict_of(t) for t in marked)
    assert verdicts["does not meet"] == 0
    # Few losses each, often one stick: most of them leave a hand or a switch as a cause.
    assert verdicts["meets"] > 0.1 * len(marked)


def test_a_device_that_runs_on_is_found_out(study, told):
    marked = [t for t in told if t.truth.mark == "marked" and not t.truth.conforms]
    assert sum(study.verdict_of(t) == "does not meet" for t in marked) > 0.3 * len(marked)


def test_a_stop_is_seen_within_a_frame_or_two_of_the_truth(told):
    """Two where the frame at that moment was missing."""
    errors = [
        (t.event.settle_s - t.truth.settles_s) / t.frame_s
        for t in told
        if t.truth.plain and t.truth.mark == "marked" and t.event is not None
        and t.truth.behaviour == "pulses stop" and t.event.behaviour is not None
        and t.event.behaviour.value == "pulses stop" and t.truth.settles_s is not None
    ]  # fmt: skip
    assert len(errors) > 15
    assert min(errors) > -0.01
    assert max(errors) < 2.1
