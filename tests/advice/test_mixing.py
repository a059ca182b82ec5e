"""Advice on mixing: given this fault, this change; applied to the truth, it is the wanted mix."""

import itertools
from dataclasses import replace

import numpy as np
import pytest

from pwmscope.advice.mixing import advise_mixing, changed_samples
from pwmscope.findings.mixing import SINGLE, WANTED, Travel, examine_mixing

MIXED = 0.5 * np.array(WANTED)
UNMIXED = np.array(SINGLE)


def advised(bench):
    return advise_mixing(examine_mixing(bench.tables, bench.lines))


def kinds(way):
    return [change.kind for change in way.by_effort]


def applied(way, matrix):
    for change in way.changes:
        matrix = change.at_outputs @ matrix @ change.at_sticks
    return matrix


def test_nothing_to_change(make_bench):
    assert advised(make_bench(MIXED)) == ()


def test_swapped_outputs_take_two_plugs(make_bench):
    (best,) = advised(make_bench(MIXED[::-1]))
    assert kinds(best) == ["swap plugs"]
    assert [change.words for change in best.changes] == ["Swap the two drive plugs, RX1 and RX2."]


def test_a_reversed_output_takes_one_reversal(make_bench):
    best = advised(make_bench(MIXED * [[-1], [1]]))[0]
    assert kinds(best) == ["reverse channel"]
    assert best.changes[0].words.startswith("Reverse the left output (RX1)")


def test_unmixed_takes_mixing_in_one_place(make_bench):
    (best,) = advised(make_bench(UNMIXED))
    assert kinds(best) == ["mixing on"]
    assert best.changes[0].place == "transmitter"
    assert "in exactly one place" in best.changes[0].words
    assert "converter's inputs too" in best.changes[0].words  # Mixed twice looks the same.
    motions = {response.stick: response.motion for response in best.proof.responses}
    assert motions["forward"] == "drives straight forward"
    assert motions["right"] == "turns right on the spot"


def test_mixed_twice_takes_one_mixer_off(make_bench):
    def two_mixers(stick):
        return np.clip(2 * stick @ MIXED, -1.0, 1.0) @ MIXED.T

    bench = make_bench(None, through=two_mixers, extent=1.0)
    best = advised(bench)[0]
    assert kinds(best) == ["mixing off"]
    assert best.proof.name == "mixed"


@pytest.mark.parametrize("base", [MIXED, UNMIXED], ids=["mixed", "unmixed"])
def test_every_advice_makes_the_true_matrix_the_wanted_mix(make_bench, base):
    for order, signs in itertools.product((1, -1), itertools.product((1, -1), repeat=2)):
        matrix = np.diag(signs) @ base[::order]
        for way in advised(make_bench(matrix)):
            assert way.needed
            assert way.proof.works
            made = applied(way, matrix)
            assert np.array_equal(np.sign(made), WANTED)
            np.testing.assert_allclose(np.abs(made), np.abs(made[0, 0]), rtol=0.02)


def test_each_place_has_a_proof_of_its_own(make_bench):
    """A transmitter mixes before the reversed pin, a converter behind it."""
    rng = np.random.default_rng(3)
    for order, signs in itertools.product((1, -1), itertools.product((1, -1), repeat=2)):
        pins = np.diag(signs) @ UNMIXED[::order]
        bench = make_bench(pins, seed=int(rng.integers(1000)))
        mixing = examine_mixing(bench.tables, bench.lines)
        # Where a plan shows that the pins before and behind are unmixed, both places are told.
        also = tuple(name for name in mixing.arrangement.also if name != "mixed twice")
        known = replace(mixing, arrangement=replace(mixing.arrangement, also=also))
        ways = advise_mixing(known)
        assert [way.changes[0].place for way in ways] == ["transmitter", "converter"]
        for way in ways:
            mixer, *behind = way.changes
            made = {"transmitter": pins @ WANTED, "converter": WANTED @ pins}[mixer.place]
            for change in behind:
                assert change.place in {"plugs", "ESC"}
                made = change.at_outputs @ made
            assert np.array_equal(made, WANTED)


