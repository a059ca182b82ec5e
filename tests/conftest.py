"""What all tests share: draws that repeat on the build machine, workers, types checked meanwhile.

Hypothesis draws the same cases each time where ``CI`` is ``true`` and explores elsewhere. A run
of everything is split over the processors; named files and folders run in one process, as one
wants when mending a test. mypy takes long and waits for nobody, so it starts with the run and
`test_house.test_types` only reads what it said. Every worker collects all tests: in a tree where
none was compiled yet the first does it alone, and the others take what it compiled. Matrices here
are small: threads of a linear algebra library would wait for one another, and for other workers.
Hundreds of tests begin with the same dozen shipped recordings: each process reads each once for the
same hints and examines it once on the same terms. A test that patches anything, or asks for `anew`,
works out its own.
"""

import gc
import os
import subprocess
import sys
import tempfile
import time
from concurrent.futures import Executor, Future
from contextlib import contextmanager
from pathlib import Path

import pytest
from hypothesis import settings

for library in ("OPENBLAS", "OMP", "MKL"):
    os.environ.setdefault(f"{library}_NUM_THREADS", "1")  # read when NumPy is first imported

settings.register_profile("bench", deadline=None)
settings.register_profile("build", deadline=None, derandomize=True)
settings.load_profile("build" if os.environ.get("CI") == "true" else "bench")

ROOT = Path(__file__).parents[1]
CAPTURES = ROOT / "captures"
TYPES = [sys.executable, "-m", "mypy", "--strict", "pwmscope", "docs/json_types.py"]
if os.environ.get("CI") == "true":
    TYPES.append(f"--cache-dir={os.devnull}")  # nobody checks again what was built there
TYPES_REPORT = "PWMSCOPE_TYPES_REPORT"
"""Names the file into which the controlling process lets mypy write; workers inherit it."""
COMPILED = "PWMSCOPE_TESTS_COMPILED"
"""Names the file that the first worker makes when all tests are compiled; the others wait."""
PATIENCE_S = 120


def runs_everything(config):
    """Whether no file or folder was named on the command line."""
    return not any(Path(str(arg).split("::")[0]).exists() for arg in config.invocation_params.args)


def pytest_xdist_auto_num_workers(config):
    """One more than processors: browsers, installs and waits leave a processor idle at times."""
    return (os.cpu_count() or 1) + 1 if runs_everything(config) else 0


def keep_compiled():
    """Compile each module once, whatever this process was told, and the many begun from it too."""
    os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
    sys.dont_write_bytecode = False


def pytest_configure(config):
    keep_compiled()
    if hasattr(config, "workerinput") or config.option.collectonly or not runs_everything(config):
        return
    report = tempfile.NamedTemporaryFile("w", suffix=".mypy", delete=False)  # noqa: SIM115
    os.environ[TYPES_REPORT] = report.name
    if not any((ROOT / "tests" / "__pycache__").glob("test_*")):
        os.environ[COMPILED] = f"{report.name}.compiled"
    check = [sys.executable, __file__, report.name]
    config.types_check = subprocess.Popen(check, cwd=ROOT, stdout=report, stderr=report)


def pytest_unconfigure(config):
    check = getattr(config, "types_check", None)
    if check is not None:
        check.terminate()
        check.wait()
        for name in (TYPES_REPORT, COMPILED):
            if name in os.environ:
                Path(os.environ.pop(name)).unlink(missing_ok=True)


@pytest.hookimpl(wrapper=True)
def pytest_collection(session):
    """One worker compiles for all. What is collected lives on: it is no garbage to look through."""
    name = getattr(session.config, "workerinput", {}).get("workerid")
    compiled = Path(os.environ.get(COMPILED, os.devnull))
    deadline = time.monotonic() + PATIENCE_S
    while name not in (None, "gw0") and not compiled.exists() and time.monotonic() < deadline:
        time.sleep(0.1)
    gc.disable()
    try:
        return (yield)
    finally:
        gc.freeze()
        gc.enable()
        if name == "gw0" and COMPILED in os.environ:
            compiled.touch()


class Shipped:
    """What was read of shipped recordings, and what was found in them; both are frozen."""

    def __init__(self):
        self.read, self.found, self.is_in_use = {}, {}, True

    def reading(self, read):
        from pwmscope.errors import named  # noqa: PLC0415 - compiled with the tests

        def kept(format_, path, hints):
            if not self.is_in_use or not path.resolve().is_relative_to(CAPTURES):
                return read(format_, path, hints)
            in_words = named("`rate`")  # arguments or options: sentences are made as they are read
            key = (format_.name, str(path), path.stat().st_mtime_ns, hints, in_words)
            if key not in self.read:
                self.read[key] = read(format_, path, hints)
            return self.read[key]

        return kept

    def examining(self, examine):
        def kept(capture, terms):
            if not self.is_in_use or not any(capture is one for one in self.read.values()):
                return examine(capture, terms)
            before = self.found.setdefault(id(capture), [])
            findings = next((found for known, found in before if known == terms), None)
            if findings is None:
                findings = examine(capture, terms)
                before.append((terms, findings))
            return findings

        return kept


SHIPPED = Shipped()


@pytest.fixture(scope="session", autouse=True)
def shipped_recordings_once():
    """Each is read once for the same hints, and examined once on the same terms."""
    from pwmscope.analysis import analysis  # noqa: PLC0415 - compiled with the tests
    from pwmscope.capture import formats  # noqa: PLC0415

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(formats.Format, "read", SHIPPED.reading(formats.Format.read))
        patch.setattr(analysis, "_examined", SHIPPED.examining(analysis._examined))
        yield


@pytest.fixture
def anew():
    """A test that takes this reads and examines what it asks for itself."""


def pytest_runtest_setup(item):
    SHIPPED.is_in_use = not {"monkeypatch", "anew"}.intersection(item.fixturenames)


class AtOnce(Executor):
    """Does each job at once and here, where what comes of it is asked and not who did it."""

    def submit(self, work, /, *args, **keywords):
        future = Future()
        try:
            future.set_result(work(*args, **keywords))
        except Exception as error:
            future.set_exception(error)
        return future


@pytest.fixture(scope="session")
def without_processes():
    """A context in which many recordings are worked on here: other processes begin slowly."""

    @contextmanager
    def context():
        many = "pwmscope.analysis.many"
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr(f"{many}._own_processes", lambda _count: AtOnce())
            patch.setattr(f"{many}._interruptible", lambda work, job: work(job))
            yield

    return context


def pytest_ignore_collect(collection_path):
    """Doctests are the product's: of tests/ only what is named as a test is run."""
    is_ours = collection_path.is_relative_to(ROOT / "tests") and collection_path.suffix == ".py"
    named = collection_path.name.startswith("test_") or collection_path.name == "conftest.py"
    return True if is_ours and not named else None


def pytest_collection_modifyitems(items):
    """What waits for mypy comes last."""
    items.sort(key=lambda item: item.name == "test_types")


if __name__ == "__main__":
    done = subprocess.run(TYPES, cwd=ROOT, capture_output=True, text=True, check=False)
    sys.stdout.write(f"{done.stdout}{done.stderr}\nmypy ended with {done.returncode}\n")
