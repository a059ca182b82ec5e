"""Naming: given outputs made from this matrix, this arrangement is named, or not shown and why."""

import itertools

import numpy as np
import pytest

from pwmscope.findings.mixing import DEFINITIONS, examine_mixing
from pwmscope.findings.mixing.arrangement import SINGLE, WANTED, Fault, Kind, apply, explanations
from pwmscope.findings.mixing.fit import MAX_FRAMES, enough
from pwmscope.model import Verdict

MIXED, UNMIXED = np.array(WANTED), np.array(SINGLE)
AXES = ((1, 0), (-1, 0), (0, -1), (0, 1))


def named(bench, **options):
    return examine_mixing(bench.tables, bench.lines, **options)


NAMES = {
    "mixed": 0.5 * MIXED,
    "mixed, outputs swapped": 0.5 * MIXED[::-1],
    "mixed, left output reversed": 0.5 * MIXED * [[-1], [1]],
    "mixed, right output reversed": 0.5 * MIXED * [[1], [-1]],
    "mixed, both outputs reversed": -0.5 * MIXED,
    "mixed, elevator reversed": 0.5 * MIXED * [[-1, 1]],
    "unmixed": UNMIXED,
    "unmixed, outputs swapped": UNMIXED[::-1],
    "unmixed, left output reversed": UNMIXED * [[-1], [1]],
    "unmixed, both outputs reversed": -UNMIXED,
    "both outputs alike": np.array([[1, 0], [-1, 0]]),
    "left output follows neither stick": np.array([[0, 0], [1, 0]]),
    "no known arrangement": np.array([[1, 1], [1, 0]]) / 2,
}


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("source", ["sticks", "plan"])
def test_each_arrangement_has_its_name(make_bench, name, source):
    bench = make_bench(NAMES[name])
    found = named(bench) if source == "sticks" else examine_mixing(
        bench.tables, bench.without_sticks, spans=bench.spans
    )  # fmt: skip
    assert found.arrangement.name == name
    assert found.verdict is (Verdict.MEETS if name == "mixed" else Verdict.DOES_NOT_MEET)


def test_names_that_make_the_same_outputs_are_told_together(make_bench):
    assert named(make_bench(NAMES["mixed, right output reversed"])).arrangement.also == (
        "mixed, elevator and aileron swapped",
    )
    assert "mixed twice" in named(make_bench(UNMIXED)).arrangement.also
    assert "unmixed, elevator and aileron swapped" in named(
        make_bench(UNMIXED[::-1])
    ).arrangement.also  # fmt: skip


@pytest.mark.parametrize("base", [WANTED, SINGLE])
def test_the_fewest_faults_explain_every_way_to_swap_and_reverse(base):
    for faults in itertools.chain.from_iterable(
        itertools.combinations(Fault, count) for count in range(len(Fault) + 1)
    ):
        pattern = apply(faults, base)
        told = explanations(pattern, base)
        assert told
        assert all(apply(found, base) == pattern and len(found) <= len(faults) for found in told)


def test_unmixed_does_what_builders_see(make_bench):
    """Common practice: left on the elevator and right on the aileron, unmixed."""
    found = named(make_bench(UNMIXED))
    motions = {response.stick: response.motion for response in found.responses}
    assert motions["forward"] == "turns right (left side forward, right side still)"
    assert motions["forward-right"] == "drives straight forward"
    assert "this is what unmixed looks like; turn mixing on in exactly one place" in (
        found.findings[0].sentence
    )


def test_the_matrix_lies_within_its_uncertainty(make_bench):
    truth = np.array([[0.61, 0.37], [0.58, -0.43]])
    for seed in range(20):
        fit = named(make_bench(truth, seed=seed, noise_us=3.0)).fit
        assert np.all(np.abs(fit.matrix - truth) <= 3 * fit.uncertainty)
        assert fit.uncertainty.max() < 0.02


def test_clipped_corners_do_not_bend_the_matrix(make_bench):
    fit = named(make_bench(0.9 * MIXED, end=0.8, extent=1.0)).fit
    assert np.all(np.abs(fit.matrix - 0.9 * MIXED) <= 3 * fit.uncertainty)
    for output in fit.outputs:
        assert output.high_us == pytest.approx(1900.0, abs=1.0)
        assert output.low_us == pytest.approx(1100.0, abs=1.0)


