"""Shared by the tests of the controller."""

from __future__ import annotations

import sys

import pytest


@pytest.fixture(params=["micropython", "cpython"])
def interpreter(request: pytest.FixtureRequest) -> str:
    """The real MicroPython, and CPython."""
    return request.getfixturevalue("micropython") if request.param == "micropython" else sys.executable
