"""How good the reading of bowed notes is: pitch beside pyin, wolves found and false, time of a long scale.

    .venv/bin/python tests/benchmarks/bowed/run.py                   minutes; --notes N for more
    .venv/bin/python tests/benchmarks/bowed/run.py pitch | wolf | time

Truth is what the sounds are made of (sounds.py). Cramér-Rao: see tests/spectra/test_partials.py.
"""

import argparse
import resource
import time

import numpy as np
from sounds import steady_note

from resonance.sound.recording import Recording, Take
from resonance.spectra.beats import find_wolf
from resonance.spectra.bowed import find_notes
from resonance.spectra.comb import note_pitch
from resonance.spectra.partials import follow, mean_pitch

RATE = 24000.0


def off_cents(found, truth):
    return 1200 * np.log2(found / truth)


def ours(sound, low, high):
    near, _ = note_pitch(sound, RATE, lowest=low, highest=high)
    return mean_pitch(follow(sound, RATE, near))[0]


def pyin(sound, low, high):
    """Median of pyin's voiced frames (librosa, Mauch and Dixon 2014), its own defaults but the range."""
    import librosa

    length = 4096 if low < 100 else 2048
    pitch, voiced, _ = librosa.pyin(sound, fmin=low, fmax=high, sr=RATE, frame_length=length)
    return float(np.median(pitch[voiced])) if voiced.any() else float("nan")


def pitch_table(count):
    """Error in cents and time of one second of sound, both ways, on steady notes and on vibrato."""
    print(f"pitch, {count} notes a row: root mean square error (cents), wrong notes (50 cents and more), s")
    for name, how in {
        "steady": {"jitter_cents": 0.0, "tremor_db": 0.0},
        "as bowed": {},
        "vibrato": {"vibrato_rate": 5.5, "width_cents": 30.0},
        "noisy (10 dB)": {"snr_db": 10.0},
    }.items():
        for label, method in {"resonance": ours, "pyin": pyin}.items():
            errors, spent = [], 0.0
            for seed in range(count):
                rng = np.random.default_rng([71, seed])
                pitch = 65.0 * 2 ** rng.uniform(0, 3.5)
                sound = steady_note(pitch, rng=rng, duration=2.0, rate=RATE, **how)
                start = time.process_time()
                errors.append(off_cents(method(sound, 60.0, 1400.0), pitch))
                spent += time.process_time() - start
            right = np.abs(errors) < 50
            rms = np.sqrt(np.mean(np.square(np.array(errors)[right])))
            print(f"  {name:14s} {label:10s} {rms:6.2f}  {int((~right).sum())}  {spent / count / 2:.3f}")


def wolf_table(count):
    """Wolves found by depth, and how many vibratos and plain notes are taken for one."""
    print(f"wolf, {count} notes a row: beats of 3 to 12 Hz found (of those, at the right rate)")
    for pattern in ("odd", "all", "first"):
        for low, high in ((0.1, 0.2), (0.2, 0.4), (0.4, 1.0)):
            hits = 0
            for seed in range(count):
                rng = np.random.default_rng([72, seed])
                rate, depth = rng.uniform(3, 12), rng.uniform(low, high)
                wolf = find_wolf(_track(rng, beat_rate=rate, depth=depth, pattern=pattern))
                hits += wolf is not None and abs(wolf.rate - rate) < 0.3
            print(f"  {pattern:6s} depth {low:.1f} to {high:.1f}: {hits / count:.1%}")
    for irregular in (0.0, 0.1):
        false = 0
        for seed in range(2 * count):
            rng = np.random.default_rng([73, seed])
            how = {"vibrato_rate": rng.uniform(4, 7), "width_cents": rng.uniform(10, 70)}
            false += find_wolf(_track(rng, irregular=irregular, **how)) is not None
        print(f"  vibrato of 4 to 7 Hz, wandering by {irregular:.0%}: {false / count / 2:.1%} false")
    false = sum(find_wolf(_track(np.random.default_rng([74, seed]))) is not None for seed in range(count))
    print(f"  plain notes: {false / count:.1%} false")


def _track(rng, **how):
    pitch = 65.0 * 2 ** rng.uniform(0, 3)
    return follow(steady_note(pitch, rng=rng, **how), RATE, pitch * (1 + rng.uniform(-0.003, 0.003)))


def time_table(_):
    """Ten minutes of scale at 48 kHz: time and memory."""
    rng = np.random.default_rng(75)
    rate, pieces = 48000.0, []
    for _ in range(300):
        pitch = 196.0 * 2 ** (rng.integers(0, 30) / 12)
        note = steady_note(pitch, rng=rng, duration=1.6, rate=rate)
        n = note.size
        edge = np.minimum(1, np.minimum(np.arange(n), n - np.arange(n)) / (0.08 * rate))
        pieces += [(0.1 / note.std() * note * edge).astype(np.float32), np.zeros(int(0.4 * rate), np.float32)]
    sound = np.concatenate(pieces).astype(float)[:, None]
    del pieces
    sound += 1e-4 * rng.standard_normal(sound.shape)
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    start, clock = time.process_time(), time.perf_counter()
    notes = find_notes([Take(Recording(sound, rate))])
    spent, waited = time.process_time() - start, time.perf_counter() - clock
    after = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(f"time: {len(notes)} notes, {sound.shape[0] / rate:.0f} s of sound")
    print(f"  {spent:.1f} s of processor, {waited:.1f} s on the clock")
    print(f"  sound {sound.nbytes / 2**20:.0f} MB; peak {before:.0f} MB before, {after:.0f} MB after")


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("what", nargs="*", default=["pitch", "wolf", "time"])
    parser.add_argument("--notes", type=int, default=60)
    arguments = parser.parse_args()
    for what in arguments.what:
        {"pitch": pitch_table, "wolf": wolf_table, "time": time_table}[what](arguments.notes)