@pytest.mark.parametrize("swapped", [False, True])
def test_gains_are_equalised_on_the_line_that_is_stronger(make_bench, swapped):
    matrix = MIXED * [[1.0], [0.8]]
    bench = make_bench(matrix[::-1] if swapped else matrix)
    best = advised(bench)[0]
    assert kinds(best) == (["swap plugs"] if swapped else []) + ["equalise gains"]
    strong = "RX2" if swapped else "RX1"
    words = best.by_effort[-1].words
    assert words.startswith(f"Lower the travel of {strong}, on both sides of neutral, by ")
    assert float(words.partition("by ")[2].partition(" ")[0]) == pytest.approx(20.0, abs=0.5)
    made = applied(best, matrix[::-1] if swapped else matrix)
    np.testing.assert_allclose(made, 0.8 * MIXED, atol=0.005)


def test_clipped_corners_are_optional(make_bench):
    bench = make_bench(1.8 * MIXED, end=0.8, extent=1.0)
    (only,) = advised(bench)
    assert not only.needed
    assert kinds(only) == ["reduce travel"]
    assert "44 %" in only.changes[0].words
    assert all(output.clipped == 0 for output in only.proof.fit.outputs)


def test_clipped_corners_come_on_top_of_what_is_needed(make_bench):
    bench = make_bench(1.8 * MIXED * [[1], [-1]], end=0.8, extent=1.0)
    best, *_, optional = advised(bench)
    assert kinds(best) == ["reverse channel"]
    assert kinds(optional) == ["reverse channel", "reduce travel"]
    assert optional.proof.works


def test_a_change_at_the_plugs_is_made_to_the_recorded_widths_themselves(make_bench):
    bench = make_bench(MIXED[::-1])
    mixing = examine_mixing(bench.tables, bench.lines)
    best = advise_mixing(mixing)[0]
    before = mixing.fit.samples.width_us
    after = changed_samples(mixing.fit, best.changes).width_us
    np.testing.assert_allclose(after, before[:, ::-1], atol=1e-6)


def with_travel(bench, travel):
    outputs = tuple(replace(output, travel=travel) for output in bench.lines.outputs)
    return examine_mixing(bench.tables, replace(bench.lines, outputs=outputs))


STATED = Travel(1500.0, 500.0, 60.0, is_stated=True)
RANKS = ["does not meet", "not shown", "meets"]


@pytest.mark.parametrize("off_us", [(60.0, 0.0), (40.0, -35.0), (-50.0, 0.0), (25.0, -25.0)])
def test_neutrals_that_turn_the_robot_are_wrong_and_set_by_trim(make_bench, off_us):
    """The path by hand: (gain c 500 + off - 30) / 470 for each side at half stick."""
    mixing = with_travel(make_bench(MIXED, offset_us=off_us), STATED)
    speeds = (0.5 * 0.5 * 500.0 + np.array(off_us) - 30.0) / 470.0
    straight = next(f for f in mixing.findings if f.name == "straight line")
    slower = 100.0 * (1.0 - speeds.min() / speeds.max())
    assert straight.value == pytest.approx(slower, abs=3 * straight.uncertainty + 0.2)
    assert mixing.verdict == "does not meet"
    motion = mixing.responses[0].motion
    assert motion == f"drives forward in a curve to the {'right' if np.argmin(speeds) else 'left'}"
    (way,) = advise_mixing(mixing)
    assert kinds(way) == ["set neutral"] * sum(off != 0.0 for off in off_us)
    assert way.proof.works
    np.testing.assert_allclose(way.proof.fit.offset_us, 1500.0, atol=0.5)
    assert way.proof.responses[0].motion == "drives straight forward"


