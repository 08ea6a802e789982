"""What every test of the app needs."""

from __future__ import annotations

import sys
from collections.abc import Iterator

import pytest


@pytest.fixture(autouse=True)
def main_module() -> Iterator[None]:
    """Streamlit's test runner leaves its script as `__main__`, and the processes of a later test would start by running it."""
    before = sys.modules["__main__"]
    yield
    sys.modules["__main__"] = before
