"""Break the failsafe check on purpose, one fault at a time, and count which the tests catch.

Every comparison, number, truth value and branch of the modules named with ``--whole`` is broken,
and ``--drawn`` further faults are drawn by ``--seed`` from the package's other modules. The faults
themselves are those of cosmic-ray, a mutation library. Each runs against the tests that reach its
line (those of a constant, the lines that use it), quickest first, until one fails or their time is
over. One within a function runs in a process forked from one that has the tests collected, into
which the broken function's code is put; any other in a process that loads the broken module anew.

    python tests/benchmarks/deliberate_faults.py --results faults.jsonl --within 3
    python tests/benchmarks/deliberate_faults.py --results faults.jsonl --again

The first tries each fault with its quickest tests; ``--again`` runs what survived once more, with
all its tests, or after tests were added. Stopped and started again with the same file it goes on
where it was; ``--only-report`` prints the table; ``--fresh 30`` runs so many by a fresh import as
well and says where the two ways differ. Which tests reach which line is kept beside the results
until a file changes. A fault keeps its name when lines move, and is drawn by that name, so that
results outlive changes elsewhere. One that changes nothing stands in ``deliberate_faults.toml``
with its reason.
"""

from __future__ import annotations

import argparse
import ast
import contextlib
import copy
import functools
import gc
import hashlib
import importlib
import importlib.abc
import importlib.util
import io
import itertools
import json
import math
import os
import re
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
TESTS = (
    "tests/findings/failsafe", "tests/findings/test_losses.py",
    "tests/findings/test_shipped_captures.py", "tests/findings/test_power_up.py",
    "tests/findings/rotation", "tests/cli/test_failsafe.py", "tests/adversary/test_loss_slice.py",
    "pwmscope/findings/failsafe",
)  # fmt: skip
"""Those that ask about losses; others reach the package only because they examine everything."""
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
LIMIT_S, LIMIT_TIMES = 10.0, 4.0
"""Processor time that the tests of one fault may take: a broken loop may never end."""
MAX_WAIT_S = 600


@dataclass(frozen=True, slots=True)
class Fault:
    """One change of one place: the operator's occurrence within the module, and the line.

    ``place`` counts those of one operator in lines of one text.
    """

    module: str
    operator: str
    occurrence: int
    line: int
    text: str
    place: int

    @property
    def key(self) -> str:
        """Name it so that it is found again after lines have moved."""
        return f"{self.module}|{self.operator.split('/')[1]}|{self.text}"

    @property
    def identity(self) -> str:
        """Name it among those of its line."""
        return f"{self.key}|{self.place}"


@functools.cache
def _changes(path: Path) -> tuple[tuple[str, tuple[int, int], tuple[int, int], str], ...]:
    """Find every place of a module that an operator can break: its name, begin, end, new code."""
    from cosmic_ray.ast import get_ast  # noqa: PLC0415 - only this command needs it
    from cosmic_ray.plugins import get_operator  # noqa: PLC0415

    operators = {name: get_operator(name)() for name in OPERATORS}
    found, waiting = [], [get_ast(path.read_text())]
    while waiting:
        node = waiting.pop()
        waiting += reversed(getattr(node, "children", ()))
        for name, operator in operators.items():
            for k, _ in enumerate(operator.mutation_positions(node)):
                own = copy.deepcopy(node, {id(node.parent): node.parent})
                new = operator.mutate(own, k).get_code(include_prefix=False)
                found.append((name, node.start_pos, node.end_pos, new))
    return tuple(found)


def faults_of(path: Path) -> list[Fault]:
    """List every fault that a module can be given."""
    lines, seen, found = path.read_text().split("\n"), Counter[tuple[str, str]](), []
    for k, (name, (line, _), _, _) in enumerate(_changes(path)):
        text = lines[line - 1].strip()
        is_star = name.endswith("Mul_Div") and "*," in text  # of a signature, no product
        is_check = name.endswith("TrueWithFalse") and "strict=True" in text  # as an assertion is
        is_frozen = text.startswith("@dataclass")  # frozen, slots: no behaviour
        if not (is_star or is_check or is_frozen):
            found.append(Fault(path.stem, name, k, line, text, seen[name, text]))
            seen[name, text] += 1
    return found


