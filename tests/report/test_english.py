"""The words of the product: short sentences, no phrase of our own invention, easy to read.

Every template in the source is rendered with its longest values, from the source and not from a
run. Of two branches the longer one is taken. A name stands for the longest text that it is ever
given, and a call of a function of the product for the longest that it returns, whatever module it
is in. What is not known before a run (a number, a file's name) is one word.
"""

import ast
import functools
import re
from pathlib import Path
from statistics import median

import click
import pytest
import textstat
from click.testing import CliRunner

from pwmscope.cli import main

ROOT = Path(__file__).parents[2]
PRODUCT = ROOT / "pwmscope"
SHEET = ROOT / "captures" / "bench.toml"
MAX_WORDS = 20
MAX_MEDIAN = 12
BANNED = (
    "told below", "reckons with", "It holds last:", "a frame that is one", "listens to",
    "in the end", "as told", "is none;", "it is no pass", "the same in each",
    "so neither is", "if it is.", "in no time", "one by one in turn", "at the border of",
    "no pulses",
)  # fmt: skip
LISTS = ("Lost at {x} s: ",)
"""What begins so lists facts with commas between them, and is no sentence."""


VALUE = "{x}"
FORMULA_AND_SOURCE = 2
"""From this argument on a `Definition` holds a formula and its source, which are no sentences."""


def sentences(text):
    """Split a text; a text of unknown length at its start is a sentence of its own."""
    parts = re.split(r"(?<=[.?!])\s+|\n+", re.sub(r"^\s*\{x\} (?=[A-Z])", "", text))
    return [part for part in parts if len(part.split()) > 2]


def words(sentence):
    return [word for word in sentence.split() if re.search(r"\w", word)]


def _longest(texts):
    def length(text):
        return max((len(words(sentence)) for sentence in sentences(text)), default=0)

    return max((text for text in texts if text is not None), key=length, default=None)


class Module:
    """The texts of one module."""

    def __init__(self, path):
        self.tree = ast.parse(path.read_text("utf-8"))
        self._above = {
            child: node for node in ast.walk(self.tree) for child in ast.iter_child_nodes(node)
        }
        self.functions = {
            node.name: node for node in ast.walk(self.tree) if isinstance(node, ast.FunctionDef)
        }
        self._known = {None: _assigned(self.tree)}
        self._returns = {}

    def texts(self):
        """Give every text that is no documentation, no formula and no source of one."""
        left_out = {node.value for node in ast.walk(self.tree) if isinstance(node, ast.Expr)}
        for node in ast.walk(self.tree):
            if isinstance(node, ast.Call) and getattr(node.func, "id", "") == "Definition":
                left_out |= self._reached(node.args[FORMULA_AND_SOURCE:])
        for node in ast.walk(self.tree):
            if node in left_out or not isinstance(node, ast.Constant | ast.JoinedStr | ast.BinOp):
                continue
            text = self.render(node)
            if text:
                yield text

    def _reached(self, nodes):
        """Give the nodes in some, and in what the names among them stand for."""
        reached = {inner for node in nodes for inner in ast.walk(node)}
        for name in [node.id for node in reached if isinstance(node, ast.Name)]:
            for value in self._known[None].get(name, []):
                reached |= set(ast.walk(value))
        return reached

    def _values(self, node):
        inside = node
        while inside is not None and not isinstance(inside, ast.FunctionDef):
            inside = self._above.get(inside)
        if inside not in self._known:
            self._known[inside] = _assigned(inside)
        own = self._known[inside].get(node.id)
        return own or self._known[None].get(node.id, [])

    def render(self, node, seen=()):
        """Render the longest text that an expression can be; None where it is no text."""
        if isinstance(node, ast.Constant):
            return node.value if isinstance(node.value, str) else None
        parts = []
        if isinstance(node, ast.JoinedStr):
            parts = [self.render(part, seen) for part in node.values]
        elif isinstance(node, ast.BinOp) and isinstance(node.op, ast.Add):
            parts = [self.render(node.left, seen), self.render(node.right, seen)]
        if parts and (isinstance(node, ast.JoinedStr) or any(part is not None for part in parts)):
            return "".join(part or VALUE for part in parts)
        choices, seen = self._choices(node, seen)
        return _longest([self.render(choice, seen) for choice in choices])

    def _choices(self, node, seen):
        """Give the expressions that one may stand for, and the names seen on the way to them."""
        found = []
        match node:
            case ast.FormattedValue(format_spec=None, value=value) | ast.Subscript(value=value):
                found = [value]
            case ast.BinOp(op=ast.Mult(), left=value):
                found = [value]
            case ast.IfExp():
                found = [node.body, node.orelse]
            case ast.BoolOp(values=values) | ast.Dict(values=values):
                found = values
            case ast.Tuple(elts=values) if seen:
                found = values
            case ast.Name(id=name) if name not in seen:
                found, seen = self._values(node), (*seen, name)
            case ast.Call(func=ast.Attribute(attr="capitalize" | "strip" | "get", value=value)):
                found = [value]
            case ast.Call(func=ast.Name(id=name)) if name in self.functions and name not in seen:
                found = self._returns_of(name)
                seen = (*seen, name)
            case ast.Call(func=ast.Name(id=name)) if name not in seen:
                found = [ast.Constant(said_by(name, (*seen, name)))]
        return found, seen

    def returned(self, name, seen):
        """Give the longest text that a function of the module returns; None where it is no text."""
        return _longest([self.render(value, seen) for value in self._returns_of(name)])

    def _returns_of(self, name):
        """Give the expressions that a function returns, but for several at once."""
        if name not in self._returns:
            inside = ast.walk(self.functions[name])
            found = [each.value for each in inside if isinstance(each, ast.Return) and each.value]
            self._returns[name] = [each for each in found if not isinstance(each, ast.Tuple)]
        return self._returns[name]


