"""All steps of one mode together: what the tap sets say of them, without what was thought beforehand.

Steps of neighbouring adjustments share tap sets, so that an error of one is the other's too, the other way
round. Whoever fits something through the steps (`resonance.changes.post`) needs them together. The mixture of
the history is taken as one normal distribution, and the prior of the steps (`settling.STEP_SD`) is taken out
of it again: what is left is the likelihood, within the whole design of settling, weather and steps.
"""

from collections.abc import Sequence
from itertools import pairwise

import numpy as np

from resonance.changes.chapters import Chapter
from resonance.changes.mixture import Posterior
from resonance.changes.settling import STEP_SD
from resonance.changes.terms import Terms
from resonance.sound.recording import FloatArray

WIDEST_CENTS = 200.0  # what the sets do not tell at all is known to so much


def joint_steps(
    posterior: Posterior, terms: Terms, accidents: Sequence[FloatArray]
) -> tuple[FloatArray, FloatArray]:
    """Say all steps of a mode together.

    Parameters
    ----------
    posterior : Posterior;  terms : Terms
    accidents : one array (k,) a group of adjustments, cents^2   what slackening adds to each step at each
        point of the posterior; 0 where the strings stayed on

    Returns
    -------
    (cents, covariance) : arrays (n_groups,) and (n_groups, n_groups), cents and cents^2
    """
    place = terms.steps
    weight = posterior.weight
    mean = weight @ posterior.mean[:, place]
    off = posterior.mean[:, place] - mean
    spread = posterior.covariance[:, place, place] + off[:, :, None] * off[:, None, :]
    precision = np.linalg.inv(np.einsum("k,kij->ij", weight, spread))
    values, vectors = np.linalg.eigh(precision - np.eye(mean.size) / STEP_SD**2)
    values = np.maximum(values, WIDEST_CENTS**-2)
    covariance = (vectors / values) @ vectors.T
    return covariance @ (precision @ mean), covariance + _shared(weight, accidents)


def _shared(weight: FloatArray, accidents: Sequence[FloatArray]) -> FloatArray:
    """Covariance of the accidents: what one slackening leaves behind begins one step and ends at the next."""
    each = np.array([weight @ accident for accident in accidents])
    out = np.diag(each)
    slackened = np.flatnonzero(each > 0.0)
    for one, other in pairwise(slackened):
        out[one, other] = out[other, one] = -0.5 * np.sqrt(each[one] * each[other])
    return np.asarray(out, np.float64)


def ids_alone(chapter: Chapter, terms: Terms) -> tuple[str, ...]:
    """Id of the adjustment behind each step; '' where several were made together."""
    return tuple(chapter.adjustments[g[0]].id if len(g) == 1 else "" for g in terms.groups)
