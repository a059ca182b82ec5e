"""Who imports whom in pwmscope, by every form of import: the edges that the house's tests walk."""

import ast
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path

ROOT = Path(__file__).parents[1]
HOUSE = "pwmscope"


@dataclass(frozen=True, slots=True)
class Import:
    """One module named in another one."""

    importer: str
    target: str
    line: int
    is_lazy: bool
    """Whether it stands inside a function, under TYPE_CHECKING or in a string."""


def find_modules(root: Path = ROOT, house: str = HOUSE) -> dict[str, Path]:
    """Every module of the house by its dotted name; a package is called by its folder."""
    paths = sorted((root / house).rglob("*.py"))
    return {dotted(path, root): path for path in paths}


def dotted(path: Path, root: Path = ROOT) -> str:
    parts = path.relative_to(root).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


def folder_of(module: str, modules: dict[str, Path]) -> str:
    """The package in which a module lies; a package's own face lies in itself."""
    path = modules.get(module)
    if path is not None and path.name == "__init__.py":
        return module
    return module.rpartition(".")[0]


def imports_of(
    importer: str, path: Path, modules: dict[str, Path], house: str = HOUSE
) -> Iterator[Import]:
    """All modules of the house that a file names, in statements or in strings."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    package = folder_of(importer, modules)
    top_level = {id(node) for node in tree.body}
    for node in ast.walk(tree):
        for name in _names(node, package, modules, house):
            target = _known(name, modules)
            if target is not None and target != importer:
                is_lazy = id(node) not in top_level
                yield Import(importer, target, getattr(node, "lineno", 0), is_lazy)


def _names(node: ast.AST, package: str, modules: dict[str, Path], house: str) -> Iterator[str]:
    if isinstance(node, ast.Import):
        yield from (alias.name for alias in node.names)
    elif isinstance(node, ast.ImportFrom):
        base = node.module or ""
        if node.level:
            above = package.split(".")[: len(package.split(".")) - node.level + 1]
            base = ".".join([*above, *([node.module] if node.module else [])])
        for alias in node.names:
            inner = f"{base}.{alias.name}"
            is_on_face = base in modules and alias.name in _face_of(modules[base])
            yield inner if inner in modules and not is_on_face else base
    elif isinstance(node, ast.Call) and _is_import_call(node.func):
        for argument in node.args[:1]:
            yield from _strings(argument, package, house)


@cache
def _face_of(path: Path) -> frozenset[str]:
    """The names that a package's own file offers; one may be called like a module in it."""
    for node in ast.parse(path.read_text(encoding="utf-8")).body:
        if isinstance(node, ast.Assign) and ast.unparse(node.targets[0]) == "__all__":
            return frozenset(ast.literal_eval(node.value))
    return frozenset()


def _is_import_call(function: ast.expr) -> bool:
    name = function.attr if isinstance(function, ast.Attribute) else getattr(function, "id", "")
    return name in ("import_module", "__import__", "find_spec", "lazy_load")


def _strings(argument: ast.expr, package: str, house: str) -> Iterator[str]:
    if isinstance(argument, ast.Constant) and isinstance(argument.value, str):
        text = argument.value
        yield package + text if text.startswith(".") else text
    elif isinstance(argument, ast.JoinedStr):
        # What a format string names is known up to its first field.
        first = argument.values[0]
        if isinstance(first, ast.Constant) and str(first.value).startswith(house):
            yield str(first.value).rstrip(".")


def _known(name: str, modules: dict[str, Path]) -> str | None:
    """The longest beginning of a dotted name that is a module of the house."""
    while name:
        if name in modules:
            return name
        name = name.rpartition(".")[0]
    return None


def circles(edges: dict[str, set[str]]) -> list[tuple[str, ...]]:
    """Groups of nodes that reach each other (strongly connected, more than one), sorted."""
    order: list[str] = []
    seen: set[str] = set()

    def visit(start: str, graph: dict[str, set[str]], into: list[str]) -> None:
        stack = [(start, iter(sorted(graph.get(start, ()))))]
        seen.add(start)
        while stack:
            node, following = stack[-1]
            ahead = next((n for n in following if n not in seen), None)
            if ahead is None:
                stack.pop()
                into.append(node)
            else:
                seen.add(ahead)
                stack.append((ahead, iter(sorted(graph.get(ahead, ())))))

    nodes = sorted({*edges, *(t for targets in edges.values() for t in targets)})
    for node in nodes:
        if node not in seen:
            visit(node, edges, order)
    backwards: dict[str, set[str]] = {}
    for node, targets in edges.items():
        for target in targets:
            backwards.setdefault(target, set()).add(node)
    seen.clear()
    found = []
    for node in reversed(order):
        if node not in seen:
            group: list[str] = []
            visit(node, backwards, group)
            if len(group) > 1:
                found.append(tuple(sorted(group)))
    return sorted(found)
