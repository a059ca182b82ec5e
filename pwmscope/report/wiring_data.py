"""The wiring rulings as data: the versioned JSON contract (docs/wiring.schema.json)."""

from __future__ import annotations

from typing import Final

from pwmscope.bench import CAUTIONS, format_key
from pwmscope.bench.wiring import Feed, Ruling, Wiring
from pwmscope.report.data import Json, json_text

SCHEMA: Final = 1


def wiring_data(wiring: Wiring) -> dict[str, Json]:
    """Turn the rulings into plain data, following schema 1."""
    return {
        "schema": SCHEMA,
        "sheet": wiring.sheet.source,
        "robot": wiring.sheet.robot,
        "verdict": wiring.verdict.value,
        "answer": {
            "verdict": wiring.answer.verdict.value,
            "sentence": wiring.answer.sentence,
        },
        "rules": [_ruling(ruling) for ruling in wiring.rulings],
        "sources": [_feed(feed) for feed in wiring.feeds],
        "cautions": list(CAUTIONS),
    }


def wiring_json(wiring: Wiring) -> str:
    """Write the rulings as JSON text, two spaces deep, ending in a line break."""
    return json_text(wiring_data(wiring))


def _ruling(ruling: Ruling) -> dict[str, Json]:
    return {
        "name": ruling.name,
        "verdict": ruling.verdict.value,
        "sentence": ruling.sentence,
        "reason": ruling.reason,
        "advice": ruling.advice,
        "source": ruling.source,
        "at": [format_key(path) for path in ruling.at],
    }


def _feed(feed: Feed) -> dict[str, Json]:
    return {
        "name": feed.said,
        "at": format_key(feed.path),
        "cable": feed.cable,
        "powers_receiver": feed.powers,
        "voltage_v": feed.voltage_v,
        "continuous_a": feed.continuous_a,
    }
