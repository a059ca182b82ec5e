"""Markdown says what the page says, and no name in it becomes markup."""

import html
import re

import pytest
from hypothesis import given
from hypothesis import strategies as st
from markdown_it import MarkdownIt

from pwmscope.report.document import (
    Device,
    Document,
    Front,
    Item,
    Items,
    Look,
    Paragraph,
    Run,
    Section,
    Table,
    document_markdown,
)

HOSTILE = (
    "<script>alert(1)</script>",
    "[here](http://example.org)",
    "![x](y.png)",
    "https://example.org www.example.org a@example.org",
    "a | b || c",
    "`code` ~~gone~~ **bold** _slanted_",
    "&lt;b&gt; &#60;",
    "# heading",
    "- item",
    "+ item",
    "7. item",
    "> quote",
    "\\",
    "---",
    "$\\frac{1}{2}$",
)

TAGS = {"h1", "h2", "p", "ul", "li", "strong", "ol", "table", "thead", "tbody", "tr", "th", "td"}


def document_of(text):
    words = (Run(text),)
    strong = (Run(text, Look.STRONG), Run(" and "), Run(text, Look.NAME))
    blocks = (
        Paragraph(words),
        Items((Item(words, strong), Item((), words))),
        Items((Item(words, words),), wide=True),
        Table("caption", ("what", "value"), ((words, strong), (words,)), (1, 1)),
    )
    device = Device(text, text, "meets", "", "", text, text, text, "", text, 0)
    front = Front(text, "meets", text, (text,), (device,), (text,), (text,), (text,), (text,))
    return Document(text, text, (text,), "", "0", front, (Section("a", words, blocks),))


def shown(markdown):
    """Render by the CommonMark reference rules with tables and strike-through."""
    reader = MarkdownIt("commonmark").enable(["table", "strikethrough"])
    return reader.render(markdown)


@pytest.mark.parametrize("text", HOSTILE)
def test_a_hostile_name_is_shown_as_it_is(text):
    page = shown(document_markdown(document_of(text)))
    assert set(re.findall(r"<(\w+)", page)) <= TAGS
    assert page.count("<tr>") == 3
    assert page.count("<li>") == 7
    plain = html.unescape(re.sub(r"<[^>]*>", "", page))
    assert plain.count(text) == 25


@given(st.text(st.characters(codec="utf-8", exclude_categories=["C", "Z"]), min_size=1))
def test_any_name_is_shown_as_it_is(text):
    page = shown(document_markdown(document_of(text)))
    assert html.unescape(re.sub(r"</?\w+>", "", page)).count(text) >= 14
    assert page.count("<td>") == 4