@functools.cache
def module_of(path):
    return Module(path)


@functools.cache
def homes():
    """Give each function's modules by its name, which several may have."""
    found = {}
    for module in (module_of(path) for path in FILES if path.suffix == ".py"):
        for name in module.functions:
            found.setdefault(name, []).append(module)
    return found


@functools.cache
def said_by(name, seen):
    """Give the longest phrase that a function of another module returns; None for sentences."""
    own = homes().get(name, [])
    text = own[0].returned(name, seen) if len(own) == 1 else None
    return text if text is not None and len(sentences(text)) < 2 else None


def _assigned(scope):
    """Collect what each name is set to in a scope, without the functions inside it."""
    found, left = {}, list(ast.iter_child_nodes(scope))
    while left:
        node = left.pop()
        if isinstance(node, ast.FunctionDef | ast.Lambda):
            continue
        left += ast.iter_child_nodes(node)
        pairs = []
        if isinstance(node, ast.Assign):
            pairs = [(target, node.value) for target in node.targets]
        elif isinstance(node, ast.AnnAssign) and node.value is not None:
            pairs = [(node.target, node.value)]
        for target, value in pairs:
            if isinstance(target, ast.Tuple) and isinstance(value, ast.Tuple):
                pairs += zip(target.elts, value.elts, strict=False)
            elif isinstance(target, ast.Name):
                found.setdefault(target.id, []).append(value)
    return found


def quoted_texts(path):
    """Give what a page's script or a paper's template says: its texts in quotes."""
    text = re.sub(r"^\s*//.*$|/\*.*?\*/", "", path.read_text("utf-8"), flags=re.MULTILINE)
    for found in re.finditer(r'"((?:[^"\\\n]|\\.)*)"|`([^`]*)`|\[([^\[\]#]+)\]', text):
        yield re.sub(r"\$\{[^}]*\}", VALUE, next(filter(None, found.groups()), ""))


def template_texts(path):
    """Give the words of a page's template, each tag and each block a break, a value one word."""
    text = path.read_text("utf-8")
    text = re.sub(r"\{#.*?#\}|<(style|script)\b.*?</\1>", "\n", text, flags=re.DOTALL)
    text = re.sub(r"\{\{.*?\}\}", VALUE, text, flags=re.DOTALL)
    text = re.sub(r"\{%.*?%\}|<(?!/?(?:b|i|em|strong|code|a|span)\b)[^>]*>", "\n\n", text)
    for block in re.split(r"\n\s*\n", re.sub(r"<[^>]*>", "", text)):
        yield " ".join(block.split())


@functools.cache
def said_in(path):
    """Every sentence of a module or of a page's template."""
    readers = {".py": lambda of: module_of(of).texts(), ".j2": template_texts}
    found = readers.get(path.suffix, quoted_texts)(path)
    every = {sentence for text in found for sentence in sentences(text)}
    return sorted(s for s in every if not s.startswith(("SELECT", *LISTS)))