def mutated(fault: Fault, path: Path) -> str:
    """Return the module's source with the fault in it."""
    _, (begin, begin_at), (end, end_at), new = _changes(path)[fault.occurrence]
    lines = path.read_text().split("\n")
    before = [*lines[: begin - 1], lines[begin - 1][:begin_at]]
    after = [lines[end - 1][end_at:], *lines[end:]]
    return "\n".join(before) + new + "\n".join(after)


def draw(package: Path, whole: tuple[str, ...], drawn: int, seed: int) -> list[Fault]:
    """Take all faults of some modules, and a number of others by a seed."""
    every = {path.stem: faults_of(path) for path in sorted(package.glob("*.py"))}
    missing = [stem for stem in whole if stem not in every]
    if missing:
        raise SystemExit(f"There is no module {missing[0]} in {package}; it has {sorted(every)}.")
    must = [fault for stem in whole for fault in every[stem]]
    rest = [fault for stem, own in every.items() if stem not in whole for fault in own]
    rest.sort(key=lambda fault: hashlib.sha256(f"{seed} {fault.identity}".encode()).digest())
    return must + rest[:drawn]


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
    """Take which tests reach which line from an earlier run, of the files that have not changed."""
    files = [path for name in tests for path in sorted((ROOT / name).rglob("*.py"))]
    files += [ROOT / name for name in tests if name.endswith(".py")]
    asked = [path for path in files if package in path.parents or path.name.startswith("test_")]
    below = hashlib.sha256()
    for path in sorted({*(ROOT / "pwmscope").rglob("*.py"), *(ROOT / "tests").rglob("*.py")}):
        if not path.name.startswith("test_") and path.parent != HARMLESS.parent:
            below.update(path.read_bytes())
    digests = {
        str(path.relative_to(ROOT)): hashlib.sha256(below.digest() + path.read_bytes()).hexdigest()
        for path in asked
    }
    kept = results.with_suffix(".reach.json")
    earlier = json.loads(kept.read_text()) if kept.exists() else {"digests": {}}
    changed = [name for name, own in digests.items() if earlier["digests"].get(name) != own]
    if not changed:
        return earlier
    reached = reach(tuple(changed), package, folder)

    def is_kept(test: str) -> bool:
        name = test.split("::", maxsplit=1)[0]
        return name in digests and name not in changed

    for module, lines in earlier.get("lines", {}).items():
        for line, names in lines.items():
            own = reached["lines"].setdefault(module, {})
            own[int(line)] = sorted({*own.get(int(line), ()), *filter(is_kept, names)})
    times = earlier.get("times", {})
    reached["times"] |= {name: took_s for name, took_s in times.items() if is_kept(name)}
    reached["checked"] = list(filter(is_kept, earlier.get("checked", ())))
    kept.write_text(json.dumps(reached | {"digests": digests}))
    return json.loads(kept.read_text())


def tests_for(
    fault: Fault, package: Path, reached: dict[str, object], within_s: float
) -> list[str]:
    """Name the tests that reach a line, quickest first, as many as take so long together.

    A constant is reached by those that reach a line that names it. Any other line that runs while
    the module is imported is reached by all tests of the module.
    """
    own = reached["lines"].get(fault.module, {})
    names = own.get(str(fault.line)) or _tests_of_constant(fault, package, reached)
    names = names or sorted({name for tests in own.values() for name in tests})
    times = reached["times"]
    ordered = sorted((name for name in names if name in times), key=times.__getitem__)
    took_s = itertools.accumulate(times[name] for name in ordered)
    return [name for name, until_s in zip(ordered, took_s, strict=True) if until_s <= within_s]


