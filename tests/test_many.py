"""Many recordings at once: order, errors one by one, processes that are lost.

A real cluster works in `tests/cli/test_cluster.py`.
"""

import pickle
import sys
from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor
from functools import partial
from pathlib import Path

import pytest

import pwmscope
from pwmscope.analysis import WorkerLostError, cluster
from pwmscope.analysis.many import carry_out

# Workers import by this path what they are to do; a package called tests may be another one there.
sys.path.insert(0, str(Path(__file__).parent))
from many_work import ended, ended_once, neutral_us, write_pulses

CAPTURES = Path(__file__).parents[1] / "captures"
SHEET = CAPTURES / "bench.toml"


@pytest.fixture
def recordings(tmp_path):
    return [write_pulses(tmp_path / f"{width}.csv", width) for width in range(1400, 1406)]


def test_outcomes_come_in_order_with_the_error_of_one_told_and_the_rest_done(recordings, tmp_path):
    """The third of seven is no recording; six others have a neutral of their own."""
    empty = tmp_path / "empty.csv"
    empty.write_bytes(b"")
    sources = [*recordings[:2], empty, *recordings[2:]]
    told = []
    outcomes = list(
        pwmscope.analyse_many(sources, take=neutral_us, progress=lambda *done: told.append(done))
    )
    assert [outcome.source for outcome in outcomes] == list(map(str, sources))
    assert [outcome.result for outcome in outcomes] == [1400, 1401, None, 1402, 1403, 1404, 1405]
    assert str(outcomes[2].error).startswith(f"{empty}: the file is empty")
    assert told == [(done, 7, "recordings") for done in range(8)]


def test_the_same_comes_from_any_executor_and_from_analyse_itself(recordings):
    one = pwmscope.analyse(recordings[0])
    with ThreadPoolExecutor(2) as threads:
        outcomes = list(pwmscope.analyse_many(iter(recordings), executor=threads))
        assert threads.submit(int, 3).result() == 3  # it was not shut down
    assert outcomes[0].result.to_json() == one.to_json()
    assert [neutral_us(outcome.result) for outcome in outcomes] == list(range(1400, 1406))


def test_a_sheet_holds_for_each_and_several_recordings_can_be_one_test():
    """holds-last breaks the limit, drill keeps it: together the proven failure governs."""
    drill, holds = CAPTURES / "drill.csv.gz", CAPTURES / "holds-last.csv.gz"
    with ThreadPoolExecutor(1) as thread:
        both, alone = pwmscope.analyse_many([(drill, holds), drill], sheet=SHEET, executor=thread)
    assert both.result.headline.startswith("FAILSAFE does not meet")
    assert alone.result.headline.startswith("FAILSAFE meets, 10 of 10")
    assert both.source == f"{drill}, {holds}"


def test_a_process_that_dies_costs_its_own_recording_and_no_other():
    outcomes = list(carry_out(ended, ["a", "b", "fatal", "d", "e", "f"]))
    assert [outcome.result for outcome in outcomes] == ["A", "B", None, "D", "E", "F"]
    assert isinstance(outcomes[2].error, WorkerLostError)
    assert "fatal: its process ended before it was done" in str(outcomes[2].error)


def test_what_a_dead_process_held_is_done_again(tmp_path):
    work = partial(ended_once, mark=tmp_path / "mark")
    outcomes = list(carry_out(work, list("abcdef")))
    assert [outcome.result for outcome in outcomes] == list("ABCDEF")


def test_a_given_pool_that_breaks_is_told_for_each_that_it_held():
    with ProcessPoolExecutor(1) as pool:
        outcomes = list(carry_out(ended, ["fatal", "b"], executor=pool))
    assert [type(outcome.error) for outcome in outcomes] == [WorkerLostError] * 2


def test_sources_are_taken_as_they_are_needed_so_that_any_number_may_come():
    taken = []

    def endless():
        while True:
            taken.append(len(taken))
            yield str(len(taken))

    with ThreadPoolExecutor(2) as threads:
        outcomes = carry_out(float, endless(), executor=threads)
        assert [next(outcomes).result for _ in range(3)] == [1.0, 2.0, 3.0]
        outcomes.close()
    assert len(taken) <= 3 + 1024


def test_every_error_crosses_from_a_worker_as_it_is():
    error = pwmscope.errors.CaptureError("a.csv", "it is cut", "mend it", row=3, column="RX1")
    again = pickle.loads(pickle.dumps(error))
    assert (str(again), again.row, again.column) == (str(error), 3, "RX1")
    named = pwmscope.errors.ArgumentError("lines", "empty", "names")
    assert str(pickle.loads(pickle.dumps(named))) == str(named)


@pytest.mark.parametrize(
    ("wrong", "argument"),
    [
        ({"sources": "drill.csv"}, "sources"),
        ({"sources": [], "executor": 3}, "executor"),
        ({"sources": [], "take": "json"}, "take"),
        ({"sources": [], "progress": "yes"}, "progress"),
        ({"sources": [], "hints": {"speed": 1}}, "hints"),
    ],
)
def test_what_cannot_be_meant_is_refused_before_any_work(wrong, argument):
    with pytest.raises(pwmscope.PwmscopeError, match=argument):
        pwmscope.analyse_many(**wrong)


def test_a_cluster_that_does_not_answer_is_told(monkeypatch):
    pytest.importorskip("distributed")
    monkeypatch.setattr("pwmscope.analysis.many._PATIENCE_S", 1)
    with (
        pytest.raises(pwmscope.PwmscopeError, match="where no scheduler answers"),
        cluster("tcp://127.0.0.1:9"),
    ):
        pass