FILES = sorted(path for kind in ("py", "j2", "typ", "js") for path in PRODUCT.rglob(f"*.{kind}"))
PACKAGES = sorted({path.relative_to(PRODUCT).parts[0] for path in FILES})
"""Packages, and the modules that stand beside them."""


@pytest.mark.parametrize("package", PACKAGES)
def test_no_sentence_is_longer_than_twenty_words(package):
    long = {
        (str(path.relative_to(PRODUCT)), sentence)
        for path in FILES
        if path.is_relative_to(PRODUCT / package)
        for sentence in said_in(path)
        if len(words(sentence)) > MAX_WORDS
    }
    assert long == set()


def test_a_template_is_held_with_its_longest_values(tmp_path):
    module = tmp_path / "told.py"
    module.write_text(
        "END = 'with these seven words at its end'\n"
        "def more(is_long): return 'or these four more' if is_long else 'no'\n"
        "def tell(at, is_long):\n"
        "    far = f'{at:.1f} us far from there' if is_long else 'near'\n"
        "    return f'It lies {far}, {more(is_long)}, ' + END + '.'\n"
    )
    assert max(said_in(module), key=len) == (
        "It lies {x} us far from there, or these four more, with these seven words at its end."
    )


@pytest.mark.parametrize("phrase", BANNED)
def test_no_invented_idiom_is_left(phrase):
    found = [(path.name, s) for path in FILES for s in said_in(path) if phrase in s]
    assert found == []


def test_half_of_the_sentences_have_at_most_twelve_words():
    counts = [len(words(s)) for path in FILES for s in said_in(path) if s.endswith(".")]
    assert len(counts) > 1500
    assert median(counts) <= MAX_MEDIAN


def commands(command, name="pwmscope"):
    yield name, command
    for own, inner in getattr(command, "commands", {}).items():
        yield from commands(inner, f"{name} {own}")


def test_each_command_explains_itself_in_short_sentences():
    """Lists, which have commas or a colon, are not counted."""
    for name, command in commands(main):
        helps = [command.help or "", *(getattr(p, "help", "") or "" for p in command.params)]
        for sentence in (s for text in helps for s in re.split(r"(?<=[.?!])\s+|\n\n", text)):
            is_list = ":" in sentence
            assert is_list or len(words(sentence)) <= MAX_WORDS, (name, sentence)
        assert all(isinstance(p, click.Argument) or p.help for p in command.params), name


def on_screen(*asked):
    return CliRunner().invoke(main, [str(word) for word in asked]).output


EASY = 60
"""Flesch's reading ease of plain English (Flesch 1948), worked out by textstat."""


def reading_ease(text):
    return textstat.flesch_reading_ease(re.sub(r"[^\w\s.,;:']", " ", text))


@pytest.mark.parametrize("capture", ["drill", "holds-last", "preset", "noisy-link"])
def test_the_first_screen_is_easy_to_read(capture):
    file = ROOT / "captures" / f"{capture}.csv.gz"
    more = [] if capture != "noisy-link" else ["--rate", "500kHz"]
    said = on_screen("failsafe", file, "--sheet", SHEET, *more)
    assert reading_ease(" ".join(r for r in said.splitlines() if not r.startswith("  RX"))) >= EASY


@pytest.mark.parametrize(
    "asked", [["measure", ROOT / "captures" / "drill.csv.gz"], ["plan"], ["sheet", "check", SHEET]]
)
def test_the_other_screens_are_easy_to_read(asked):
    more = [] if SHEET in asked else ["--sheet", SHEET]
    assert reading_ease(" ".join(on_screen(*asked, *more).splitlines())) >= EASY


@pytest.mark.parametrize("page", ["quickstart.md", "glossary.md"])
def test_the_pages_to_begin_with_are_easy_to_read(page):
    text = (ROOT / "docs" / page).read_text("utf-8")
    no_prose = r"(?s:```.*?```|<!--.*?-->)|^    .*$|!\[.*?\]\(.*?\)|`.*?`|^#.*$"
    text = re.sub(no_prose, " ", text, flags=re.MULTILINE)
    assert reading_ease(re.sub(r"\]\(.*?\)|[|*-]", " ", text)) >= EASY
