"""Put-back scatter against closed forms and against made-up repeat sets of known scatter."""

from dataclasses import replace

import numpy as np
import pytest

from resonance.changes.comparison import Repeatability, Scatter
from resonance.changes.repeatability import (
    ASSUMED,
    Contrast,
    likeness,
    repeatability,
    scatter_for,
    scatter_posterior,
    shop_repeatability,
    work_kind,
)

from .making import FREQUENCIES, a_mode, a_set, moved, readings

PUT_BACK, RETUNED = "put back", "slackened and retuned"


def codes(reasons):
    return [reason.code for reason in reasons]


def repeats(rng, n, scatter, *, kind=PUT_BACK, u=0.1, hours=1.0):
    first = a_set("set1", readings(rng, FREQUENCIES, scatter=scatter, u=u))
    return [
        first,
        *(
            a_set(
                f"set{k + 2}",
                readings(rng, FREQUENCIES, scatter=scatter, u=u),
                hours=hours * (k + 1),
                repeat_of="set1",
                repeat_kind=kind,
            )
            for k in range(n)
        ),
    ]


def test_a_kind_the_job_does_not_repeat_stays_as_the_shop_learned_it(rng):
    shop = shop_repeatability([[*repeats(rng, 5, 3.0), *repeats(rng, 5, 4.0, kind=RETUNED)[1:]]])
    assert shop is not None
    job = repeatability(repeats(rng, 2, 3.0), prior=shop)
    for_post = scatter_for(job, kind=RETUNED)
    assert (for_post.kind, for_post.source) == (RETUNED, "this shop")
    assert for_post.scatter_cents == scatter_for(shop, kind=RETUNED).scatter_cents
    assert scatter_for(job, kind=PUT_BACK).source == "this job"


def test_without_repeat_sets_about_seven_cents_are_assumed():
    yardstick = repeatability([a_set("set1", [a_mode(440.0)])])
    assert yardstick.pooled == ASSUMED == Scatter(7.0, 4.0, "", "assumed")
    assert yardstick.n_repeats == 0
    assert scatter_for(yardstick, kind=RETUNED) == ASSUMED


def test_posterior_is_the_conjugate_one_where_readings_are_exact(rng):
    # Scaled inverse chi-square prior, normal data of known mean: nu = nu0 + n, nu s^2 = nu0 s0^2 + sum z^2.
    z = rng.normal(0.0, 3.0, 9)
    scatter, dof = scatter_posterior([Contrast(float(x), 0.0) for x in z], Scatter(7.0, 4.0))
    assert dof == pytest.approx(13.0, rel=1e-3)
    assert scatter**2 == pytest.approx((4.0 * 49.0 + np.sum(z**2)) / 13.0, rel=1e-3)


def test_nothing_seen_leaves_the_prior():
    assert scatter_posterior([], Scatter(7.0, 4.0)) == pytest.approx((7.0, 4.0), rel=1e-3)


def test_the_readings_own_uncertainty_is_not_counted_as_scatter(rng):
    own = 4.0
    z = rng.normal(0.0, np.hypot(3.0, own), 300)
    scatter, _ = scatter_posterior([Contrast(float(x), own**2) for x in z], Scatter(7.0, 4.0))
    assert scatter == pytest.approx(3.0, abs=0.6)


def test_scatter_never_falls_to_nothing(rng):
    z = rng.normal(0.0, 2.0, 400)
    scatter, _ = scatter_posterior([Contrast(float(x), 3.0**2) for x in z], Scatter(7.0, 4.0))
    assert 0.3 <= scatter < 3.0


@pytest.mark.parametrize("scatter", [2.0, 5.0, 12.0])
def test_a_known_scatter_is_found(scatter):
    found = [
        repeatability(repeats(np.random.default_rng(seed), 6, scatter)).pooled.scatter_cents
        for seed in range(15)
    ]
    # Six repeats of ten modes count as 32 contrasts beside the prior's 4 at 7 cents.
    expected = np.sqrt((4.0 * 49.0 + 32.0 * scatter**2) / 36.0)
    assert np.mean(found) == pytest.approx(expected, rel=0.1)


def test_what_is_found_is_within_what_is_claimed():
    inside = []
    for seed in range(120):
        pooled = repeatability(repeats(np.random.default_rng(seed), 2, 7.0)).pooled
        # chi-square interval of a variance with the claimed degrees of freedom
        ratio = pooled.dof * pooled.scatter_cents**2 / 49.0
        quantile = float(np.mean(np.random.default_rng(1).chisquare(pooled.dof, 4000) < ratio))
        inside.append(0.025 < quantile < 0.975)
    assert np.mean(inside) >= 0.93


