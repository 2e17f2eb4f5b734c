"""Made-up jobs with known truth. Shares no code and no prior with the model it tests.

Every reading is built up from what would happen on the bench: the instrument settles after a law of its own,
the room's humidity wanders by the hour and the wood follows late, each adjustment makes a jump with a small
settling after it, slackening the strings leaves an accident that all later sets share, putting the instrument
back scatters each set, and eight taps scatter about that. Amplitudes are uniform where the model has
Gaussians.
"""

from dataclasses import dataclass, field
from datetime import datetime, timedelta, timezone

import numpy as np

from resonance.changes.comparison import Repeatability, Scatter
from resonance.changes.repeatability import repeatability
from resonance.modes.mode import Mode
from resonance.sets.setup import Adjustment
from resonance.sets.tapset import Analysis, Climate, TapSet

START = datetime(2024, 10, 7, 9, 0, tzinfo=timezone(timedelta(hours=1)))
FREQUENCIES = (272.0, 341.0, 407.0, 462.0, 551.0, 640.0, 735.0, 868.0, 990.0, 1130.0)
N_TAPS = 8
HOUR = 1.0 / 24.0
SLACKENED = ("soundpost", "bridge")
DRIFTS = ("walk", "linear", "two exponentials", "log", "none")


@dataclass(frozen=True)
class Case:
    """One row of the benchmark; (low, high) are uniform ranges."""

    name: str
    n_sets: tuple[int, ...] = (5, 8, 11, 14, 20)
    bracketed: bool = True
    each_side: int = 1  # sets within hours on either side of a bracketed adjustment
    drift: str = "two exponentials"
    humidity: bool = True
    noted: bool = True
    winter: bool = False
    n_modes: int = 4
    scatter: tuple[float, float] = (2.0, 5.0)
    slackened_factor: tuple[float, float] = (1.0, 1.6)
    learned: int = 5  # repeat sets of each kind in the shop's session; 0: nothing learned
    known: bool = False  # the put-back scatter is known as it is, with ten degrees of freedom
    heavy: bool = False
    settling: tuple[float, float] = (4.0, 25.0)
    moved_share: float = 0.5
    step: tuple[float, float] = (5.0, 40.0)
    steps: int | None = None
    air: float | None = None  # kelvin of warmer air from the middle on; the first mode is A0
    rate: tuple[float, float] | None = None  # cents a week, of the linear drift
    span_days: float | None = None
    pace: tuple[float, float] = (1.5, 4.0)  # days a set
    restart: tuple[float, float] = (0.0, 0.4)
    measure: str = "steps"


@dataclass(frozen=True)
class Job:
    sets: tuple[TapSet, ...]
    adjustments: tuple[Adjustment, ...]
    yardstick: object
    steps: np.ndarray  # (K, n_modes), cents at once
    rate: np.ndarray  # (n_modes,) cents a week at the last set
    settled_day: dict = field(default_factory=dict)  # threshold -> (n_modes,), days from the first set
    days: np.ndarray = field(default_factory=lambda: np.zeros(0))
    made: np.ndarray = field(default_factory=lambda: np.zeros(0))
    drift: object = None


