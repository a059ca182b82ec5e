"""Findings: one without a limit neither spoils nor makes a verdict."""

from pwmscope.model import Finding, Verdict, measured, not_shown, worst

MEETS = Finding("neutral", 1500.0, "us", 0.1, "1500 us", Verdict.MEETS, (), "Neutral is there.")
BREAKS = Finding("neutral", 1600.0, "us", 0.1, "1500 us", Verdict.DOES_NOT_MEET, (), "It is off.")
UNSEEN = not_shown("neutral", "us", "The stick never stood there.", limit="1500 us")
SKEW = measured("skew", 2.4, "us", "RX2 starts 2.4 us after RX1.")
NO_SKEW = not_shown("skew", "us", "There is only one line.")


def test_what_has_no_limit_does_not_count():
    assert worst((MEETS, SKEW, NO_SKEW)) is Verdict.MEETS
    assert worst((UNSEEN, SKEW)) is Verdict.NOT_SHOWN
    assert worst((MEETS, UNSEEN, BREAKS, NO_SKEW)) is Verdict.DOES_NOT_MEET
    assert worst((SKEW, NO_SKEW)) is Verdict.NOT_SHOWN