def test_source_kind_and_counts(rng):
    yardstick = repeatability(repeats(rng, 3, 5.0))
    assert (yardstick.pooled.source, yardstick.pooled.kind, yardstick.n_repeats) == ("this job", PUT_BACK, 3)
    assert yardstick.pooled.dof > ASSUMED.dof + 10
    assert [(r.code, dict(r.values)) for r in yardstick.reasons][:1] == [
        ("repeats_used", {"kind": PUT_BACK, "n": 3})
    ]
    assert "repeats_of_one_day" in codes(yardstick.reasons)


def test_repeats_on_other_days_are_not_called_of_one_day(rng):
    assert "repeats_of_one_day" not in codes(repeatability(repeats(rng, 2, 5.0, hours=30.0)).reasons)


def test_kinds_are_kept_apart(rng):
    gentle = repeats(rng, 4, 1.0, kind="untouched")
    rough = [replace(s, id=f"r{s.id}", repeat_kind=RETUNED) for s in repeats(rng, 4, 12.0, kind=RETUNED)[1:]]
    yardstick = repeatability([*gentle, *rough])
    by_kind = {s.kind: s.scatter_cents for s in yardstick.kinds}
    assert by_kind["untouched"] < 3.0 < 8.0 < by_kind[RETUNED]
    assert yardstick.pooled.kind == RETUNED  # untouched repeats say nothing about putting back
    assert scatter_for(yardstick, kind=RETUNED).scatter_cents == by_kind[RETUNED]
    assert scatter_for(yardstick, kind=PUT_BACK).scatter_cents == by_kind[RETUNED]


def test_rough_work_is_not_judged_by_a_gentle_scatter(rng):
    small = repeatability(repeats(rng, 5, 2.0))
    assert scatter_for(small, kind=PUT_BACK).source == "this job"
    assert scatter_for(small, kind=RETUNED) == ASSUMED
    large = repeatability(repeats(rng, 5, 15.0))
    judged = scatter_for(large, kind=RETUNED)
    assert judged.source == "assumed"
    assert judged.scatter_cents == large.pooled.scatter_cents


def test_untouched_repeats_alone_do_not_stand_for_putting_back(rng):
    yardstick = repeatability(repeats(rng, 5, 1.0, kind="untouched"))
    assert scatter_for(yardstick, kind="untouched").source == "this job"
    assert scatter_for(yardstick, kind=PUT_BACK) == ASSUMED


def test_the_shop_serves_a_job_without_repeats_and_bends_to_one_with(rng):
    shop = Repeatability(Scatter(3.0, 60.0, PUT_BACK, "this job"), n_repeats=12)  # learned on another job
    alone = repeatability([a_set("set1", [a_mode(440.0)])], prior=shop)
    assert (alone.pooled.source, alone.pooled.scatter_cents, alone.pooled.dof) == ("this shop", 3.0, 10.0)
    with_repeats = repeatability(repeats(rng, 4, 12.0), prior=shop)
    assert with_repeats.pooled.source == "this job"
    assert with_repeats.pooled.scatter_cents > 8.0


def test_tracks_that_differ_get_their_own_scatter_and_alike_ones_do_not():
    sets, wild = [], np.where(np.arange(10) < 2, 20.0, 3.0)
    rng = np.random.default_rng(5)
    for k in range(9):
        modes = [
            a_mode(moved(f, s * rng.standard_normal()), u=0.05, track=f"m{i}")
            for i, (f, s) in enumerate(zip(FREQUENCIES, wild, strict=True))
        ]
        repeat = {"repeat_of": "set0", "repeat_kind": PUT_BACK} if k else {}
        sets.append(a_set(f"set{k}", modes, **repeat))
    yardstick = repeatability(sets)
    scatter = {s.track: s.scatter_cents for s in yardstick.tracks}
    assert min(scatter["m0"], scatter["m1"]) > 10.0
    assert max(scatter[f"m{i}"] for i in range(2, 10)) < 7.0
    assert scatter_for(yardstick, kind=PUT_BACK, track="m0").scatter_cents == scatter["m0"]
    assert scatter_for(yardstick, kind=PUT_BACK, track="new").scatter_cents == yardstick.pooled.scatter_cents
    alike = [
        len(repeatability(repeats(np.random.default_rng(seed), 6, 5.0)).tracks) > 0 for seed in range(20)
    ]
    assert np.mean(alike) < 0.75  # by chance the excess is positive in about half of the jobs