def make(case, seed):
    """One job of a case."""
    rng = np.random.default_rng(seed)
    n = int(rng.choice(case.n_sets))
    days, made, parts = _calendar(case, n, rng)
    after = days[:, None] > made[None, :]
    drift, slope = _drift(case, rng)
    weather, climates = _weather(case, days, rng)
    steps = _steps(case, len(made), rng)
    own = rng.uniform(*case.restart, (len(made), case.n_modes))
    pace = rng.uniform(1.0, 6.0, len(made))
    since = np.maximum(days[:, None] - made[None, :], 0.0)
    grown = -np.expm1(-since / pace)
    course = drift(days) + weather
    course += np.einsum("nk,km->nm", after.astype(float), steps)
    course += np.einsum("nk,km->nm", after * grown, steps * own)
    scatter = rng.uniform(*case.scatter)
    factor = rng.uniform(*case.slackened_factor)
    course += _accidents(after, parts, scatter * np.sqrt(max(factor**2 - 1.0, 0.0)), case, rng)
    base = np.array(FREQUENCIES[: case.n_modes]) * rng.uniform(0.97, 1.03)
    noise = _noise(case, scatter, (n, case.n_modes), rng)
    ids = [f"adj{k + 1}" for k in range(len(made))]
    sets = tuple(
        _read(f"set{i + 1}", days[i], base * 2.0 ** ((course[i] + noise[i]) / 1200.0), climates[i],
              tuple(a for a, done in zip(ids, after[i], strict=True) if done), case, rng)
        for i in range(n)
    )  # fmt: skip
    adjustments = tuple(
        Adjustment(ids[k], made=START + timedelta(days=float(made[k])), part=parts[k])
        for k in range(len(made))
    )
    rate, date = _truth_of_rate(slope, steps * own, pace, made, days[-1])
    return Job(
        sets=sets,
        adjustments=adjustments,
        yardstick=_shop(case, scatter, scatter * factor, rng),
        steps=steps,
        rate=rate,
        settled_day=date,
        days=days,
        made=made,
    )


