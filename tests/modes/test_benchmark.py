"""The benchmark's own tools: its peers on known decays, its figures and verdicts on made-up results."""

import importlib
import json
import sys
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pytest

HERE = Path(__file__).parents[1] / "benchmarks" / "modes"
RATE = 8000.0
POLES = 2 * np.pi * np.array([275.0, 400.0, 450.0, 540.0]) * np.array([-0.02, -0.011, -0.012, -0.01]) + 2j * (
    np.pi * np.array([275.0, 400.0, 450.0, 540.0]) * np.sqrt(1 - np.array([0.02, 0.011, 0.012, 0.01]) ** 2)
)


@pytest.fixture
def benchmark(monkeypatch):
    """Import a module of the benchmark by its name; they stand beside one another, outside every package."""
    monkeypatch.syspath_prepend(HERE)
    names = {path.stem for path in HERE.glob("*.py")}
    kept = {name: sys.modules.pop(name) for name in names & set(sys.modules)}
    yield importlib.import_module
    for name in names & set(sys.modules):
        del sys.modules[name]
    sys.modules.update(kept)


@pytest.fixture
def decays():
    """Six taps of the poles with a little noise, cut where they are free (n_taps, n_samples)."""
    rng = np.random.default_rng(4)
    time = np.arange(int(0.6 * RATE)) / RATE
    c = rng.uniform(0.7, 1.3, (6, 4)) * np.exp(1j * rng.uniform(-1.0, 1.0, (6, 4)))
    return (c @ np.exp(POLES[:, None] * time)).imag + 1e-4 * rng.standard_normal((6, time.size))


# Hz and share of the damping within which each has to be: a peak leans towards its neighbour's flank.
@pytest.mark.parametrize(
    ("name", "hertz", "share"),
    [("FFT peaks", 1.5, 0.3), ("LSCF", 0.1, 0.03), ("SSI-cov", 0.1, 0.03), ("vector fitting", 0.05, 0.02)],
)
@pytest.mark.filterwarnings("ignore::RuntimeWarning")  # pyOMA-2 divides by what is empty
def test_every_peer_finds_four_plain_modes(benchmark, decays, name, hertz, share):
    peers, instruments = benchmark("peers"), benchmark("instruments")
    readings = peers.METHODS[name](decays, RATE, instruments.BODIES["violin"], peers.CHOSEN[name])
    for pole in POLES:
        frequency = np.abs(pole) / 2 / np.pi
        mode = min(readings, key=lambda m: abs(m.frequency - frequency))
        assert mode.frequency == pytest.approx(frequency, abs=hertz)
        assert mode.damping == pytest.approx(-pole.real / np.abs(pole), rel=share)
        assert mode.half >= 0.0


def test_vector_fitting_is_exact_on_a_rational_function(benchmark):
    fitting = benchmark("vectorfit")
    s = 2j * np.pi * np.linspace(150.0, 800.0, 400)
    residues = np.array([[1.0, 0.5j, -0.8, 0.3 + 0.2j], [0.2, 1.0, 0.5 - 1j, 1.0]])
    spectra = (
        residues @ (1 / (s - POLES[:, None])) + residues.conj() @ (1 / (s - POLES.conj()[:, None])) + 1e-3
    )
    weight = np.ones(s.size)
    found = fitting.fit(s, spectra, fitting.starting_poles(160.0, 790.0, 4), steps=12, weight=weight)
    assert found[np.argsort(found.imag)] == pytest.approx(POLES, rel=1e-7)
    given = fitting.residues(s, spectra, POLES, weight)
    assert given == pytest.approx(residues, rel=1e-6, abs=1e-8)


def test_a_peer_that_fails_has_found_nothing_and_is_counted(benchmark, monkeypatch):
    peers, scene = benchmark("peers"), benchmark("scene")
    made = scene.make(scene.Case("few", n_taps=2, rate=8000.0), 1)

    def fails(*given):
        raise np.linalg.LinAlgError("singular")

    monkeypatch.setitem(peers.METHODS, "LSCF", fails)
    assert peers.read("LSCF", made) == ([], True)
    readings, failed = peers.read("FFT peaks", made)
    assert readings
    assert not failed


def test_one_seed_is_one_instrument_in_one_room(benchmark):
    scene = benchmark("scene")
    case = scene.Case("room", n_taps=2, rate=8000.0, room=(0.2, 12.0))
    first = scene.make(case, 3)
    again = scene.make(case, 3, scene.Session(number=1, shift=0.5, moved=("B1-",)))
    there = scene.make(case, 3, scene.Session(number=1, first_place=1))
    moved = again.frequency - first.frequency
    assert moved[first.named["B1-"]] == pytest.approx(0.5)
    assert np.count_nonzero(moved) == 1
    assert first.takes[0].microphone_place == again.takes[0].microphone_place
    assert there.takes[0].microphone_place != again.takes[0].microphone_place
    assert not np.array_equal(
        again.takes[0].recording.samples[:9000], first.takes[0].recording.samples[:9000]
    )


def made_up(errors, half, bound=0.1):
    """Sets whose one mode has these errors and this half width."""
    rows = [
        {"error": e, "half": half, "damping_error": e, "damping_half": half, "bound": bound} for e in errors
    ]
    return [{"named": {"A0": row}, "all": [row], "false": 0, "reasons": [], "seconds": 1.0} for row in rows]


