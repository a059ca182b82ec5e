"""Break the failsafe check on purpose, one fault at a time, and count which the tests catch.

Every comparison, number, truth value and branch of the modules named with ``--whole`` is broken,
and ``--drawn`` further faults are drawn by ``--seed`` from the package's other modules. The faults
themselves are those of cosmic-ray, a mutation library. Each runs against the tests that reach its
line, quickest first. One within a function runs in a process forked from one that has the tests
collected, into which the broken function's code is put; any other, and with ``--again`` every one,
in a process that loads the broken module anew.

    python tests/benchmarks/deliberate_faults.py --results faults.jsonl

Stopped and started again with the same file it goes on where it was; ``--again`` runs what survived
once more, after tests were added; ``--only-report`` prints the table. Which tests reach which line
is kept beside the results until a file changes. A fault that changes nothing stands in
``deliberate_faults.toml`` with its reason.
"""

from __future__ import annotations

import argparse
import ast
import contextlib
import hashlib
import importlib
import importlib.abc
import importlib.util
import io
import itertools
import json
import math
import os
import random
import signal
import subprocess
import sys
import tempfile
import time
import tomllib
import types
from collections import Counter, defaultdict
from collections.abc import Callable, Iterator
from dataclasses import asdict, dataclass
from pathlib import Path

ROOT = Path(__file__).parents[2]
PACKAGE = "pwmscope/findings/failsafe"
WHOLE = ("verdict", "evidence", "alternatives")
TESTS = ("tests/findings", "tests/cli/test_failsafe.py", "tests/adversary", "pwmscope/findings")
HARMLESS = Path(__file__).with_suffix(".toml")
PRELOADED = (
    "numpy", "scipy.stats", "scipy.special", "polars", "pandas", "pydantic", "click", "rich",
    "hypothesis", "hypothesis.extra.numpy", "jsonschema", "matplotlib.figure", "_pytest.doctest",
)  # fmt: skip
COMPARISONS = {
    "Lt": ("LtE", "GtE"), "LtE": ("Lt", "Gt"), "Gt": ("GtE", "LtE"), "GtE": ("Gt", "Lt"),
    "Eq": ("NotEq",), "NotEq": ("Eq",), "Is": ("IsNot",), "IsNot": ("Is",),
}  # fmt: skip
OPERATORS = (
    *(
        f"core/ReplaceComparisonOperator_{old}_{new}"
        for old, others in COMPARISONS.items()
        for new in others
    ),
    "core/NumberReplacer", "core/ReplaceTrueWithFalse", "core/ReplaceFalseWithTrue",
    "core/ReplaceAndWithOr", "core/ReplaceOrWithAnd", "core/AddNot",
    "core/ReplaceUnaryOperator_Delete_Not", "core/ReplaceUnaryOperator_Delete_USub",
    "core/ReplaceBinaryOperator_Add_Sub", "core/ReplaceBinaryOperator_Sub_Add",
    "core/ReplaceBinaryOperator_Mul_Div", "core/ReplaceBinaryOperator_Div_Mul",
    "core/ZeroIterationForLoop", "core/ReplaceBreakWithContinue", "core/ReplaceContinueWithBreak",
)  # fmt: skip
MAX_S = 90.0
"""Seconds of processor time that the tests of one fault may take: a broken loop may never end."""
MAX_WAIT_S = 600


@dataclass(frozen=True, slots=True)
class Fault:
    """One change of one place: the operator's occurrence within the module, and the line."""

    module: str
    operator: str
    occurrence: int
    line: int
    text: str

    @property
    def key(self) -> str:
        """Name it so that it is found again after lines have moved."""
        return f"{self.module}|{self.operator.split('/')[1]}|{self.text}"


def faults_of(path: Path) -> list[Fault]:
    """Find every place of a module at which an operator can break it."""
    from cosmic_ray.ast import Visitor, get_ast  # noqa: PLC0415 - only this command needs it
    from cosmic_ray.plugins import get_operator  # noqa: PLC0415

    source = path.read_text()
    lines = source.split("\n")

    class Places(Visitor):
        def __init__(self, operator: object) -> None:
            self.operator = operator
            self.found: list[int] = []

        def visit(self, node: object) -> object:
            self.found += [start[0] for start, _ in self.operator.mutation_positions(node)]
            return node

    found = []
    for name in OPERATORS:
        places = Places(get_operator(name)())
        places.walk(get_ast(source))
        found += [
            Fault(path.stem, name, k, line, lines[line - 1].strip())
            for k, line in enumerate(places.found)
            if not lines[line - 1].startswith("@dataclass")  # frozen, slots: no behaviour
        ]
    return found


