"""Boots in which no device runs, and boots that no recording tells from such a one.

`TWINS`: unsafe, but a safe recording is equal to each apart from noise; `twin_of` makes it. `SAFE`:
every device stays in its stop range until a hand moves a stick over the live link.
"""

from __future__ import annotations

import copy
import zlib
from typing import Final

import numpy as np
from boot_bench import SILENT, Bench, Piece
from boot_draft import (
    Rng,
    beyond,
    device,
    draft,
    hands,
    inside,
    others,
    reach,
    run,
    second_receiver,
    stand,
)
from boot_kinds import UNSAFE, named


def sooner(bench: Bench) -> str:
    """Tell the time of the run: where each later link took longer, a link before it is unlikely."""
    first = min(piece.start_s for piece in bench.pieces) - bench.on_s
    later = min(link - on for _, on, link in bench.losses)
    return "hard" if first < later - 0.1 else "no"


def unseen_stick(rng: Rng, kind: str, seed: int) -> Bench:
    """A drive runs and returns as by a hand; every preset is its rest, so no link is seen."""
    bench = draft(rng, kind, seed, switch=False)
    bench.tremor_us = 0.0
    others(bench, rng, [], "rest")
    hands(bench, rng)
    takes = float(rng.uniform(0.15, 0.35))
    bench.boot_s = max(bench.boot_s, 1.5)
    start, stop = inside(bench, rng, 2 * takes + float(rng.uniform(0.2, 1.5)))
    takes = min(takes, 0.45 * (stop - start))
    target = device(bench, rng)
    of = bench.outputs[target]
    run(bench, target, start, stop, reach(start, stop, of.rest_us, beyond(of, rng, "end"), takes))
    bench.decidable = sooner(bench)
    bench.note = "twin: the link came just before the run, and a hand did it"
    return bench


def unseen_switch(rng: Rng, kind: str, seed: int) -> Bench:
    """A weapon on a switch steps up and back; every preset is its rest, so no link is seen."""
    bench = draft(rng, kind, seed, switch=True)
    bench.tremor_us = 0.0
    others(bench, rng, [], "rest")
    hands(bench, rng)
    start, stop = inside(bench, rng, float(rng.uniform(0.4, 2.5)))
    of = bench.outputs[2]
    run(bench, 2, start, stop, of.rest_us + of.gain_us)
    bench.decidable = sooner(bench)
    bench.note = "twin: the link came just before the run, and the switch was flicked"
    return bench


def unseen_switch_silent(rng: Rng, kind: str, seed: int) -> Bench:
    """A silent receiver wakes with rest presets, the weapon's switch width comes and goes, no link.

    Every output's first pulse is at its rest, and nothing more shows when the link comes.
    """
    bench = draft(rng, kind, seed, switch=True)
    bench.tremor_us = 0.0
    hands(bench, rng)
    wakes = bench.on_s + 0.3 * bench.boot_s
    for n, output in enumerate(bench.outputs):
        output.before_us = SILENT
        run(bench, n, wakes, bench.link_s, output.rest_us)
    of = bench.outputs[2]
    start = wakes + 0.25 * (bench.link_s - wakes)
    run(bench, 2, start, start + 0.5 * (bench.link_s - wakes) + 0.03, of.rest_us + of.gain_us)
    bench.decidable = sooner(bench)
    bench.note = "twin: the link came as the lines woke, and the switch was flicked"
    return bench


def early_rest_switch(rng: Rng, kind: str, seed: int) -> Bench:
    """Start-up packets put all at rest; the weapon's switch width comes and goes; no link."""
    bench = draft(rng, kind, seed, switch=True)
    bench.tremor_us = 0.0
    others(bench, rng, [], "preset")
    hands(bench, rng)
    early = bench.on_s + 0.3 * bench.boot_s
    for n, output in enumerate(bench.outputs):
        run(bench, n, early, bench.link_s, output.rest_us)
    of = bench.outputs[2]
    start = early + 0.25 * (bench.link_s - early)
    run(bench, 2, start, start + 0.5 * (bench.link_s - early) + 0.03, of.rest_us + of.gain_us)
    bench.decidable = sooner(bench)
    bench.note = "twin: the link came as all stepped, and the switch was flicked"
    return bench


