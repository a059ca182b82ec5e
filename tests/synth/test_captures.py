"""The shipped captures are what their scripts build, and hold what their README says."""

import gzip
from pathlib import Path

import numpy as np
import pytest

from pwmscope.synth import build, load_script, write_truth
from pwmscope.synth.files import csv_chunks

FOLDER = Path(__file__).parents[2] / "captures"
NAMES = sorted(path.stem for path in (FOLDER / "scripts").glob("*.toml"))


def shipped(name):
    (path,) = [p for p in FOLDER.iterdir() if p.name in (f"{name}.csv", f"{name}.csv.gz")]
    return path


def shipped_text(name):
    path = shipped(name)
    return gzip.decompress(path.read_bytes()) if path.suffix == ".gz" else path.read_bytes()


@pytest.fixture(scope="module")
def built():
    return {name: build(load_script(FOLDER / "scripts" / f"{name}.toml")) for name in NAMES}


def test_there_are_at_least_six_each_with_script_truth_and_a_place_in_the_readme():
    readme = (FOLDER / "README.md").read_text(encoding="utf-8")
    recordings = {p.name.split(".csv")[0] for p in FOLDER.iterdir() if ".csv" in p.name}
    assert len(NAMES) >= 6
    assert recordings == set(NAMES)
    for name in NAMES:
        assert f"`{shipped(name).name}`" in readme
        assert f"**{name}**" in readme


@pytest.mark.parametrize("name", NAMES)
def test_a_shipped_capture_is_under_2_mb(name):
    assert shipped(name).stat().st_size < 2_000_000


@pytest.mark.parametrize("name", NAMES)
def test_a_shipped_capture_is_built_anew_to_the_last_byte(name, built):
    recording = built[name]
    assert b"".join(csv_chunks(recording, recording.script.shape)) == shipped_text(name)


@pytest.mark.parametrize("name", NAMES)
def test_its_truth_is_built_anew_to_the_last_byte(name, built, tmp_path):
    write_truth(built[name], tmp_path / "truth.json")
    expected = (FOLDER / f"{name}.truth.json").read_bytes()
    assert (tmp_path / "truth.json").read_bytes() == expected


def widths_us(line, *, inverted=False):
    rises, falls = line.rises_ps(inverted=inverted), line.falls_ps(inverted=inverted)
    falls = falls[falls > rises[0]]
    count = min(rises.size, falls.size)
    return rises[:count] / 1e12, (falls[:count] - rises[:count]) / 1e6


def test_clean_sweep_stands_at_neutral_and_both_ends(built):
    for name, low, neutral, high in [
        ("RX1", 1012, 1500, 1988),
        ("RX2", 1010, 1504, 1992),
        ("RX3", 1000, 1000, 2000),
        ("RX4", 1100, 1498, 1900),
    ]:
        at_s, found_us = widths_us(built["clean-sweep"].capture.lines[name])
        assert np.median(found_us[at_s < 5]) == pytest.approx(neutral, abs=0.1)
        for end_us in (low, high):
            there = np.abs(found_us - end_us) < 2
            assert np.count_nonzero(there) > 60
            assert np.median(found_us[there]) == pytest.approx(end_us, abs=0.1)
        assert low - 2 < found_us.min() < found_us.max() < high + 2


def test_noisy_link_passes_both_ends_of_the_convention(built):
    lines = built["noisy-link"].capture.lines
    assert np.count_nonzero(widths_us(lines["RX1"])[1] > 2020) > 60
    low_us = widths_us(lines["RX2"])[1]
    assert np.count_nonzero((low_us > 900) & (low_us < 980)) > 60
    assert all(np.count_nonzero(widths_us(line)[1] < 100) > 4 for line in lines.values())


def test_holds_last_jumps_when_the_link_comes_back(built):
    at_s, found_us = widths_us(built["holds-last"].capture.lines["RX3"])
    assert np.ptp(found_us[(at_s > 7.3) & (at_s < 11.6)]) < 6
    assert np.median(found_us[(at_s > 7.3) & (at_s < 11.6)]) == pytest.approx(1600, abs=0.3)
    assert np.median(found_us[(at_s > 11.65) & (at_s < 12.5)]) == pytest.approx(1000, abs=0.3)


def test_pulses_stop_twice_and_one_line_idles_high(built):
    capture = built["pulses-stop"].capture
    for name, line in capture.lines.items():
        at_s, found_us = widths_us(line, inverted=name == "RX4")
        silent = np.flatnonzero(np.diff(at_s) > 1)
        assert np.round(at_s[silent], 1).tolist() == [5.4, 13.2]
        assert np.round(at_s[silent + 1], 1).tolist() == [9.5, 16.7]
        assert 990 < found_us.min() < found_us.max() < 1660
    assert [line.initial_level for line in capture.lines.values()] == [0, 0, 0, 1]


def test_preset_puts_the_drives_to_neutral_and_the_weapon_low(built):
    lines = built["preset"].capture.lines
    for name, held_us, preset_us in [("RX1", 1700, 1500), ("RX3", 1700, 1000), ("RX4", 1610, 1610)]:
        at_s, found_us = widths_us(lines[name])
        hold = (at_s > 6.22) & (at_s < 7.0)
        settled = (at_s > 7.02) & (at_s < 10.9)
        assert np.median(found_us[hold]) == pytest.approx(held_us, abs=0.3)
        assert np.median(found_us[settled]) == pytest.approx(preset_us, abs=0.3)


def test_unmixed_drive_follows_one_stick_with_each_motor(built):
    lines = built["unmixed-drive"].capture.lines
    found = {name: widths_us(line)[1] for name, line in lines.items()}
    assert np.corrcoef(found["drive-left"], found["stick-elevator"])[0, 1] > 0.99
    assert np.corrcoef(found["drive-right"], found["stick-aileron"])[0, 1] > 0.99
    assert abs(np.corrcoef(found["drive-left"], found["stick-aileron"])[0, 1]) < 0.1