def draw(package: Path, whole: tuple[str, ...], drawn: int, seed: int) -> list[Fault]:
    """Take all faults of some modules, and a number of others by a seed."""
    every = {path.stem: faults_of(path) for path in sorted(package.glob("*.py"))}
    missing = [stem for stem in whole if stem not in every]
    if missing:
        raise SystemExit(f"There is no module {missing[0]} in {package}; it has {sorted(every)}.")
    must = [fault for stem in whole for fault in every[stem]]
    rest = [fault for stem, own in every.items() if stem not in whole for fault in own]
    return must + random.Random(seed).sample(rest, min(drawn, len(rest)))


def reach(tests: tuple[str, ...], package: Path, folder: Path) -> dict[str, object]:
    """Run the tests once; say which reach which line, and how long each takes."""
    data, times = folder / "coverage", folder / "times.json"
    config = folder / "coveragerc"
    config.write_text(f"[run]\ndata_file = {data}\nsource = {package}\n")
    environment = os.environ | {"PYTHONPATH": str(ROOT), "FAULT_TIMES": str(times)}
    begin_s = time.perf_counter()
    words = ["-m", "pytest", "-q", "-p", "no:cacheprovider", "-p", "fault_times", "-o", "addopts="]
    words += ["--doctest-modules", "--import-mode=importlib", f"--cov={package}"]
    words += [f"--cov-config={config}", "--cov-context=test", "--cov-report=", *tests]
    (folder / "fault_times.py").write_text(_TIMES_PLUGIN)
    environment["PYTHONPATH"] += os.pathsep + str(folder)
    done = subprocess.run(
        [sys.executable, *words], cwd=ROOT, env=environment, capture_output=True, text=True,
        check=False,
    )  # fmt: skip
    if done.returncode != 0:
        raise SystemExit(f"The tests fail without any fault:\n{done.stdout[-3000:]}")
    from coverage import CoverageData  # noqa: PLC0415

    covered = CoverageData(str(data))
    covered.read()
    lines: dict[str, dict[int, list[str]]] = {}
    for name in covered.measured_files():
        contexts = covered.contexts_by_lineno(name)
        lines[Path(name).stem] = {
            line: sorted({one.split("|")[0] for one in own if one})
            for line, own in contexts.items()
        }
    print(f"{time.perf_counter() - begin_s:.0f} s for the tests with coverage", flush=True)
    return {"lines": lines, "times": json.loads(times.read_text())}


_TIMES_PLUGIN = '''
"""Write how long each test took."""
import json, os

TIMES = {}

def pytest_runtest_logreport(report):
    TIMES[report.nodeid] = TIMES.get(report.nodeid, 0.0) + report.duration

def pytest_sessionfinish():
    with open(os.environ["FAULT_TIMES"], "w") as file:
        json.dump(TIMES, file)
'''


def reach_once(
    tests: tuple[str, ...], package: Path, folder: Path, results: Path
) -> dict[str, object]:
    """Take which tests reach which line from an earlier run, while no file has changed."""
    digest = hashlib.sha256(" ".join(tests).encode())
    for path in sorted({*(ROOT / "pwmscope").rglob("*.py"), *(ROOT / "tests").rglob("*.py")}):
        digest.update(path.read_bytes())
    kept = results.with_suffix(".reach.json")
    if kept.exists():
        earlier: dict[str, object] = json.loads(kept.read_text())
        if earlier["digest"] == digest.hexdigest():
            return earlier
    reached = reach(tests, package, folder) | {"digest": digest.hexdigest()}
    kept.write_text(json.dumps(reached))
    return json.loads(kept.read_text())