def _tests_of_constant(fault: Fault, package: Path, reached: dict[str, object]) -> list[str]:
    constant = re.match(r"(\w+)(: Final.*)? = ", fault.text)
    if constant is None:
        return []
    found: set[str] = set()
    for path in package.glob("*.py"):
        for number, line in enumerate(path.read_text().split("\n"), start=1):
            if re.search(rf"\b{constant[1]}\b", line):
                found.update(reached["lines"].get(path.stem, {}).get(str(number), ()))
    return sorted(found)


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


PYTEST = (
    "-q", "-p", "no:cacheprovider", "-o", "addopts=", "--doctest-modules",
    "-W", "ignore::pytest.PytestAssertRewriteWarning", "--import-mode=importlib",
)  # fmt: skip


class _Chosen:
    """A pytest plugin that runs named tests in their order until one fails."""

    def __init__(self, do: Callable[[_Chosen], None]) -> None:
        self.do, self.items, self.has_failed = do, {}, False

    def pytest_runtestloop(self, session: object) -> bool:
        self.items = {item.nodeid: item for item in session.items}
        self.do(self)
        return True

    def pytest_runtest_logreport(self, report: object) -> None:
        self.has_failed |= report.failed

    def run(self, tests: list[str]) -> bool:
        """Say whether all of them pass."""
        items = [self.items[test] for test in tests if test in self.items]
        for item, after in itertools.pairwise([*items, None]):
            item.ihook.pytest_runtest_protocol(item=item, nextitem=after)
            if self.has_failed:
                return False
        return True


def in_fork(do: Callable[[], bool], limit_s: float) -> str:
    """Run something in a forked process; return survived (it was true), caught, or late."""
    child = os.fork()
    if child == 0:
        code = 1
        with contextlib.suppress(BaseException):
            signal.setitimer(signal.ITIMER_PROF, limit_s)
            signal.alarm(MAX_WAIT_S)
            sink = os.open(os.devnull, os.O_WRONLY)
            os.dup2(sink, 1)
            os.dup2(sink, 2)
            code = 0 if do() else 1
        os._exit(code)
    return _told(os.waitpid(child, 0)[1])


def run_fresh(name: str, source: str, path: Path, tests: list[str]) -> bool:
    """Load a broken module anew, and say whether the tests pass."""
    import pytest  # noqa: PLC0415

    sys.meta_path.insert(0, _Broken(name, path, source))
    passed: list[bool] = []
    chosen = _Chosen(lambda plugin: passed.append(plugin.run(tests)))
    files = sorted({test.split("::")[0] for test in tests})
    return pytest.main([*PYTEST, *files], plugins=[chosen]) == 0 and passed == [True]


