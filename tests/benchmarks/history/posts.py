"""Post moves with known slopes: are intervals right, is nothing said too early, do hints go the right way?

    python tests/benchmarks/history/posts.py               40 instruments a row
    python tests/benchmarks/history/posts.py --jobs 1000   full size

The true place of the post differs from the noted one by 0.2 mm (sd) each time it is read. Slopes have heavy
tails (Student, 4 degrees of freedom, 22 cents/mm), unlike the model's. Curved truth: a smooth bend, a sine.
"""

import argparse
from datetime import UTC, datetime, timedelta

import numpy as np

from resonance.changes.comparison import Repeatability, Scatter
from resonance.changes.hint import suggest_move
from resonance.changes.post import post_response
from resonance.modes.mode import Mode
from resonance.sets.setup import Adjustment
from resonance.sets.tapset import TapSet

BEGIN = datetime(2025, 2, 3, 9, 0, tzinfo=UTC)
SCATTER = 4.0


def instrument(seed, *, n_moves=5, curved=False, n_modes=8, across=True):
    """A job of `n_moves` post moves, one tap set between each; the truth: slopes now, effect of a place."""
    rng = np.random.default_rng([4, 73, seed])
    slope = 22.0 * rng.standard_t(4, (n_modes, 2))
    bend = rng.normal(0.0, 12.0, (n_modes, 2)) if curved else np.zeros((n_modes, 2))
    phase = rng.uniform(0.0, 2.0 * np.pi, (n_modes, 2))

    def effect(place):
        return (slope * place + bend * (np.cos(1.5 * place + phase) - np.cos(phase))).sum(axis=1)

    moves = rng.choice([-0.5, -0.25, 0.25, 0.5], (n_moves, 2))
    moves[np.arange(n_moves), rng.integers(0, 2, n_moves)] = 0.0
    if not across:
        moves[:, 1] = 0.0
    noted = np.vstack([np.zeros((1, 2)), np.cumsum(moves, axis=0)])
    true = noted + rng.normal(0.0, 0.2, noted.shape)
    frequency = np.sort(rng.uniform(200.0, 1000.0, n_modes))
    sets, adjustments = [], []
    for k, place in enumerate(true):
        away = effect(place) + rng.normal(0.0, SCATTER, n_modes)
        modes = tuple(
            Mode(float(f * 2.0 ** (c / 1200.0)), 0.011, 0.15, 7.0, kind="body", track=f"t{i}", n_taps=8)
            for i, (f, c) in enumerate(zip(frequency, away, strict=True))
        )
        after = tuple(f"adj{j + 1}" for j in range(k))
        sets.append(TapSet(f"set{k + 1}", BEGIN + timedelta(days=k), modes, after=after))
        if k:
            made = BEGIN + timedelta(days=k - 0.1)
            adjustments.append(Adjustment(f"adj{k}", made, "soundpost", *map(float, moves[k - 1])))
    step = 1e-4
    now = true[-1]
    slopes = np.column_stack([(effect(now + d) - effect(now - d)) / (2 * step) for d in step * np.eye(2)])
    return sets, adjustments, slopes, effect, now, rng


def yardstick():
    known = Scatter(SCATTER, 12.0, "slackened and retuned", "this job")
    return Repeatability(known, n_repeats=6, kinds=(known,))


def measure(seed, **more):
    """Slopes held by their intervals, signs right, and whether a hint towards a target goes nearer to it."""
    sets, adjustments, slopes, effect, now, rng = instrument(seed, **more)
    response = post_response(sets, adjustments, repeatability=yardstick())
    told = response.estimable.astype(bool)
    if not response.tracks:
        return {"said": 0, "held": 0, "signs": 0, "hint": None, "width": []}
    rows = [int(name[1:]) for name in response.tracks]
    truth = slopes[rows]
    held = (response.intervals[:, :, 0] <= truth) & (truth <= response.intervals[:, :, 1])
    aim = now + rng.normal(0.0, 0.5, 2)
    wanted = effect(aim) - effect(now) + rng.normal(0.0, SCATTER, len(slopes))
    hint = suggest_move(response, wanted[rows], np.full(len(rows), SCATTER))
    nearer = None
    if hint is not None:
        there = now + np.array([hint.along_mm, hint.across_mm]) + rng.normal(0.0, 0.2, 2)
        left = effect(aim) - effect(there)
        nearer = bool(np.hypot.reduce(left) < np.hypot.reduce(effect(aim) - effect(now)))
    width = (response.intervals[:, :, 1] - response.intervals[:, :, 0])[told]
    return {
        "said": int(told.sum()),
        "of": told.size,
        "held": int(held[told].sum()),
        "all_held": int(held[np.isfinite(response.cents_per_mm)].sum()),
        "all": int(np.isfinite(response.cents_per_mm).sum()),
        "signs": int((np.sign(response.cents_per_mm) == np.sign(truth))[told].sum()),
        "hint": nearer,
        "width": width.tolist(),
    }


def main():
    """Measure all rows and print them."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--jobs", type=int, default=40)
    parser.add_argument("--first", type=int, default=500_000)
    options = parser.parse_args()
    for n_moves, curved in ((2, False), (3, False), (5, False), (5, True), (9, False), (9, True)):
        found = [measure(options.first + k, n_moves=n_moves, curved=curved) for k in range(options.jobs)]
        said = sum(each["said"] for each in found)
        line = f"{n_moves} moves{', curved' if curved else ''}: slopes told {said}"
        if said:
            cover = [each["held"] / each["said"] for each in found if each["said"]]
            hints = [each["hint"] for each in found if each["hint"] is not None]
            every = sum(each.get("all_held", 0) for each in found) / sum(each.get("all", 0) for each in found)
            line += (
                f" of {sum(each['of'] for each in found)}, held {sum(e['held'] for e in found) / said:.3f}"
                f" (± {2 * np.std(cover) / len(cover) ** 0.5:.3f}), all slopes held {every:.3f}, signs right"
                f" {sum(e['signs'] for e in found) / said:.3f}, width"
                f" {np.median(np.concatenate([e['width'] for e in found])):.0f} cents/mm;"
                f" hints {len(hints)} of {len(found)}, nearer {np.mean(hints) if hints else float('nan'):.3f}"
            )
        print(line, flush=True)


if __name__ == "__main__":
    main()
