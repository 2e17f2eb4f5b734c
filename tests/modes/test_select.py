"""The list of modes: one measure for joining and leaving, and a list that comes to rest."""

import numpy as np
import pytest

from resonance.modes import candidates as candidates_of
from resonance.modes import select
from resonance.modes.candidates import candidates
from resonance.modes.decays import cut_groups
from resonance.modes.estimate import find_modes
from resonance.modes.fit import evaluate
from resonance.modes.gains import drifting, exact_gain, mode_gains
from resonance.modes.ranges import search_of
from resonance.modes.select import paying, price, select_modes
from resonance.modes.start import band_poles
from resonance.sound.recording import Recording, Take
from resonance.sound.synthesis import BodyMode, even_blows
from resonance.sound.synthesis import taps as tap_sound
from resonance.taps.tap import Tap

RATE = 16000.0
BODY = ((275.0, 0.025), (403.0, 0.010), (455.0, 0.011), (545.0, 0.010), (690.0, 0.012))
HUM = (50.0, 100.0, 150.0, 250.0)
EDGE = (898.0, 0.010)  # as the fitted band ends at 900 Hz


def recorded(seed: int = 1) -> tuple[list[Take], list[Tap]]:
    """Six taps on a body that shifts a little from tap to tap, over mains hum and noise."""
    rng = np.random.default_rng(seed)
    blows = even_blows(6, rng=rng)
    n = int(7.0 * RATE)
    sound = 1e-3 * rng.standard_normal(n)
    for blow in blows:
        body = [BodyMode(f + 0.2 * rng.standard_normal(), z) for f, z in (*BODY, EDGE)]
        sound += tap_sound(body, [blow], sample_rate=RATE, n_samples=n, scatter=0.1, rng=rng) * 1e3
    sound /= np.abs(sound).max()
    for frequency in HUM:
        sound += 0.003 * np.sin(2 * np.pi * frequency * np.arange(n) / RATE)
    return [Take(Recording(0.5 * sound[:, None], RATE))], [Tap(b.onset, end=b.onset + 0.9) for b in blows]


def groups_of(seed: int = 1):
    takes, taps = recorded(seed)
    return cut_groups(takes, taps, search=search_of("violin", "whole"), fit_band=(40.0, 900.0), longest=0.6)


def test_a_mode_leaves_by_the_measure_it_joined_by():
    groups = groups_of()
    poles = band_poles(np.r_[[f for f, _ in BODY], HUM], np.r_[[z for _, z in BODY], np.full(len(HUM), 1e-5)])
    roots, weights = [1.0 / np.sqrt(groups[0].noise)], [np.ones(len(groups[0].taps))]
    gains = mode_gains(evaluate(groups, poles, roots, weights), weights)
    for i, pole in enumerate(poles):
        others = evaluate(groups, np.delete(poles, i), roots, weights)
        free = [drifting(projection) for projection in others.projections]
        assert gains[i] == pytest.approx(exact_gain(groups, free, roots, weights, pole), rel=1e-4)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_the_list_comes_to_rest(seed):
    groups = groups_of(seed)
    fit = select_modes(groups, band_poles(np.array([275.0, 403.0]), np.array([0.025, 0.010])))
    assert fit.settled
    cost = price(len(groups[0].taps))
    assert paying(groups, fit.state, fit.tap_weights, cost).all()
    assert candidates(groups, fit.state, fit.root_weights, fit.tap_weights, cost).size == 0
    found = np.abs(fit.state.poles) / (2 * np.pi)
    for frequency in (*(f for f, _ in (*BODY, EDGE)), *HUM):
        assert np.min(np.abs(found - frequency)) < 1.0


def test_a_list_cut_off_says_so(monkeypatch):
    monkeypatch.setattr(select, "ADDINGS", 1)
    monkeypatch.setattr(candidates_of, "ADD_AT_ONCE", 1)
    monkeypatch.setattr("resonance.modes.estimate.start_poles", lambda groups, band: np.zeros(0, complex))
    assert "unsettled" in [reason.code for reason in find_modes(*recorded()).reasons]
