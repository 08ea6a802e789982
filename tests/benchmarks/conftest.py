"""Ratios of times say something only while nothing else runs."""

from __future__ import annotations

import os

import pytest


@pytest.fixture(autouse=True)
def alone() -> None:
    """Beside another worker every figure would be the machine's, not the program's."""
    assert "PYTEST_XDIST_WORKER" not in os.environ, "benchmarks need the machine to themselves: add -n 0"