def tests_for(fault: Fault, reached: dict[str, object], within_s: float) -> list[str]:
    """Name the tests that reach a line, quickest first, as many as take so long together.

    A line that runs while the module is imported is reached by all tests of the module.
    """
    own = reached["lines"].get(fault.module, {})
    names = own.get(str(fault.line)) or sorted({name for tests in own.values() for name in tests})
    times = reached["times"]
    ordered = sorted((name for name in names if name in times), key=times.__getitem__)
    took_s = itertools.accumulate(times[name] for name in ordered)
    return [name for name, until_s in zip(ordered, took_s, strict=True) if until_s <= within_s]


class _Broken(importlib.abc.MetaPathFinder, importlib.abc.Loader):
    """Loads one module with a fault in it."""

    def __init__(self, name: str, path: Path, source: str) -> None:
        self.name, self.path, self.source = name, path, source

    def find_spec(self, name: str, _path: object, _target: object = None) -> object:
        if name != self.name:
            return None
        return importlib.util.spec_from_file_location(name, self.path, loader=self)

    def exec_module(self, module: object) -> None:
        exec(compile(self.source, str(self.path), "exec"), module.__dict__)


def mutated(fault: Fault, path: Path) -> str:
    """Return the module's source with the fault in it."""
    from cosmic_ray.mutating import mutate_code  # noqa: PLC0415
    from cosmic_ray.plugins import get_operator  # noqa: PLC0415

    source = mutate_code(path.read_text(), get_operator(fault.operator)(), fault.occurrence)
    if source is None:
        raise SystemExit(f"The fault {fault} could not be made.")
    return source


def run_fault(module: str, source: str, package: Path, tests: list[str]) -> str:
    """Run the tests in a forked process; return caught, late (too slow), or survived."""
    path = package / f"{module}.py"
    name = ".".join((*package.relative_to(ROOT).parts, module)).removesuffix(".__init__")
    child = os.fork()
    if child == 0:
        code = 70
        with contextlib.suppress(BaseException):
            signal.setitimer(signal.ITIMER_PROF, MAX_S)
            signal.alarm(MAX_WAIT_S)
            sink = os.open(os.devnull, os.O_WRONLY)
            os.dup2(sink, 1)
            os.dup2(sink, 2)
            sys.meta_path.insert(0, _Broken(name, path, source))
            import pytest  # noqa: PLC0415

            words = ["-x", "-q", "-p", "no:cacheprovider", "-o", "addopts=", "--doctest-modules"]
            words += ["-W", "ignore::pytest.PytestAssertRewriteWarning"]
            code = int(pytest.main([*words, "--import-mode=importlib", *tests]))
        os._exit(code)
    told = _told(os.waitpid(child, 0)[1])
    if not told:
        raise SystemExit(f"pytest ended in another way for {name}: {tests[:3]}")
    return told


def is_in_function(fault: Fault, path: Path) -> bool:
    """Say whether a fault lies within the body of a function, and so in its code alone."""
    return any(
        isinstance(node, ast.FunctionDef) and node.body[0].lineno <= fault.line <= node.end_lineno
        for node in ast.walk(ast.parse(path.read_text()))
    )


def put_in(name: str, source: str, path: Path) -> None:
    """Give the functions and methods of a loaded module the code of its broken source."""
    real, broken = sys.modules[name], types.ModuleType(name)
    exec(compile(source, str(path), "exec"), broken.__dict__)
    for key, new in vars(broken).items():
        old = real.__dict__.get(key)
        if getattr(new, "__module__", "") != name:
            continue
        if isinstance(new, type):
            for attribute, method in vars(new).items():
                _give_code(vars(old).get(attribute), method)
        else:
            _give_code(old, new)


def _give_code(old: object, new: object) -> None:
    for wrapper in ("__wrapped__", "__func__", "fget"):
        if hasattr(new, wrapper):
            if hasattr(old, "cache_clear"):
                old.cache_clear()
            old, new = getattr(old, wrapper), getattr(new, wrapper)
    written = isinstance(new, types.FunctionType) and new.__code__.co_filename != "<string>"
    if written and len(new.__code__.co_freevars) == len(old.__code__.co_freevars):
        old.__code__ = new.__code__