def early_rest_stick(rng: Rng, kind: str, seed: int) -> Bench:
    """Start-up packets put all at rest; a device goes and returns as by a hand; no link is seen."""
    bench = draft(rng, kind, seed, switch=False)
    bench.tremor_us = 0.0
    others(bench, rng, [], "preset")
    bench.boot_s = max(bench.boot_s, 2.0)
    hands(bench, rng)
    early = bench.on_s + 0.3 * bench.boot_s
    for n, output in enumerate(bench.outputs):
        run(bench, n, early, bench.link_s, output.rest_us)
    target = device(bench, rng)
    of = bench.outputs[target]
    start = early + 0.2 * (bench.link_s - early)
    stop = min(start + 3.0, start + 0.7 * (bench.link_s - early))
    run(
        bench,
        target,
        start,
        stop,
        reach(start, stop, of.rest_us, beyond(of, rng, "end"), 0.25 * min(1.0, stop - start)),
    )
    bench.decidable = sooner(bench)
    bench.note = "twin: the link came as all stepped, and a hand moved the stick"
    return bench


def twin_of(bench: Bench) -> Bench:
    """Make the safe recording that is equal to an undecidable one, apart from noise."""
    safe = copy.deepcopy(bench)
    safe.pieces = [
        Piece(p.output, p.start_s, p.stop_s, p.width_us, by_hand=True) for p in bench.pieces
    ]
    wakes = bench.pieces[0].start_s
    shown = len(bench.pieces) > 1
    safe.link_early_s = wakes if shown else wakes - 0.05
    return safe


# --- Safe ---


def safe_silent(rng: Rng, kind: str, seed: int) -> Bench:
    """All outputs are silent until the link."""
    bench = draft(rng, kind, seed)
    others(bench, rng, [], "silent")
    hands(bench, rng)
    return bench


def safe_rest(rng: Rng, kind: str, seed: int) -> Bench:
    """All presets are the rest: no link is seen until a hand moves."""
    bench = draft(rng, kind, seed)
    others(bench, rng, [], "rest")
    hands(bench, rng)
    return bench


def safe_preset(rng: Rng, kind: str, seed: int) -> Bench:
    """Presets differ from rest and lie in the stop range; all step together at the link."""
    bench = draft(rng, kind, seed)
    others(bench, rng, [], "preset")
    hands(bench, rng)
    return bench


def safe_mixed(rng: Rng, kind: str, seed: int) -> Bench:
    """Some are silent, some at rest, some at presets."""
    bench = draft(rng, kind, seed)
    others(bench, rng, [], "mixed")
    hands(bench, rng)
    return bench


def safe_one_by_one(rng: Rng, kind: str, seed: int) -> Bench:
    """The outputs come one after another."""
    bench = draft(rng, kind, seed)
    others(bench, rng, [])
    for output in bench.outputs:
        output.lag_s = float(rng.uniform(0.0, 1.0))
    hands(bench, rng)
    return bench


def safe_weapon_first(rng: Rng, kind: str, seed: int) -> Bench:
    """The weapon is the first that a hand moves, on its stick or its switch."""
    bench = draft(rng, kind, seed)
    others(bench, rng, [])
    hands(bench, rng, first="weapon")
    return bench


def safe_others_held(rng: Rng, kind: str, seed: int) -> Bench:
    """A servo's stick is off rest as the link comes."""
    bench = draft(rng, kind, seed, spare=int(rng.integers(1, 3)))
    others(bench, rng, [])
    hands(bench, rng, held=["extra0"])
    return bench


def safe_second_receiver(rng: Rng, kind: str, seed: int) -> Bench:
    """Two receivers, one of which links later."""
    bench = draft(rng, kind, seed, spare=int(rng.integers(0, 3)))
    second_receiver(bench, rng, [n for n in range(len(bench.outputs)) if n >= 2])
    bench.receivers[1].search_s = float(rng.uniform(0.0, 4.0))
    others(bench, rng, [])
    hands(bench, rng)
    return bench


