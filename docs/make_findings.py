"""Write docs/findings.md and docs/glossary.md: what findings and words mean.

Run it from the project's folder after a definition changed:

    .venv/bin/python docs/make_findings.py
"""

from __future__ import annotations

from pathlib import Path

from pwmscope.findings import ANALYSERS, definitions
from pwmscope.report.terminal import GLOSSARY

PAGE = Path(__file__).with_name("findings.md")
HEAD = """# Findings

Every answer that pwmscope gives, as `pwmscope measure CAPTURE --explain NAME` explains it. This
page is made by `docs/make_findings.py` from the definitions beside the code; the derivations are
in [methods.md](methods.md).
"""


QUESTIONS = """## Questions

What each question needs, and what makes its answer sharper. `examine` answers at once what is asked
at once; the rest is answered when it is looked at, or by a function of its own.

| question | asked of | when | needs | sharper with | findings |
|---|---|---|---|---|---|
"""


def questions() -> str:
    """Return the table of analysers as Markdown."""
    rows = [
        f"| {row.question} | {row.of} | {row.when} | {', '.join(row.needs)} | "
        f"{', '.join(row.uses)} | {', '.join(each.name for each in row.definitions)} |\n"
        for row in ANALYSERS
    ]
    return QUESTIONS + "".join(rows)


def text() -> str:
    """Return the page as Markdown."""
    parts = [
        f"## {definition.name}\n\n{definition.meaning}\n\n"
        f"- Formula: {definition.formula}\n- Source: {definition.source}\n"
        for definition in definitions().values()
    ]
    return "\n".join([HEAD, questions(), *parts])


GLOSSARY_PAGE = PAGE.with_name("glossary.md")
GLOSSARY_HEAD = """# The words

What the words mean, for one who is new to them. `--explain WORD` says the same on every command
that gives a verdict, without a recording. This page is made by `docs/make_findings.py`.

| word | what it means |
|---|---|
"""


def glossary() -> str:
    """Return the glossary as Markdown."""
    rows = [f"| **{word}** | {said} |\n" for word, said in sorted(GLOSSARY.items(), key=_by_word)]
    return GLOSSARY_HEAD + "".join(rows)


def _by_word(row: tuple[str, str]) -> str:
    return row[0].lower()


if __name__ == "__main__":
    GLOSSARY_PAGE.write_text(glossary(), encoding="utf-8")
    PAGE.write_text(text(), encoding="utf-8")