def test_where_the_corners_clip_is_told(make_bench):
    found = named(make_bench(0.9 * MIXED, end=0.8, extent=1.0))
    corner = next(f for f in found.findings if f.name == "clipped corners")
    assert corner.value == pytest.approx(100 * 0.8 / 1.8, abs=0.5)
    assert found.verdict is Verdict.MEETS


@pytest.mark.parametrize("gain", [0.8, 1.25])
def test_unequal_gains_are_told_with_their_size(make_bench, gain):
    found = named(make_bench(0.5 * MIXED * [[1], [gain]]))
    balance = next(f for f in found.findings if f.name == "gain balance")
    assert found.arrangement.name == "mixed"
    assert balance.verdict is Verdict.DOES_NOT_MEET
    assert abs(balance.value - 100 * (gain - 1)) <= 3 * balance.uncertainty
    assert balance.uncertainty < 1.0


@pytest.mark.parametrize("delay", [0, 1, 2, 3])
def test_the_delay_is_found_to_a_frame(make_bench, delay):
    found = named(make_bench(0.5 * MIXED, delay=delay))
    assert found.fit.samples.delay_frames == delay
    assert np.all(np.abs(found.fit.matrix - 0.5 * MIXED) <= 3 * found.fit.uncertainty)


def mixer_before_a_mixer(stick):
    return np.clip(stick @ MIXED, -1.0, 1.0) @ MIXED.T * 0.5


def test_two_mixers_in_a_row_show_by_the_clipping_of_the_first(make_bench):
    found = named(make_bench(None, through=mixer_before_a_mixer, extent=1.0))
    assert found.arrangement.name == "mixed twice"
    assert found.verdict is Verdict.DOES_NOT_MEET


def test_two_mixers_are_shown_by_a_plan_and_the_channels_between_them(make_bench):
    bench = make_bench(None, around=AXES, through=mixer_before_a_mixer)
    pins = make_bench(0.5 * MIXED, around=AXES).tables
    tables = bench.tables | {"pin-e": pins["RX1"], "pin-a": pins["RX2"]}
    alone = examine_mixing(tables, bench.without_sticks, spans=bench.spans)
    assert (alone.arrangement.name, alone.arrangement.kind) == ("unmixed", Kind.UNMIXED)
    both = examine_mixing(tables, bench.lines, spans=bench.spans)
    assert both.arrangement.name == "mixed twice"
    assert both.assumptions[:2] == (
        "From the hands to the stick channels: mixed.",
        "From the stick channels to the outputs: mixed.",
    )


def test_a_plan_and_the_channels_between_rule_out_two_mixers(make_bench):
    bench = make_bench(UNMIXED, around=AXES)
    found = examine_mixing(bench.tables, bench.lines, spans=bench.spans)
    assert found.arrangement.name == "unmixed"
    assert "mixed twice" not in found.arrangement.also


def test_every_finding_is_defined(make_bench):
    defined = {definition.name for definition in DEFINITIONS}
    for bench in (make_bench(UNMIXED), make_bench(MIXED)):
        assert {finding.name for finding in named(bench).findings} == defined


TABLE = {
    "mixed": ("drives straight forward", "turns right on the spot"),
    "mixed, outputs swapped": ("drives straight forward", "turns left on the spot"),
    "mixed, left output reversed": ("turns left on the spot", "drives straight back"),
    "mixed, right output reversed": ("turns right on the spot", "drives straight forward"),
    "mixed, both outputs reversed": ("drives straight back", "turns left on the spot"),
    "mixed, elevator reversed": ("drives straight back", "turns right on the spot"),
}


@pytest.mark.parametrize("name", TABLE)
def test_the_robot_does_what_the_table_in_the_docs_says(make_bench, name):
    motions = {r.stick: r.motion for r in named(make_bench(NAMES[name])).responses}
    assert (motions["forward"], motions["right"]) == TABLE[name]


def test_a_long_recording_keeps_its_few_moves():
    stick = np.zeros((1_000_000, 2))
    stick[500_000:500_300, 0] = stick[700_000:700_300, 1] = 0.5
    kept = enough(stick)
    assert kept.size <= MAX_FRAMES
    assert np.count_nonzero(stick[kept, 0]) == 300
    assert np.count_nonzero(stick[kept, 1]) == 300
    assert np.array_equal(enough(stick[:900]), np.arange(900))
