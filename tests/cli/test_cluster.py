"""`--cluster` and the library's `cluster`: what a real scheduler's two workers do."""

import os
import shutil
import signal
import sys
import threading
import time
from functools import partial
from pathlib import Path

import pytest
from click.testing import CliRunner

from pwmscope.analysis import cluster
from pwmscope.analysis.many import carry_out
from pwmscope.cli import main

# Workers import by this path what they are to do; a package called tests may be another one there.
sys.path.insert(0, str(Path(__file__).parents[1]))
from many_work import slowly, write_pulses

CAPTURES = Path(__file__).parents[2] / "captures"
SHEET = CAPTURES / "bench.toml"
DRILL, HOLDS = CAPTURES / "drill.csv.gz", CAPTURES / "holds-last.csv.gz"


def run(*words):
    return CliRunner().invoke(main, [str(word) for word in words])


@pytest.fixture(scope="module")
def farm():
    distributed = pytest.importorskip("distributed")
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, dashboard_address=":0", processes=True
    ) as farm:
        yield farm


def end_a_busy_worker(farm, ended):
    """End, by its number, the first worker that is seen at work for a moment."""
    for _ in range(600):
        for nanny in list(farm.workers.values()):
            state = farm.scheduler.workers.get(nanny.worker_address)
            if state is not None and state.processing and nanny.pid:
                time.sleep(0.5)
                os.kill(nanny.pid, signal.SIGKILL)
                ended.append(nanny.pid)
                return
        time.sleep(0.05)


def test_reports_are_written_though_a_worker_is_lost_and_a_file_is_bad(farm, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)  # the workers were started elsewhere
    for number in range(4):
        edges = [f"{20 * n + at},{high}" for n in range(1, 99) for at, high in ((0, 1), (1.5, 0))]
        Path(f"robot{number}.csv").write_text("\n".join(["time_ms,RX1", "0,0", *edges, ""]))
    Path("bad.csv").write_text("time_s,RX1\n0,0\n1,x\n2,0\n")
    files = [f"robot{number}.csv" for number in range(4)]
    ended = []
    killer = threading.Thread(target=end_a_busy_worker, args=(farm, ended))
    killer.start()
    done = run("report", *files, "bad.csv", "-o", "out", "--cluster", farm.scheduler_address)
    killer.join()
    assert len(ended) == 1
    assert done.exit_code == 2, done.output
    assert done.stderr.startswith("bad.csv, row 3, column RX1")
    assert [line.partition(":")[0] for line in done.stdout.splitlines()[:4]] == files
    assert "4 of 5 recordings have a report" in done.stdout
    for number in range(4):
        assert Path(f"out/robot{number}/report.pdf").read_bytes().startswith(b"%PDF")


def test_the_loss_of_a_worker_costs_no_recording(farm, tmp_path):
    """One of two is ended by its number while it works."""
    begun = tmp_path / "begun"
    begun.mkdir()
    recordings = [write_pulses(tmp_path / f"{width}.csv", width) for width in range(1400, 1406)]
    with cluster(farm.scheduler_address) as executor:
        outcomes = carry_out(partial(slowly, begun=begun), recordings, executor=executor)
        first = next(outcomes)
        _value, number = first.result
        os.kill(number, signal.SIGKILL)
        rest = list(outcomes)
    assert [o.result and o.result[0] for o in (first, *rest)] == list(range(1400, 1406))
    assert len({outcome.result[1] for outcome in rest}) >= 1
    attempts = [mark.name.partition("-")[0] for mark in begun.iterdir()]
    assert len(attempts) >= len(recordings)


def test_a_folder_of_robots_is_inspected_as_without_a_cluster(farm, tmp_path, without_processes):
    for name, files in {"quince": [DRILL], "medlar": [HOLDS], "empty": []}.items():
        (tmp_path / "day" / name).mkdir(parents=True)
        for file in [*files, SHEET]:
            shutil.copy(file, tmp_path / "day" / name)
    words = ["inspect", tmp_path / "day", "-o"]
    with without_processes():
        here = run(*words, tmp_path / "sheets")
    there = run(*words, tmp_path / "sheets", "--replace", "--cluster", farm.scheduler_address)
    assert here.exit_code == there.exit_code == 1
    assert there.output == here.output


def test_a_comparison_is_the_same_as_without_a_cluster(farm):
    words = ["compare", DRILL, HOLDS, "--sheet", SHEET]
    there = run(*words, "--cluster", farm.scheduler_address)
    assert there.exit_code == 0, there.output
    assert there.output == run(*words).output


def test_a_comparison_names_every_file_that_cannot_be_used(farm, tmp_path):
    gone = [tmp_path / "a.csv", tmp_path / "b.csv"]
    done = run("compare", DRILL, *gone, "--cluster", farm.scheduler_address)
    assert done.exit_code == 2
    assert [line.partition(":")[0] for line in done.stderr.splitlines()] == list(map(str, gone))


@pytest.mark.parametrize("address", ["farm", "http://farm:8786", "tcp://", ""])
def test_what_is_no_address_is_refused_at_once(address):
    pytest.importorskip("distributed")
    done = run("compare", DRILL, HOLDS, "--cluster", address)
    assert done.exit_code == 2
    assert done.stderr.startswith("--cluster: ")
    assert "expected the address of a dask.distributed scheduler" in done.stderr
    assert len(done.stderr.splitlines()) == 1


def test_where_nobody_answers_one_sentence_says_so(monkeypatch, tmp_path):
    pytest.importorskip("distributed")
    monkeypatch.setattr("pwmscope.analysis.many._PATIENCE_S", 1)
    done = run("report", DRILL, HOLDS, "-o", tmp_path / "out", "--cluster", "tcp://127.0.0.1:9")
    assert done.exit_code == 2
    assert done.stderr == (
        "--cluster: 'tcp://127.0.0.1:9', where no scheduler answers; expected the address of a "
        "dask.distributed scheduler, such as tcp://farm:8786.\n"
    )
    assert not (tmp_path / "out").exists()


def test_without_the_package_one_sentence_names_the_extra(monkeypatch):
    monkeypatch.setitem(sys.modules, "distributed", None)
    done = run("compare", DRILL, HOLDS, "--cluster", "tcp://farm:8786")
    assert done.exit_code == 2
    assert "dask.distributed is not installed" in done.stderr
    assert "pip install pwmscope[cluster]" in done.stderr


def test_one_recording_is_nothing_to_share_out(tmp_path):
    for words in (
        ["report", DRILL, "-o", tmp_path],
        ["inspect", DRILL, "--sheet", SHEET, "-o", tmp_path],
        ["compare", DRILL],
    ):
        done = run(*words, "--cluster", "tcp://farm:8786")
        assert done.exit_code == 2
        assert done.stderr.startswith("--cluster is for ")
