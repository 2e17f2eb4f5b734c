"""What all tests share: one BLAS thread, and no skip that a build machine would wave through."""

import os

import pytest

os.environ.setdefault("OMP_NUM_THREADS", "1")
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
os.environ.setdefault("MPLBACKEND", "Agg")


def on_build_machine():
    """Whether this run is the one that has to prove everything (CI=true)."""
    return os.environ.get("CI", "").lower() in ("1", "true", "yes")


def skip_to_failure(report):
    """On the build machine a skipped test has proved nothing, so it fails, with its reason."""
    if report.skipped and on_build_machine():
        reason = report.longrepr[-1] if isinstance(report.longrepr, tuple) else str(report.longrepr)
        reason = vars(report).pop("wasxfail", reason)  # an expected failure is reported as a skip too
        report.outcome = "failed"
        report.longrepr = f"{report.nodeid} was skipped, and CI=true allows no skip: {reason}"
    return report


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(item, call):
    return skip_to_failure((yield))


@pytest.hookimpl(wrapper=True)
def pytest_make_collect_report(collector):
    return skip_to_failure((yield))
