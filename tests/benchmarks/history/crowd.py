"""Made-up jobs for following modes: crowded body modes, taps at several places, crossings, seasons.

Shares neither code nor numbers with what is measured. Ten to sixteen modes from about 200 Hz up, neighbours
50 to 250 cents apart; each set misses 4 % of them, every second one shows a false mode. All is invented.
"""

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

import numpy as np

from resonance.modes.mode import Level, Mode
from resonance.sets.setup import Adjustment
from resonance.sets.tapset import Analysis, TapSet

BEGIN = datetime(2025, 10, 6, 9, 0, tzinfo=UTC)


@dataclass(frozen=True)
class Crowd:
    """A job and the truth: which mode stands behind each reading (-1: a false one)."""

    sets: tuple[TapSet, ...]
    adjustments: tuple[Adjustment, ...]
    names: tuple[tuple[int, ...], ...]
    crossing: tuple[int, int] = (-1, -1)


def crossing_job(seed, *, n_places=3, n_sets=8, missed=0.04, false=0.5):
    """One pair of neighbours, 30 to 90 cents apart, changes places at one of three adjustments."""
    rng = np.random.default_rng([4, 71, seed])
    n = int(rng.integers(10, 17))
    gap = rng.uniform(50.0, 250.0, n)
    low = int(rng.integers(2, n - 3))
    gap[low + 1] = rng.uniform(30.0, 90.0)
    where = np.cumsum(gap)
    path = np.tile(where, (n_sets, 1))
    work = np.sort(rng.choice(np.arange(1, n_sets), 3, replace=False))
    for at in work:
        path[at:] += rng.laplace(0.0, 8.0, n)
    at = int(rng.choice(work))
    ends = rng.uniform(10.0, 60.0)
    middle, half = 0.5 * (path[at, low] + path[at, low + 1]), 0.5 * ends
    path[at:, low] += middle + half - path[at, low]
    path[at:, low + 1] += middle - half - path[at, low + 1]
    days = np.cumsum(rng.uniform(0.2, 6.0, n_sets))
    return _read(rng, path, days, work, n_places, missed, false, (low, low + 1))


def winter_job(seed, *, n_places=1, n_sets=10, missed=0.04, false=0.5):
    """From 55 to 30 % and nothing done: wood goes 65 to 150 cents, each mode by its own share."""
    rng = np.random.default_rng([4, 72, seed])
    n = int(rng.integers(10, 17))
    where = np.cumsum(rng.uniform(50.0, 250.0, n))
    days = np.cumsum(rng.uniform(1.0, 6.0, n_sets))
    turn = rng.uniform(0.2, 0.6) * days[-1]
    dry = 1.0 - np.exp(-np.clip(days - turn, 0.0, None) / rng.uniform(2.0, 6.0))
    rise = rng.choice([1.0, -1.0]) * rng.uniform(65.0, 150.0) * rng.uniform(0.75, 1.25, n)
    rise[0] *= 0.1  # the main air note hardly follows
    path = where + dry[:, None] * rise
    return _read(rng, path, days, (), n_places, missed, false, (-1, -1))


def _read(rng, path, days, work, n_places, missed, false, crossing):
    """Read each set: put-back scatter 5 cents, damping 12 %, levels 1.5 dB; work changes levels by 2 dB."""
    n_sets, n = path.shape
    quality = np.exp(rng.normal(np.log(45.0), 0.35, n))
    quality[0] = 18.0
    level = rng.normal(-12.0, 5.0, (n, 1)) + rng.normal(0.0, 5.0, (n, max(1, n_places)))
    sets, names = [], []
    for k in range(n_sets):
        if k in work:
            level = level + rng.normal(0.0, 2.0, level.shape)
        rows = []
        for i in np.flatnonzero(rng.random(n) > missed):
            cents = path[k, i] + rng.normal(0.0, 5.0)
            heard = level[i] + rng.normal(0.0, 1.5, level.shape[1])
            rows.append((int(i), cents, quality[i] * np.exp(rng.normal(0.0, 0.12)), heard))
        for _ in range(rng.poisson(false)):
            heard = rng.normal(-16.0, 6.0, level.shape[1])
            rows.append((-1, rng.uniform(*path[k, [0, -1]]), np.exp(rng.normal(np.log(45.0), 0.5)), heard))
        rows.sort(key=lambda row: row[1])
        names.append(tuple(row[0] for row in rows))
        after = tuple(f"adj{j + 1}" for j, at in enumerate(work) if at <= k)
        sets.append(_tap_set(rng, f"set{k + 1}", days[k], rows, n_places, after))
    made = tuple(Adjustment(f"adj{j + 1}", BEGIN + timedelta(days=float(days[at]) - 0.1), "soundpost")
                 for j, at in enumerate(work))  # fmt: skip
    return Crowd(tuple(sets), made, tuple(names), crossing)


def _tap_set(rng, name, day, rows, n_places, after):
    modes = []
    for _, cents, quality, heard in rows:
        frequency = 220.0 * 2.0 ** (cents / 1200.0)
        levels = tuple(Level(f"place {p}", "near", float(db), 0.8) for p, db in enumerate(heard))
        u = 0.25 * np.sqrt(rng.chisquare(7) / 7)
        modes.append(
            Mode(frequency, 0.5 / quality, u, 7.0, damping_u=0.06 * 0.5 / quality, damping_dof=7.0, n_taps=8,
                 levels=levels if n_places else (), snr_db=30.0, kind="body")
        )  # fmt: skip
    taken = BEGIN + timedelta(days=float(day))
    return TapSet(name, taken, tuple(modes), after=after, analysis=Analysis(1, band=(100.0, 1500.0)))
