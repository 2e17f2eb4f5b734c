"""Hand-built tap sets with known truth; no sound needed."""

from datetime import datetime, timedelta, timezone

import numpy as np

from resonance.modes.mode import Level, Mode
from resonance.sets.tapset import Analysis, TapSet
from resonance.sound.recording import Recording, Take

ZONE = timezone(timedelta(hours=1))
START = datetime(2025, 3, 3, 10, 0, tzinfo=ZONE)
# Body modes of a violin, well apart (A0 and B1 as in textbooks, the others invented): Hz.
FREQUENCIES = (275.0, 335.0, 400.0, 465.0, 550.0, 640.0, 745.0, 860.0, 985.0, 1120.0)


def a_mode(frequency, *, u=0.3, dof=7.0, damping=0.011, kind="body", snr_db=35.0, **more):
    more.setdefault("damping_u", 0.06 * damping)
    more.setdefault("damping_dof", 7.0)
    return Mode(
        frequency, damping, frequency_u=u, frequency_dof=dof, kind=kind, snr_db=snr_db, n_taps=8, **more
    )


def a_take(tap_place="bass corner", microphone_place="near", channels=()):
    return Take(Recording(np.zeros((0, 1)), 48000.0), tap_place, microphone_place, channels)


def a_set(name, modes, *, hours=0.0, takes=None, band=(60.0, 1200.0), reach=3000.0, method=1, **more):
    analysis = more.pop("analysis", Analysis(method=method, band=band, reach=reach, noise_db=35.0))
    takes = (a_take(),) if takes is None else takes
    taken = more.pop("taken", START + timedelta(hours=hours))
    return TapSet(name, taken, tuple(modes), takes=takes, analysis=analysis, **more)


def moved(frequency, cents):
    return frequency * 2.0 ** (cents / 1200.0)


def levels_at(values, u=0.5, microphones=("near",)):
    """Levels at tap places t0, t1, ... for each microphone place."""
    return tuple(Level(f"t{i}", m, db, u) for m in microphones for i, db in enumerate(values))


def readings(rng, frequencies, *, scatter=5.0, u=0.3, n_taps=8, shift_cents=0.0, damping=0.011):
    """Modes as read after putting the instrument back: the truth moved by the put-back scatter (cents), then
    read from `n_taps` taps, the uncertainty estimated from those taps."""
    shifts = np.broadcast_to(shift_cents, len(frequencies))
    modes = []
    for k, (frequency, shift) in enumerate(zip(frequencies, shifts, strict=True)):
        centre = moved(frequency, shift + scatter * rng.standard_normal())
        taps = centre + u * np.sqrt(n_taps) * rng.standard_normal(n_taps)
        zeta = damping * np.exp(0.1 * rng.standard_normal())
        modes.append(
            a_mode(
                float(taps.mean()),
                u=float(taps.std(ddof=1) / np.sqrt(n_taps)),
                dof=n_taps - 1.0,
                damping=float(zeta),
                track=f"m{k}",
            )
        )
    return tuple(modes)