def safe_silent_presets(rng: Rng, kind: str, seed: int) -> Bench:
    """A silent receiver sends presets in the stop ranges first, then the link."""
    bench = draft(rng, kind, seed)
    others(bench, rng, [], "preset")
    hands(bench, rng)
    wakes = bench.link_s - min(float(rng.uniform(0.1, 2.0)), 0.8 * bench.boot_s)
    for n, output in enumerate(bench.outputs):
        run(bench, n, wakes, bench.link_s, output.before_us)
        output.before_us = SILENT
    return bench


def safe_late_marker(rng: Rng, kind: str, seed: int) -> Bench:
    """The marker is a light that is late."""
    bench = draft(rng, kind, seed)
    late = float(rng.uniform(0.3, 1.2))
    bench.marker = {"line": "tx", "on": "high", "kind": "light", "late_s": round(late + 0.15, 2)}
    bench.marker_on_late_s, bench.marker_off_late_s = late, 0.1
    bench.boot_s = max(bench.boot_s, 1.6)
    others(bench, rng, [])
    hands(bench, rng)
    return bench


def safe_no_marker(rng: Rng, kind: str, seed: int) -> Bench:
    """The losses' times are stated instead of marked."""
    bench = safe_mixed(rng, kind, seed)
    bench.marker = None
    return bench


def safe_servo_leaps(rng: Rng, kind: str, seed: int) -> Bench:
    """Servo and spare outputs step about in the boot; the devices stand."""
    bench = draft(rng, kind, seed, spare=int(rng.integers(1, 3)))
    others(bench, rng, [])
    hands(bench, rng)
    for n, output in enumerate(bench.outputs):
        if output.stop_us is None:
            for _ in range(int(rng.integers(1, 4))):
                start, stop = inside(bench, rng, float(rng.uniform(0.05, 1.0)))
                run(bench, n, start, stop, float(rng.uniform(1000, 2000)))
    return bench


def safe_quick_hand(rng: Rng, kind: str, seed: int) -> Bench:
    """A hand moves 0.2 to 0.5 s after the link."""
    bench = draft(rng, kind, seed)
    others(bench, rng, [])
    hands(bench, rng, wait_s=float(rng.uniform(0.2, 0.5)))
    return bench


def safe_early_rest(rng: Rng, kind: str, seed: int) -> Bench:
    """Start-up packets inside the stop ranges come first, then the live ones."""
    bench = draft(rng, kind, seed)
    others(bench, rng, [])
    hands(bench, rng)
    early = bench.on_s + float(rng.uniform(0.2, 0.9)) * bench.boot_s
    for n, output in enumerate(bench.outputs):
        run(bench, n, early, bench.link_s, stand(output, rng))
    return bench


def safe_slewed(rng: Rng, kind: str, seed: int) -> Bench:
    """Outputs leave their presets in one frame and take a few to their places."""
    bench = draft(rng, kind, seed)
    others(bench, rng, [], "preset")
    for output in bench.outputs:
        output.slew_frames = int(rng.integers(2, 7))
    hands(bench, rng)
    return bench


def safe_switched_twice(rng: Rng, kind: str, seed: int) -> Bench:
    """Switched on, off again before any link, and on; the devices stand."""
    bench = draft(rng, kind, seed)
    off = bench.on_s + float(rng.uniform(1.0, 5.0))
    bench.aborted = (bench.on_s, off)
    bench.on_s = off + float(rng.uniform(1.0, 6.0))
    others(bench, rng, [])
    hands(bench, rng)
    return bench


TWINS: Final = named(
    unseen_stick, unseen_switch, unseen_switch_silent, early_rest_switch, early_rest_stick
)
SAFE: Final = named(
    safe_silent,
    safe_rest,
    safe_preset,
    safe_mixed,
    safe_one_by_one,
    safe_weapon_first,
    safe_others_held,
    safe_second_receiver,
    safe_silent_presets,
    safe_late_marker,
    safe_no_marker,
    safe_servo_leaps,
    safe_quick_hand,
    safe_early_rest,
    safe_slewed,
    safe_switched_twice,
)
KINDS: Final = {**UNSAFE, **TWINS, **SAFE}


def draw(kind: str, seed: int) -> Bench:
    """Draw a bench of a kind."""
    rng = np.random.default_rng([zlib.crc32(kind.encode()), seed])
    return KINDS[kind](rng, kind, seed)
