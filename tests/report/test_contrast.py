"""The page's colours held against WCAG 2.2: 1.4.3 for words, 1.4.11 for what is drawn.

Contrast by its definition there: (L1 + 0.05) / (L2 + 0.05), L the relative luminance.
"""

import re
from pathlib import Path

import pytest

from pwmscope.plot import PAPER

LOOK = Path(__file__).parents[2] / "pwmscope" / "report" / "templates" / "look.css"
WORDS, DRAWN = 4.5, 3.0
GROUNDS = ("paper", "card", "band")


def luminance(colour):
    digits = colour.removeprefix("#")
    if len(digits) == 3:
        digits = "".join(2 * digit for digit in digits)
    shares = [int(digits[at : at + 2], 16) / 255 for at in (0, 2, 4)]
    red, green, blue = (s / 12.92 if s <= 0.04045 else ((s + 0.055) / 1.055) ** 2.4 for s in shares)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one, other):
    dark, light = sorted((luminance(one), luminance(other)))
    return (light + 0.05) / (dark + 0.05)


def colours():
    text = LOOK.read_text("utf-8")
    blocks = re.findall(r":root \{(.*?)\}", text, re.DOTALL)
    light, dark = (dict(re.findall(r"--(\w+): (#\w+)", block)) for block in blocks[:2])
    assert light.keys() == dark.keys()
    return {"light": light, "dark": dark}


def test_the_definition_gives_its_published_ends():
    """Black on white is 21 to 1, the greatest there is (WCAG 2.2, contrast ratio)."""
    assert contrast("#000", "#ffffff") == pytest.approx(21.0)
    assert contrast("#777777", "#fff") == pytest.approx(4.48, abs=0.01)


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_words_stand_out_from_every_ground(scheme):
    known = colours()[scheme]
    for ground in GROUNDS:
        for word in ("ink", "soft", "good", "bad"):
            assert contrast(known[word], known[ground]) >= WORDS, (word, ground)
    assert contrast(known["warn"], known["warnbg"]) >= WORDS


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_lines_of_drawings_stand_out_from_what_they_lie_on(scheme):
    known = colours()[scheme]
    for ground in GROUNDS:
        for line in ("ink", "soft", "good", "bad"):
            assert contrast(known[line], known[ground]) >= DRAWN, (line, ground)


def test_a_copy_in_black_and_white_keeps_lines_and_words():
    for ground in (PAPER.paper, PAPER.band):
        assert contrast(PAPER.trace, ground) >= WORDS
        assert contrast(PAPER.soft, ground) >= WORDS
    assert contrast(PAPER.limit, PAPER.paper) >= WORDS