def test_likeness_finds_the_distribution_that_variances_come_from():
    # s_j^2 = 49 d0 / chi2(d0) with d0 = 6, five contrasts for each of 400 tracks.
    rng = np.random.default_rng(2)
    variances = 49.0 * 6.0 / rng.chisquare(6.0, 400)
    tracks = [[Contrast(float(z), 0.0) for z in rng.normal(0.0, np.sqrt(v), 5)] for v in variances]
    assert likeness(tracks, 7.0) == pytest.approx(6.0, rel=0.3)


def test_a_chain_of_repeats_is_one_group(rng):
    star = repeats(rng, 3, 5.0)
    chain = [s if k < 2 else replace(s, repeat_of=star[k - 1].id) for k, s in enumerate(star)]
    assert repeatability(chain).pooled == repeatability(star).pooled


def test_an_adjustment_between_makes_it_no_repeat(rng):
    sets = repeats(rng, 2, 5.0)
    yardstick = repeatability([sets[0], sets[1], replace(sets[2], after=("adj1",))])
    assert yardstick.n_repeats == 1
    assert "repeat_after_adjustment" in codes(yardstick.reasons)


def test_a_repeat_of_something_unknown_is_left_out(rng):
    yardstick = repeatability(repeats(rng, 2, 5.0)[1:])
    assert yardstick.pooled.source == "assumed"
    assert codes(yardstick.reasons) == ["repeat_base_missing"] * 2


def test_a_repeat_whose_kind_was_not_noted_counts_as_untouched(rng):
    yardstick = repeatability(repeats(rng, 2, 1.0, kind=""))
    assert yardstick.pooled.kind == "untouched"
    assert scatter_for(yardstick, kind=PUT_BACK).source == "assumed"  # it is never put-back scatter
    assert codes(yardstick.reasons).count("repeat_kind_not_noted") == 2


def test_a_repeat_without_modes_is_left_out(rng):
    sets = repeats(rng, 1, 5.0)
    yardstick = repeatability([sets[0], replace(sets[1], modes=())])
    assert yardstick.pooled == ASSUMED
    assert "repeat_not_paired" in codes(yardstick.reasons)


def test_strings_do_not_count(rng):
    sets = repeats(rng, 3, 5.0)
    tuned = [
        replace(s, modes=(*s.modes, a_mode(moved(294.0, 60.0 * k), kind="string")))
        for k, s in enumerate(sets)
    ]
    assert repeatability(tuned).pooled == repeatability(sets).pooled


def test_methods_are_not_mixed(rng):
    sets = repeats(rng, 1, 5.0)
    other = replace(sets[1], analysis=replace(sets[1].analysis, method=2))
    with pytest.raises(ValueError, match="methods 1 and 2"):
        repeatability([sets[0], other])


@pytest.mark.parametrize(
    ("parts", "kind"),
    [((), PUT_BACK), (("fitting",), PUT_BACK), (("soundpost",), RETUNED), (("fitting", "bridge"), RETUNED)],
)
def test_work_kind(parts, kind):
    assert work_kind(parts) == kind


def test_the_shops_jobs_are_learned_from_together(rng):
    jobs = [repeats(np.random.default_rng(seed), 3, 4.0) for seed in range(6)]
    shop = shop_repeatability(jobs)
    assert shop.n_repeats == 18
    assert shop.pooled.scatter_cents == pytest.approx(4.0, rel=0.15)
    assert shop.pooled.dof > repeatability(jobs[0]).pooled.dof
    assert shop.tracks == ()  # a track's name means nothing in another job
    served = repeatability([a_set("set1", [a_mode(440.0)])], prior=shop)
    assert (served.pooled.source, served.pooled.dof) == ("this shop", 10.0)
    assert shop_repeatability([jobs[0][:1]]) is None
    assert shop_repeatability([]) is None


def test_of_each_job_the_newest_method_counts(rng):
    sets = repeats(rng, 2, 4.0)
    newer = [replace(s, id=f"n{s.id}", analysis=replace(s.analysis, method=2), repeat_of=None) for s in sets]
    assert shop_repeatability([sets]) is not None
    assert shop_repeatability([[*sets, *newer]]) is None
