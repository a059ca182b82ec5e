"""Fault hunt: given stretches with these faults, what differs is said, and nothing else."""

from pathlib import Path

import numpy as np
import pytest

from pwmscope import analyse, examine
from pwmscope.bench import SheetError, Stretch, load_sheet, parse_sheet, sheet_of, sheet_toml
from pwmscope.errors import ArgumentError
from pwmscope.findings import hunt_faults
from pwmscope.findings.comparison import Change, FaultKind
from pwmscope.model import compare_rates
from pwmscope.synth import Channel, Dwell, Frame, Glitches, Interference, Script, Sine, build

CAPTURE = Path(__file__).parents[2] / "captures" / "fault-hunt.csv.gz"
OFF, ON, PLUG = (
    Stretch("motors off", 0.0, 20.0),
    Stretch("motors on", 20.0, 40.0),
    Stretch("plug of RX2 wiggled", 40.0, 60.0),
)
STRETCHES = """
[[stretch]]
name = "motors off"
from_s = 0
to_s = 20
[[stretch]]
name = "motors on"
from_s = 20
to_s = 40.5
"""


@pytest.fixture(scope="module")
def shipped():
    return analyse(CAPTURE).fault_hunt((OFF, ON, PLUG))


def rate(hunt, line, kind, place):
    return next(r for r in hunt.rows if r.line == line and r.kind is kind).rates[place]


@pytest.mark.parametrize("line", ["RX1", "RX2", "RX3"])
def test_running_motors_freeze_every_line_that_moves(shipped, line):
    found = rate(shipped, line, FaultKind.FREEZE, 1)
    assert found.change is Change.MORE
    assert found.chance < 1e-6
    assert found.interval[0] < found.per_minute < found.interval[1]
    assert rate(shipped, line, FaultKind.FREEZE, 2).change is Change.NONE_SHOWN


def test_the_wiggled_plug_is_the_one_that_glitches(shipped):
    assert rate(shipped, "RX2", FaultKind.GLITCH, 2).count == 28  # as the truth beside it lists
    changed = {row.line for row, _ in shipped.differing if row.kind is FaultKind.GLITCH}
    assert changed == {"RX2"}


def test_a_resting_stick_shows_no_rate_of_freezes(shipped):
    for place in range(3):
        found = rate(shipped, "RX4", FaultKind.FREEZE, place)
        assert found.per_minute is None
        assert found.change in (None, Change.NOT_SHOWN)


def test_no_line_restarts(shipped):
    rates = [r for row in shipped.rows if row.kind is FaultKind.RESTART for r in row.rates]
    assert all(found.count == 0 for found in rates)
    assert not any(found.change is Change.MORE for found in rates)


def test_alike_stretches_seldom_differ():
    """Ninety hunts of alike stretches: each errs with a chance of 5 % at most."""
    rng = np.random.default_rng(5)
    errs = 0
    for _ in range(2000):
        first, second = rng.poisson(6.0, 2)
        errs += compare_rates(int(first), 20.0, int(second), 20.0).chance < 0.05
    assert errs / 2000 < 0.05


def test_a_glitch_rate_that_trebles_differs():
    script = Script(
        120.0,
        1_000_000,
        11,
        Frame(20_000, first_frame_us=4_000),
        (Channel("RX1", (Dwell(1500, 1), Sine(300, 2.1, 118))),),
        glitches=Glitches(per_minute=20.0),
        interferences=(Interference(60.0, 120.0, glitches_per_minute=60.0),),
    )
    built = build(script)
    stretches = (Stretch("before", 0.0, 60.0), Stretch("after", 60.0, 120.0))
    hunt = hunt_faults(examine(built.capture), stretches)
    found = rate(hunt, "RX1", FaultKind.GLITCH, 1)
    at_s = built.truth.channels["RX1"].glitch_rise_ps / 1e12
    assert found.count == pytest.approx(np.count_nonzero(at_s >= 60.0), abs=2)
    assert found.change is Change.MORE
    assert found.ratio.low > 1.0


@pytest.mark.parametrize(
    ("stretches", "said"),
    [
        ((OFF,), "two stretches or more"),
        ((), "two stretches or more"),
        ((OFF, Stretch("motors on", 15.0, 30.0)), "times that do not overlap"),
        ((OFF, Stretch("motors off", 20.0, 30.0)), "a name that no other stretch has"),
        ((OFF, Stretch("motors on", 40.0, 20.0)), "more than from_s"),
        ((OFF, Stretch("motors on", 50.0, 70.0)), "times within"),
    ],
)
def test_stretches_that_contradict_are_refused_in_one_sentence(stretches, said):
    with pytest.raises(ArgumentError, match=said) as raised:
        analyse(CAPTURE).fault_hunt(stretches)
    assert str(raised.value).count("\n") == 0


def test_the_sheet_may_name_the_stretches():
    sheet = parse_sheet(STRETCHES)
    assert sheet.stretches == (Stretch("motors off", 0, 20), Stretch("motors on", 20, 40.5))
    hunt = analyse(CAPTURE, sheet=sheet).fault_hunt()
    assert [stretch.name for stretch in hunt.stretches] == ["motors off", "motors on"]


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("to_s = 20\n", "to_s = -1\n", "stretch 1, to_s: the value is -1, expected a number"),
        (
            "from_s = 20\n",
            "from_s = 12\n",
            "stretch 2, from_s: the value is 12.0, expected",
        ),
        ("from_s = 20\n", "", "stretch 2, from_s: the value is missing"),
        ("from_s = 20\n", "from = 20\n", "stretch 2, from"),
        ('name = "motors on"', 'name = "motors off"', "a name that no other stretch has"),
    ],
)
def test_a_wrong_stretch_of_a_sheet_is_named_with_its_line(old, new, said):
    with pytest.raises(SheetError, match=r"line \d+, ") as raised:
        parse_sheet(STRETCHES.replace(old, new))
    assert said in str(raised.value)


def test_a_sheets_stretches_are_written_as_they_are_read(tmp_path):
    table = {"robot": "Quince", "stretch": [{"name": "off", "from_s": 0, "to_s": 9.5}]}
    path = tmp_path / "bench.toml"
    path.write_text(sheet_toml(table), encoding="utf-8")
    assert load_sheet(path).stretches == sheet_of(table).stretches == (Stretch("off", 0, 9.5),)
