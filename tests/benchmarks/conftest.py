"""Ratios of times say something only while nothing else runs."""

from __future__ import annotations

import os

import pytest


@pytest.fixture(autouse=True)
def alone(request: pytest.FixtureRequest) -> None:
    """Beside another worker a figure by the clock would be the machine's, not the program's."""
    beside = "PYTEST_XDIST_WORKER" in os.environ and request.node.get_closest_marker("processor") is None
    assert not beside, "benchmarks need the machine to themselves: add -n 0"
