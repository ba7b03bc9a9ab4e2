"""What holds for every test: no network, reproducible random cases, and no quiet skip in CI."""

from __future__ import annotations

import os
import socket
from collections.abc import Iterator
from typing import Any

import pytest
from hypothesis import HealthCheck, settings

# Test processes run side by side: one thread each, or the products of one wait for another's.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

# Timing limits belong in benchmarks; a busy machine is not a counterexample. The same cases run
# everywhere, so that a failure seen in CI is the failure seen at home.
settings.register_profile(
    "thorough",
    deadline=None,
    derandomize=True,
    database=None,
    suppress_health_check=[HealthCheck.too_slow],
)
settings.register_profile("quick", settings.get_profile("thorough"), max_examples=10)
settings.load_profile(os.environ.get("HYPOTHESIS_PROFILE", "thorough"))

IN_CI = os.environ.get("CI", "").lower() in ("1", "true", "yes")
SKIPPED = pytest.StashKey[list[str]]()


@pytest.fixture(autouse=True)
def no_network(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    """A test that opens a connection to anywhere fails."""

    def refuse(self: socket.socket, address: Any) -> None:
        raise AssertionError(f"a test tried to reach {address!r}")

    monkeypatch.setattr(socket.socket, "connect", refuse)
    yield


def pytest_configure(config: pytest.Config) -> None:
    config.stash[SKIPPED] = []
    config.pluginmanager.register(_Skips(config.stash[SKIPPED]), "skips")


class _Skips:
    """Collects what was skipped, from this process and from the workers."""

    def __init__(self, skipped: list[str]) -> None:
        self.skipped = skipped

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        if report.skipped and not hasattr(report, "wasxfail"):
            self.skipped.append(report.nodeid)

    def pytest_collectreport(self, report: pytest.CollectReport) -> None:
        if report.skipped:
            self.skipped.append(report.nodeid)


def pytest_sessionfinish(session: pytest.Session, exitstatus: int) -> None:
    """In CI a skip fails: what was not run was not shown."""
    if IN_CI and session.config.stash[SKIPPED] and exitstatus == pytest.ExitCode.OK:
        session.exitstatus = pytest.ExitCode.TESTS_FAILED


def pytest_terminal_summary(terminalreporter: Any, config: pytest.Config) -> None:
    skipped = config.stash[SKIPPED]
    if IN_CI and skipped:
        terminalreporter.section("skipped in CI, which counts as failed")
        for name in skipped:
            terminalreporter.write_line(name)