def test_figures_in_closed_form(benchmark):
    figures = benchmark("figures")
    sets = made_up([0.1, -0.1, 0.1, -0.3], 0.2)
    assert figures.ratio("A0").of(sets)[0] == pytest.approx(np.sqrt((3 * 0.01 + 0.09) / 4) / 0.1)
    assert figures.coverage().of(sets)[0] == pytest.approx(0.75)
    # 2 x half, and 2 / 0.05 for each unit by which the truth lies outside (Gneiting and Raftery 2007, eq. 43)
    assert figures.score().of(sets)[0] == pytest.approx(0.4 + 40 * 0.1 / 4)
    assert figures.width_over_need(["A0"]).of(sets)[0] == pytest.approx(0.2 / (1.96 * np.sqrt(0.03)))
    lost = [*made_up([0.0], 0.1), {**made_up([0.0], 0.1)[0], "named": {"A0": {"error": None, "bound": 0.1}}}]
    assert figures.found("A0").of(lost)[0] == 0.5
    assert figures.rms("A0").of(lost)[0] == pytest.approx(np.sqrt(4.0 / 2))  # a miss counts 2 Hz
    assert figures.score().of(lost)[0] == pytest.approx((0.2 + 4.0) / 2)


def test_the_bootstrap_interval_is_that_of_the_mean(benchmark):
    figures = benchmark("figures")
    rng = np.random.default_rng(1)
    seconds = rng.standard_normal(400)
    value, (low, high) = figures.seconds().of([{"seconds": s} for s in seconds])
    half = 1.96 * seconds.std() / 20.0  # of a mean of 400
    assert value == pytest.approx(seconds.mean())
    assert (high - low) / 2 == pytest.approx(half, rel=0.1)


@pytest.mark.parametrize(
    ("errors", "verdict"),
    [(0.1, "PASS"), (0.2, "FAIL"), (0.125, "UNDECIDED")],
    ids=["half", "twice", "on it"],
)
def test_verdict_by_the_whole_interval(benchmark, errors, verdict):
    requirements = benchmark("requirements")
    rng = np.random.default_rng(2)
    results = {"ours": {"30 dB": made_up(list(errors * rng.choice([-0.9, 0.9, 1.1, -1.1], 300)), 1.0)}}
    ratio = requirements.Requirement(
        "30 dB", benchmark("figures").ratio("A0"), high=1.25, sample=lambda r: r["ours"]["30 dB"]
    )
    assert requirements.judge(ratio, results)[2] == verdict
    results["ours"]["30 dB"] = results["ours"]["30 dB"][:10]
    assert requirements.judge(ratio, results)[2] == "UNDECIDED"  # so few tell nothing


def test_all_found_in_few_sets_is_not_yet_99_percent(benchmark):
    requirements = benchmark("requirements")
    found = requirements.Requirement(
        "30 dB", benchmark("figures").found("A0"), low=0.99, counted=True, sample=lambda r: r
    )
    assert requirements.judge(found, made_up([0.1] * 100, 1.0))[2] == "UNDECIDED"
    assert requirements.judge(found, made_up([0.1] * 300, 1.0))[2] == "PASS"


def test_every_case_is_asked_for_something(benchmark):
    requirements, cases = benchmark("requirements"), benchmark("cases")
    asked = {r.case for r in requirements.requirements()}
    assert asked == {c.name for c in cases.CASES} | {p.name for p in cases.PAIRS}


def test_a_run_goes_on_where_it_stopped(benchmark, monkeypatch, tmp_path):
    run = benchmark("run")
    done = []

    def counted(job):
        done.append(job[2])
        return {"key": job[3], "kind": job[0], "case": job[1].name, "seed": job[2], "found": {"seconds": 1.0}}

    class Here:  # in place of the pool of processes
        def __init__(self, workers):
            pass

        def __enter__(self):
            return SimpleNamespace(map=lambda does, jobs: map(does, jobs))

        def __exit__(self, *error):
            return False

    monkeypatch.setattr(run, "measure", counted)
    monkeypatch.setattr(run, "ProcessPoolExecutor", Here)
    options = SimpleNamespace(
        size="quick", sets=3, peers=False, peer_sets=None, case=["30 dB"], pairs=None, seeds="tuning"
    )
    jobs = [job for job in run.jobs_of(options) if job[1].name == "30 dB"]
    path = tmp_path / "results.jsonl"
    run.run(jobs[:2], path, 1)
    with path.open("a") as out:
        out.write('{"key": "cut sh')  # as a stop in the middle of a line leaves it
    run.run(jobs, path, 1)
    assert done == [0, 1, 2]
    assert [one["seed"] for one in run.gathered(jobs, path)["ours"]["30 dB"]] == [0, 1, 2]
    changed = [(kind, case, seed, run.key_of(kind, case, seed, "other code")) for kind, case, seed, _ in jobs]
    assert run.gathered(changed, path)["ours"] == {}
    assert json.loads(path.read_text().splitlines()[0])["seed"] == 0


def test_words_about_the_code_do_not_make_a_run_begin_anew(benchmark):
    meaning = benchmark("run").meaning
    plain = 'def f(x):\n    """Gives x."""\n    return x + 1\n'
    assert meaning(plain) == meaning('# why\ndef f(x):\n    """Gives x and one."""\n    return (x + 1)\n')
    assert meaning(plain) != meaning(plain.replace("+ 1", "+ 2"))