class _InPlace:
    """A pytest plugin that, instead of the tests, runs what may go through faults with them."""

    def __init__(self, go_through: Callable[[_InPlace], None]) -> None:
        self.go_through, self.items, self.has_failed = go_through, {}, False

    def pytest_runtestloop(self, session: object) -> bool:
        self.items = {item.nodeid: item for item in session.items}
        self.go_through(self)
        return True

    def pytest_runtest_logreport(self, report: object) -> None:
        self.has_failed |= report.failed

    def run(self, name: str, source: str, path: Path, tests: list[str]) -> str:
        """Run tests in a forked process with broken code; return caught, late, or survived."""
        child = os.fork()
        if child == 0:
            code = 1
            with contextlib.suppress(BaseException):
                signal.setitimer(signal.ITIMER_PROF, MAX_S)
                signal.alarm(MAX_WAIT_S)
                sink = os.open(os.devnull, os.O_WRONLY)
                os.dup2(sink, 1)
                os.dup2(sink, 2)
                put_in(name, source, path)
                for test in tests:
                    item = self.items[test]
                    item.ihook.pytest_runtest_protocol(item=item, nextitem=None)
                    if self.has_failed:
                        os._exit(1)
                code = 0
            os._exit(code)
        return _told(os.waitpid(child, 0)[1])


def _told(status: int) -> str:
    if os.WIFSIGNALED(status):
        late = os.WTERMSIG(status) in (signal.SIGALRM, signal.SIGPROF)
        return "late" if late else "caught"
    return {0: "survived", 1: "caught", 2: "caught"}.get(os.WEXITSTATUS(status), "")


def preload() -> None:
    """Load what every test needs, but nothing of the product."""
    for name in PRELOADED:
        with contextlib.suppress(ImportError):
            importlib.import_module(name)
    os.chdir(ROOT)
    sys.path.insert(0, str(ROOT))


def harmless() -> dict[str, str]:
    """Read which faults change nothing, and why."""
    if not HARMLESS.exists():
        return {}
    return {one["fault"]: one["reason"] for one in tomllib.loads(HARMLESS.read_text())["fault"]}


def results_of(path: Path) -> Iterator[dict[str, object]]:
    """Read what an earlier run found."""
    if path.exists():
        for line in path.read_text().splitlines():
            yield json.loads(line)


def report(faults: list[Fault], outcome: dict[str, str], whole: tuple[str, ...]) -> str:
    """Make the table, and list what survived."""
    known, rows, text = harmless(), defaultdict(Counter), io.StringIO()
    for fault in faults:
        told = outcome.get(identity(fault), "not run")
        if told == "survived" and fault.key in known:
            told = "changes nothing"
        rows["every place of " + fault.module if fault.module in whole else "drawn"][told] += 1
    text.write("| faults in | made | caught | change nothing | survived | not run |\n")
    text.write("| --- | ---: | ---: | ---: | ---: | ---: |\n")
    for name, counts in (*rows.items(), ("all", sum(rows.values(), Counter()))):
        made = sum(counts.values())
        caught = counts["caught"] + counts["late"]
        text.write(
            f"| {name} | {made} | {caught} ({100 * caught / max(made, 1):.1f} %) "
            f"| {counts['changes nothing']} | {counts['survived']} | {counts['not run']} |\n"
        )
    survivors = [f for f in faults if outcome.get(identity(f)) == "survived" and f.key not in known]
    for fault in survivors:
        text.write(f"survived: {fault.module}.py:{fault.line} {fault.operator} | {fault.text}\n")
    return text.getvalue()