@pytest.mark.parametrize(
    "off_us", [(0.0, 0.0), (10.0, 0.0), (60.0, 60.0), (60.0, 0.0), (30.0, 8.0)]
)
def test_less_known_of_neutral_or_certainty_never_drives_better(make_bench, off_us):
    """A law: without the stated neutral, and with more noise, the verdict is never better."""
    quiet = make_bench(MIXED, offset_us=off_us)
    known = with_travel(quiet, STATED).verdict
    unstated = with_travel(quiet, replace(STATED, is_stated=False)).verdict
    noisy = with_travel(make_bench(MIXED, offset_us=off_us, noise_us=5.0), STATED).verdict
    assert RANKS.index(unstated) <= max(RANKS.index(known), 1)
    assert RANKS.index(noisy) <= max(RANKS.index(known), 1)
    assert known == ("meets" if off_us in {(0.0, 0.0), (10.0, 0.0)} else "does not meet")


def test_the_first_words_name_what_is_wrong_and_never_the_right_arrangement(make_bench):
    gains = with_travel(make_bench(MIXED * [[1.0], [0.8]]), STATED)
    assert gains.wrong.startswith("the right side answers 20 % less than the left")
    off = with_travel(make_bench(MIXED, offset_us=(60.0, 0.0)), STATED)
    assert off.wrong == "the neutral of RX1 is off"
    assert with_travel(make_bench(MIXED), STATED).wrong == ""


@pytest.mark.parametrize("off_us", [(0.0, 0.0), (4.0, -3.0), (60.0, 0.0)])
@pytest.mark.parametrize("missing", [{"is_stated": False}, {"deadband_us": 0.0}])
def test_what_the_sheet_does_not_state_is_never_found_to_be_met(make_bench, off_us, missing):
    """A law: the convention's neutral, or no deadband, may be near by chance."""
    bench = make_bench(MIXED, offset_us=off_us)
    found = with_travel(bench, replace(STATED, **missing))
    straight = next(f for f in found.findings if f.name == "straight line")
    assert "meets" not in {straight.verdict, found.verdict}
    key = "neutral_us" if "is_stated" in missing else "deadband_us"
    assert f"state {key} of RX1, RX2." in straight.sentence or straight.verdict == "does not meet"
    assert found.findings[0].verdict == "meets"


def by_plan(bench, travel=STATED, spans=None, planned=("aileron", "elevator")):
    outputs = tuple(replace(output, travel=travel) for output in bench.lines.outputs)
    lines = replace(bench.without_sticks, outputs=outputs, mixer="transmitter")
    spans = bench.spans if spans is None else spans
    return examine_mixing(bench.tables, lines, spans=spans, planned=planned)


def test_a_curve_within_the_uncertainty_is_no_fact_and_the_trims_are_offered(make_bench):
    """A plan's hands are known to 4 % of the travel: 87 of 103 is open."""
    mixing = by_plan(make_bench(MIXED, offset_us=(8.0, -8.0)))
    straight = next(f for f in mixing.findings if f.name == "straight line")
    assert straight.verdict == "not shown"
    assert mixing.responses[0].motion == "drives forward, perhaps in a curve to the right"
    (way,) = advise_mixing(mixing)
    assert kinds(way) == ["set neutral", "set neutral"]
    assert not way.needed
    np.testing.assert_allclose(way.proof.fit.offset_us, 1500.0, atol=0.5)


def test_an_axis_that_the_plan_moves_and_no_output_follows_has_two_causes(make_bench):
    """Its steps are not found in the recording, since nothing moved there."""
    bench = make_bench([[0.8, 0.0], [0.8, 0.0]])
    spans = [span for span in bench.spans if not span.step.sticks.get("aileron")]
    mixing = by_plan(bench, spans=spans)
    assert (mixing.verdict, mixing.is_planned) == ("not shown", True)
    said = mixing.findings[0].sentence
    assert "Either mixing is off, or the hands left those steps out." in said
    assert "whether mixing is on in the transmitter" in mixing.findings[0].to_do
    unplanned = by_plan(bench, spans=spans, planned=())
    assert not unplanned.is_planned
    assert unplanned.findings[0].sentence.startswith("The aileron stick never moved.")


def test_unmixed_outputs_are_told_the_likely_cause_first(make_bench):
    (way,) = advise_mixing(by_plan(make_bench(UNMIXED)))
    (change,) = way.changes
    assert change.words == (
        "Turn mixing on in the transmitter, and in no other place. If it is on already, turn off "
        "what mixes beside the transmitter."
    )