def _told(status: int) -> str:
    if os.WIFSIGNALED(status):
        late = os.WTERMSIG(status) in (signal.SIGALRM, signal.SIGPROF)
        return "late" if late else "caught"
    return "caught" if os.WEXITSTATUS(status) else "survived"


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
        told = outcome.get(fault.identity, "not run")
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
    survivors = [f for f in faults if outcome.get(f.identity) == "survived" and f.key not in known]
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

        def go_through(plugin: _Chosen) -> None:
            gc.collect()
            gc.freeze()  # forks then share the pages of what was loaded
            self._check(plugin, faults)
            for fault in faults:

                def run(name: str, source: str, path: Path, names: list[str]) -> bool:
                    put_in(name, source, path)
                    return plugin.run(names)

                self._one(fault, run)

        with Path(os.devnull).open("w") as sink, contextlib.redirect_stdout(sink):
            pytest.main([*PYTEST, *tests], plugins=[_Chosen(go_through)])
        os._exit(0)

    def _check(self, plugin: _Chosen, faults: list[Fault]) -> None:
        """Run the tests in place without any fault, once for each state of them."""
        known = set(self.reached.get("checked", ()))
        used = {name for fault in faults for name in self._tests(fault)} - known
        if not used:
            return
        path = self.package / f"{WHOLE[0]}.py"

        def run() -> bool:
            put_in(self._name(WHOLE[0]), path.read_text(), path)
            return plugin.run(sorted(used))

        if in_fork(run, 3600.0) != "survived":
            os._exit(1)
        kept = self.results.with_suffix(".reach.json")
        kept.write_text(json.dumps(self.reached | {"checked": sorted(used | known)}))

    def fresh(self, faults: list[Fault]) -> None:
        """Load each broken module anew."""
        for fault in faults:
            self._one(fault, run_fresh)

    def _tests(self, fault: Fault) -> list[str]:
        return tests_for(fault, self.package, self.reached, self.within_s)

    def _name(self, module: str) -> str:
        name = ".".join((*self.package.relative_to(ROOT).parts, module))
        return name.removesuffix(".__init__")

    def _one(self, fault: Fault, run: Callable[[str, str, Path, list[str]], bool]) -> None:
        if time.perf_counter() > self.end_s:
            return
        tests, begin_s = self._tests(fault), time.perf_counter()
        path = self.package / f"{fault.module}.py"
        source = mutated(fault, path)
        limit_s = LIMIT_S + LIMIT_TIMES * sum(self.reached["times"][name] for name in tests)
        name = self._name(fault.module)
        told = in_fork(lambda: run(name, source, path, tests), limit_s) if tests else "survived"
        took_s = round(time.perf_counter() - begin_s, 2)
        row = {"identity": fault.identity, "told": told, "tests": len(tests), "s": took_s}
        with self.results.open("a") as file:
            file.write(json.dumps(row | asdict(fault)) + "\n")


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
    parser.add_argument("--only", nargs="*", help="go on with the faults of these modules alone")
    parser.add_argument("--again", action="store_true", help="run what survived once more")
    parser.add_argument("--fresh", type=int, help="run so many known ones by a fresh import")
    parser.add_argument("--only-report", action="store_true")
    options = parser.parse_args()
    os.environ["CI"] = "true"  # hypothesis then draws the same examples each time
    package, whole = ROOT / options.package, tuple(options.whole)
    faults = draw(package, whole, options.drawn, options.seed)
    outcome = {str(one["identity"]): str(one["told"]) for one in results_of(options.results)}
    if not options.only_report:
        part, parts = map(int, options.part.split("/"))
        with tempfile.TemporaryDirectory() as folder:
            reached = reach_once(tuple(options.tests), package, Path(folder), options.results)
        wanted = "survived" if options.again else ""
        due = [f for f in faults[part::parts] if outcome.get(f.identity, wanted) == wanted]
        due = [f for f in due if not options.only or f.module in options.only]
        end_s = time.perf_counter() + options.seconds
        preload()
        quick = [f for f in due if is_in_function(f, package / f"{f.module}.py")]
        if options.fresh:
            _compare(faults, outcome, options, reached)
            return
        run = _Run(package, reached, options.results, end_s, options.within)
        run.in_place(quick, tuple(options.tests))
        run.fresh([fault for fault in due if fault not in set(quick)])
        outcome = {str(one["identity"]): str(one["told"]) for one in results_of(options.results)}
    print(report(faults, outcome, whole))


def _compare(
    faults: list[Fault],
    outcome: dict[str, str],
    options: argparse.Namespace,
    reached: dict[str, object],
) -> None:
    """Run some faults within functions by a fresh import, and say which are told otherwise."""
    package = ROOT / options.package
    known = [
        fault for fault in faults
        if fault.identity in outcome and is_in_function(fault, package / f"{fault.module}.py")
    ]  # fmt: skip
    known.sort(key=lambda fault: hashlib.sha256(fault.identity.encode()).digest())
    with tempfile.TemporaryDirectory() as folder:
        told = Path(folder) / "fresh.jsonl"
        end_s = time.perf_counter() + options.seconds
        _Run(package, reached, told, end_s, options.within).fresh(known[: options.fresh])
        fresh = {str(one["identity"]): str(one["told"]) for one in results_of(told)}
    differ = [
        name for name, one in fresh.items()
        if (one == "survived") != (outcome[name] == "survived")
    ]  # fmt: skip
    print(f"{len(fresh)} by a fresh import as well; {len(differ)} told otherwise")
    print("\n".join(f"{outcome[name]} in place, {fresh[name]} fresh: {name}" for name in differ))


if __name__ == "__main__":
    main()