@dataclass(frozen=True, slots=True)
class _Run:
    """Goes through faults, and writes down what the tests say of each."""

    package: Path
    reached: dict[str, object]
    results: Path
    end_s: float
    within_s: float

    def in_place(self, faults: list[Fault], tests: tuple[str, ...]) -> None:
        """Break functions of modules that are loaded, in forks of one run of pytest.

        That run is a fork of its own, so that this process has loaded nothing of the product.
        """
        child = os.fork()
        if child:
            if os.waitpid(child, 0)[1]:
                raise SystemExit("The faults within functions could not be run.")
            return
        import pytest  # noqa: PLC0415

        def go_through(plugin: _InPlace) -> None:
            self._check(plugin)
            for fault in faults:
                path = self.package / f"{fault.module}.py"
                name = ".".join((*self.package.relative_to(ROOT).parts, fault.module))

                def run(source: str, names: list[str], at: tuple[str, Path] = (name, path)) -> str:
                    return plugin.run(at[0], source, at[1], names)

                self._one(fault, run)

        words = ["-q", "-p", "no:cacheprovider", "-o", "addopts=", "--doctest-modules"]
        words += ["-W", "ignore::pytest.PytestAssertRewriteWarning"]
        pytest.main([*words, "--import-mode=importlib", *tests], plugins=[_InPlace(go_through)])
        os._exit(0)

    def _check(self, plugin: _InPlace) -> None:
        """Run all tests that reach the package without any fault, once for each state of them."""
        if self.reached.get("checked"):
            return
        lines = [names for own in self.reached["lines"].values() for names in own.values()]
        every = sorted({name for names in lines for name in names if name in plugin.items})
        path = self.package / "verdict.py"
        name = ".".join((*self.package.relative_to(ROOT).parts, path.stem))
        if plugin.run(name, path.read_text(), path, every) != "survived":
            os._exit(1)
        kept = self.results.with_suffix(".reach.json")
        kept.write_text(json.dumps(self.reached | {"checked": True}))

    def anew(self, faults: list[Fault]) -> None:
        """Load each broken module anew."""
        for fault in faults:

            def run(source: str, names: list[str], module: str = fault.module) -> str:
                return run_fault(module, source, self.package, names)

            self._one(fault, run)

    def _one(self, fault: Fault, run: Callable[[str, list[str]], str]) -> None:
        if time.perf_counter() > self.end_s:
            return
        tests, begin_s = tests_for(fault, self.reached, self.within_s), time.perf_counter()
        source = mutated(fault, self.package / f"{fault.module}.py")
        told = run(source, tests) if tests else "survived"
        took_s = round(time.perf_counter() - begin_s, 2)
        row = {"identity": identity(fault), "told": told, "tests": len(tests), "s": took_s}
        with self.results.open("a") as file:
            file.write(json.dumps(row | asdict(fault)) + "\n")


def identity(fault: Fault) -> str:
    """Name a fault within one state of the code."""
    return f"{fault.module}|{fault.operator}|{fault.occurrence}|{fault.text}"


def main() -> None:
    """Break, run, count."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--package", default=PACKAGE)
    parser.add_argument("--whole", nargs="*", default=WHOLE, help="modules broken everywhere")
    parser.add_argument("--drawn", type=int, default=400)
    parser.add_argument("--seed", type=int, default=20_261_128)
    parser.add_argument("--tests", nargs="+", default=TESTS)
    parser.add_argument("--results", type=Path, required=True, help="JSON lines; added to")
    parser.add_argument("--seconds", type=float, default=7200.0, help="stop after so long")
    parser.add_argument(
        "--within",
        type=float,
        default=math.inf,
        help="run only the quickest tests of each fault that take so many seconds together; what "
        "survives is to be run --again without",
    )
    parser.add_argument("--part", default="0/1", help="K/N: only every N-th fault, from the K-th")
    parser.add_argument("--again", action="store_true", help="run what survived once more")
    parser.add_argument("--only-report", action="store_true")
    options = parser.parse_args()
    package, whole = ROOT / options.package, tuple(options.whole)
    faults = draw(package, whole, options.drawn, options.seed)
    outcome = {str(one["identity"]): str(one["told"]) for one in results_of(options.results)}
    if not options.only_report:
        part, parts = map(int, options.part.split("/"))
        with tempfile.TemporaryDirectory() as folder:
            reached = reach_once(tuple(options.tests), package, Path(folder), options.results)
        due = [
            fault for fault in faults[part::parts]
            if outcome.get(identity(fault), "survived" if options.again else "")
            == ("survived" if options.again else "")
        ]  # fmt: skip
        end_s = time.perf_counter() + options.seconds
        run = _Run(package, reached, options.results, end_s, options.within)
        preload()
        if not options.again:
            quick = [f for f in due if is_in_function(f, package / f"{f.module}.py")]
            run.in_place(quick, tuple(options.tests))
            due = [fault for fault in due if fault not in set(quick)]
        run.anew(due)
        outcome = {str(one["identity"]): str(one["told"]) for one in results_of(options.results)}
    print(report(faults, outcome, whole))


if __name__ == "__main__":
    main()