def _calendar(case, n, rng):
    """Days of the sets, of the adjustments between them, and what was worked on."""
    count = case.steps if case.steps is not None else max(1, n // 5)
    span = case.span_days or n * rng.uniform(*case.pace)
    if case.bracketed and count:
        each = case.each_side
        pairs = min(count, (n - 1) // (2 * each))
        for _ in range(50):
            made = np.sort(rng.uniform(0.1, 0.9, pairs)) * span
            if pairs < 2 or np.diff(made).min() > 0.4:
                break
        steps = np.cumsum(rng.uniform(0.5, 3.0, (2, pairs, each)), axis=2) * HOUR
        near = np.concatenate([(made[:, None] - steps[0]).ravel(), (made[:, None] + steps[1]).ravel()])
        days = np.concatenate([near, rng.uniform(0.0, 1.0, n - near.size) * span])
        for moment in made:  # nobody taps while at work
            days[np.abs(days - moment) < 0.5 * HOUR - 1e-9] -= 4.0 * HOUR
        days = np.sort(days)
    else:
        gaps = rng.uniform(0.4, 1.6, n - 1)
        days = np.concatenate([[0.0], np.cumsum(gaps) / gaps.sum() * span])
        slots = np.sort(rng.choice(np.arange(1, n - 2) if n > 4 else np.arange(1, n - 1),
                                   min(count, max(1, n - 4)), replace=False))  # fmt: skip
        made = days[slots] + rng.uniform(0.2, 0.8, slots.size) * (days[slots + 1] - days[slots])
        if not count:
            made = np.zeros(0)
    made = made - days[0]
    days = days - days[0]
    parts = [str(rng.choice(["soundpost", "bridge", "fitting"])) for _ in made]
    return days, made, parts


def _drift(case, rng):
    """Drift of every mode as a function of days, and its rate (None where it has none)."""
    m = case.n_modes
    sign = rng.choice([-1.0, 1.0]) * np.where(rng.uniform(size=m) < 0.15, -1.0, 1.0)
    size = sign * rng.uniform(*case.settling, m)
    if case.drift == "none":
        return (lambda t: np.zeros((np.size(t), m))), (lambda t: np.zeros((np.size(t), m)))
    if case.drift == "linear":
        rate = sign * rng.uniform(*(case.rate or (1.0, 8.0)), m) / 7.0
        return (lambda t: np.outer(t, rate)), (lambda t: np.outer(np.ones(np.size(t)), rate))
    if case.drift == "two exponentials":
        fast, slow = rng.uniform(0.5, 2.5), rng.uniform(6.0, 30.0)
        share = rng.uniform(0.2, 0.6)
        age = rng.uniform(0.0, 2.0)

        def course(t):
            t = np.asarray(t, float)[:, None] + age
            return size * (1.0 - share * np.exp(-t / fast) - (1.0 - share) * np.exp(-t / slow))

        def slope(t):
            t = np.asarray(t, float)[:, None] + age
            return size * (share / fast * np.exp(-t / fast) + (1.0 - share) / slow * np.exp(-t / slow))

        return course, slope
    if case.drift == "log":
        start = rng.uniform(0.2, 3.0)

        def course(t):
            return size * np.log1p(np.asarray(t, float)[:, None] / start) / np.log1p(30.0 / start)

        def slope(t):
            return size / (np.asarray(t, float)[:, None] + start) / np.log1p(30.0 / start)

        return course, slope
    if case.drift == "walk":
        q = rng.uniform(0.5, 1.6, m)
        stride = 1.0 / 24.0
        path = np.cumsum(rng.standard_normal((24 * 100, m)), axis=0) * q * np.sqrt(stride)

        def course(t):
            return path[np.minimum((np.asarray(t, float) / stride).astype(int), len(path) - 1)]

        return course, None
    raise ValueError(case.drift)


def _weather(case, days, rng):
    """What humidity and air temperature do to every mode, and what the maker notes."""
    n, m = days.size, case.n_modes
    hours = np.arange(-24 * 40, int(24 * (days[-1] + 2)))
    room = np.zeros(hours.size)
    keep = np.exp(-1.0 / 60.0)
    kicks = rng.standard_normal(hours.size) * 5.0 * np.sqrt(1.0 - keep**2)
    for k in range(1, hours.size):
        room[k] = keep * room[k - 1] + kicks[k]
    room += 48.0 + rng.uniform(-0.15, 0.15) * hours / 24.0
    if case.winter:
        turn = 24.0 * rng.uniform(0.3, 0.6) * days[-1]
        room = 55.0 - 25.0 / (1.0 + np.exp(-(hours - turn) / 18.0)) + 0.4 * (room - 48.0)
    lag = 24.0 * rng.uniform(1.0, 6.0)
    wood = np.empty_like(room)
    wood[0] = room[0]
    for k in range(1, hours.size):
        wood[k] = wood[k - 1] + (room[k] - wood[k - 1]) / lag
    at = np.clip(np.searchsorted(hours, 24.0 * days), 0, hours.size - 1)
    slope = -rng.uniform(0.5, 4.0) * rng.uniform(0.7, 1.3, m)
    effect = np.outer(wood[at], slope) if case.humidity else np.zeros((n, m))
    warmth = 20.0 + 1.5 * rng.standard_normal(n)
    if case.air is not None:
        warmth = 20.0 + 0.3 * rng.standard_normal(n) + case.air * (days > days[n // 2 - 1] + 1e-9)
        follows = rng.uniform(0.75, 1.05)
        effect[:, 0] = 0.2 * effect[:, 0] + follows * 600.0 * np.log2((warmth + 273.15) / 293.15)
    else:
        effect += np.outer(warmth - 20.0, rng.uniform(-0.6, 0.6, m))
    noted_h = np.round(room[at] + 1.5 * rng.standard_normal(n), 0)
    noted_t = np.round(warmth + 0.3 * rng.standard_normal(n), 1)
    if case.noted:
        return effect, [Climate(float(t), float(h)) for t, h in zip(noted_t, noted_h, strict=True)]
    return effect, [Climate(float(t)) if case.air is not None else Climate() for t in noted_t]


def _steps(case, count, rng):
    size = rng.uniform(*case.step, (count, case.n_modes)) * rng.choice([-1.0, 1.0], (count, case.n_modes))
    return np.where(rng.uniform(size=size.shape) < case.moved_share, size, 0.0)


def _accidents(after, parts, sd, case, rng):
    """What each slackening leaves behind, shared by all sets after it until the next."""
    n, count = after.shape
    out = np.zeros((n, case.n_modes))
    current = sd * rng.standard_normal(case.n_modes)
    levels = [current]
    for k in range(count):
        if parts[k] in SLACKENED:
            current = sd * rng.standard_normal(case.n_modes)
        levels.append(current)
    for i in range(n):
        out[i] = levels[int(after[i].sum())]
    return out


def _noise(case, scatter, shape, rng):
    if not case.heavy:
        return scatter * rng.standard_normal(shape)
    # Student's t with 3 degrees of freedom, scaled to the same interquartile range as the normal one
    return scatter * rng.standard_t(3, shape) * (0.6745 / 0.7649)


def _read(name, day, frequencies, climate, after, case, rng, **more):
    modes = []
    for k, frequency in enumerate(frequencies):
        u = rng.uniform(0.08, 0.3)
        taps = frequency + u * np.sqrt(N_TAPS) * rng.standard_normal(N_TAPS)
        air = case.air is not None and k == 0
        modes.append(
            Mode(
                float(taps.mean()), 0.012, frequency_u=float(taps.std(ddof=1) / np.sqrt(N_TAPS)),
                frequency_dof=N_TAPS - 1.0, kind="air" if air else "body", label="A0" if air else None,
                labelled_by="program" if air else "", snr_db=35.0, n_taps=N_TAPS, track=f"m{k}",
            )
        )  # fmt: skip
    return TapSet(
        name, START + timedelta(days=float(day)), tuple(modes), climate=climate, after=after,
        analysis=Analysis(method=1, band=(60.0, 1200.0), reach=3000.0), **more,
    )  # fmt: skip


def _shop(case, scatter, slackened, rng):
    """The shop's own session of repeat sets: what was learned before this job."""
    if case.known:
        kinds = [
            Scatter(s, 10.0, k, "this shop")
            for k, s in (("put back", scatter), ("slackened and retuned", slackened))
        ]
        return Repeatability(kinds[1], n_repeats=10, kinds=tuple(kinds))
    if not case.learned:
        return None
    base = np.array(FREQUENCIES)
    wide = Case("shop", n_modes=len(FREQUENCIES))

    def shifted(sd):
        noise = sd * (
            rng.standard_t(3, base.size) * (0.6745 / 0.7649) if case.heavy else rng.standard_normal(base.size)
        )
        return base * 2.0 ** (noise / 1200.0)

    sets = [_read("shop0", 0.0, shifted(scatter), Climate(), (), wide, rng)]
    for kind, sd in (("put back", scatter), ("slackened and retuned", slackened)):
        for k in range(case.learned):
            more = {"repeat_of": "shop0", "repeat_kind": kind}
            sets.append(_read(f"{kind}{k}", 0.05 * (k + 1), shifted(sd), Climate(), (), wide, rng, **more))
    shop = repeatability(sets)
    return repeatability([sets[0]], prior=shop)


def _truth_of_rate(slope, restarts, pace, made, last):
    """Cents a week at the last set, and the first day after which the rate stays within a threshold."""
    if slope is None:
        return np.full(restarts.shape[1], np.nan), {}

    def rate(t):
        t = np.atleast_1d(t)
        since = t[:, None] - made[None, :]
        own = np.where(since >= 0.0, np.exp(-np.maximum(since, 0.0) / pace) / pace, 0.0)
        return 7.0 * (slope(t) + own @ restarts)

    ahead = last + np.concatenate([[0.0], np.geomspace(0.05, 4000.0, 3000)])
    moving = np.abs(rate(ahead)) > 4.0
    final = np.where(moving.any(0), moving.shape[0] - 1 - np.argmax(moving[::-1], axis=0), -1)
    day = np.where(final >= ahead.size - 1, np.inf, ahead[np.minimum(final + 1, ahead.size - 1)])
    return rate(last)[0], {4.0: day}
