"""The JSON contract: what is written follows the shipped schema, and nulls have reasons."""

import json
import math
from pathlib import Path

import jsonschema
import pytest

from pwmscope import examine, load
from pwmscope.report.data import to_json

ROOT = Path(__file__).parents[2]
SCHEMA = jsonschema.Draft202012Validator(
    json.loads((ROOT / "docs" / "findings.schema.json").read_text())
)
FILES = sorted(path.name for path in (ROOT / "captures").glob("*.csv*"))


def data_of(name, **options):
    hints = {"rate": "500kHz"} if name.startswith("noisy-link") else {}
    findings = examine(load(ROOT / "captures" / name, **hints), **options)
    return json.loads(to_json(findings)), findings


def nulls(value, path=""):
    if value is None:
        yield path
    elif isinstance(value, dict):
        for key, inner in value.items():
            if key != "findings":
                yield from nulls(inner, f"{path}.{key}" if path else key)
    elif isinstance(value, list):
        for i, inner in enumerate(value):
            yield from nulls(inner, f"{path}[{i}]")


def check(data):
    SCHEMA.validate(data)
    for channel in data["channels"].values():
        notes = channel["notes"]
        for path in nulls({k: v for k, v in channel.items() if k != "notes"}):
            assert path in notes or "line" in notes, path


def test_the_schema_is_one():
    SCHEMA.check_schema(SCHEMA.schema)


@pytest.mark.parametrize("name", FILES)
def test_every_shipped_capture_follows_the_schema(name):
    check(data_of(name)[0])


@pytest.mark.parametrize("name", ["holds-last.csv.gz", "preset.csv.gz"])
def test_with_a_marker_too(name):
    check(data_of(name, off_line="tx-on")[0])


def test_the_numbers_are_those_of_the_findings():
    data, findings = data_of("clean-sweep.csv")
    channel, found = data["channels"]["RX2"], findings.channels["RX2"]
    assert channel["pulses"] == found.pulses
    assert channel["neutral_us"] == found.travel.neutral.width_us
    assert channel["endpoints_us"]["high"] == found.travel.high.width_us
    assert channel["jitter_us"]["rms"] == found.timing.width_jitter_us.rms
    assert channel["period_us"]["mean"] == found.timing.period_us.mean
    assert [f["verdict"] for f in channel["findings"]] == [
        f.verdict.value if f.verdict else None for f in found.findings
    ]


def write(tmp_path, text):
    file = tmp_path / "a.csv"
    file.write_text(text)
    return file


def test_an_unknown_sample_interval_is_null_with_its_reason(tmp_path):
    rows = "".join(f"{k * 20e-3:.3f},1\n{k * 20e-3 + 1.5e-3:.4f},0\n" for k in range(8))
    findings = examine(load(write(tmp_path, "time_s,RX1\n-0.001,0\n" + rows)))
    data = json.loads(to_json(findings))
    check(data)
    channel = data["channels"]["RX1"]
    assert data["capture"]["sample_interval_ps"] is None
    assert channel["jitter_us"]["sampling_floor_rms"] is None
    assert "`rate`" in channel["notes"]["jitter_us.sampling_floor_rms"]


def test_three_pulses_give_numbers_or_reasons_and_never_nan(tmp_path):
    text = "time_us,RX1,RX2\n0,0,0\n100,1,1\n1600,0,1\n20100,1,0\n21600,0,0\n40100,1,0\n41600,0,0\n"
    data = json.loads(to_json(examine(load(write(tmp_path, text + "50000,0,0\n")))))
    check(data)
    assert data["channels"]["RX1"]["width_us"]["mean"] == 1500
    assert data["channels"]["RX1"]["endpoints_us"] == {"low": None, "high": None}
    assert data["channels"]["RX2"]["notes"]["line"]

    def walk(value):
        if isinstance(value, dict):
            for inner in value.values():
                walk(inner)
        elif isinstance(value, list):
            for inner in value:
                walk(inner)
        elif isinstance(value, float):
            assert math.isfinite(value)

    walk(data)
