"""Fixtures that several folders use."""

from __future__ import annotations

import math

import numpy as np
import pytest

from vision.checks import judge
from vision.declared import Declared, Reading
from vision.flags import Note, StationFlag
from vision.results import (
    Budget,
    BudgetRow,
    CrossCheck,
    Figure,
    Measurement,
    PhotoRecord,
    Rise,
    Stretch,
    ThicknessProfile,
    WidthProfile,
    Zones,
)

# Files that take a minute and more go first: one of them left for the end has a worker to itself while the others wait.
LONGEST_FIRST = (
    "test_measuring_in_browser.py", "test_visitor_in_browser.py", "test_ten_sessions.py", "test_score.py",
    "test_other_screens_in_browser.py", "test_log_in_browser.py", "test_reference_log_speed.py", "test_batch.py", "test_thickness.py",
    "test_without_strip.py", "test_own_photos.py", "test_repeatability.py", "test_lights.py", "test_hints.py", "test_under_stress.py",
    "test_log_screens.py",
)  # fmt: skip


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """In the order of their files' length, as far as that matters, and as collected otherwise."""
    first = {name: place for place, name in enumerate(LONGEST_FIRST)}
    items.sort(key=lambda item: first.get(item.path.name, len(first)))


def drawn_measurement(stations: int = 241, photos: int = 1) -> Measurement:
    """A made-up 24 mm edge at 40 px/mm, flat and then rising, with a gap, a clipped stretch and one questioned reading."""
    position = np.linspace(6.0, 30.0, stations)
    width = 0.9 + 0.02 * np.maximum(position - 22.0, 0.0)
    apex = np.column_stack([40.0 * position, 700.0 - 0.05 * 40.0 * (position - 6.0)])
    shoulder = apex - np.column_stack([np.zeros(stations), 40.0 * width * math.cos(math.radians(15.0))])
    bits = np.zeros(stations, int)
    bits[(position > 12.0) & (position < 14.0)] = int(StationFlag.CLIPPED | StationFlag.SOFT)
    gap = (position > 18.0) & (position < 18.6)
    bits[gap] = int(StationFlag.NOT_MEASURED)
    width[gap], shoulder[gap] = math.nan, math.nan
    half = np.where(gap, math.nan, 15.2)
    thick = 2.0 * width * np.sin(np.radians(half))
    u = np.where(gap, math.nan, 0.014)
    widths = WidthProfile(
        position, position - 6.0, (np.arange(stations) * photos // stations).astype(int), apex, shoulder, width,
        np.where(gap, math.nan, 0.004), {"height": 0.002 * width, "print scale": 0.001 * width}, 0.2, bits,
    )  # fmt: skip
    profile = ThicknessProfile(thick, u, thick - 2.0 * u, thick + 2.0 * u, half, np.where(gap, math.nan, 0.3), True)
    zones = Zones(
        Stretch("main stretch", 6.0, 22.0, Figure(0.4719, 0.0121), 15.4),
        Rise(22.0, 0.8, 0.0105, 0.0012, Figure(0.556, 0.016), 1.18, 0.03, 30.0),
        Figure(0.486, 0.012), Figure(0.468, 0.014), Figure(0.556, 0.016), (), (6.0, 30.0), 23.4,
    )  # fmt: skip
    budget = Budget((BudgetRow("height", 0.115, "mm", 0.0174, 0.002), BudgetRow("angle", 0.58, "degrees", 0.0206, 0.01195)), 0.01212)
    reading = Reading(9.5, 0.61)
    checks = (CrossCheck(reading, 0.472, 0.013, 0.138, 3.6, True, ("a jaw 0.3 mm above the shoulder would read that",)),)
    found = judge({"strip-tilted": 2.1, "bevel-px": 7.2, "clipped": 0.08})
    records = tuple(
        PhotoRecord(f"edge-{i + 1}.jpg", f"{i:064x}", 1280, 960, 40.0, 1.1, 4100.0, "EXIF", 95.2, 2.1, 96, 0.08, checks=found)
        for i in range(photos)
    )
    return Measurement(
        Declared(included_angle_deg=30.0, readings=(reading, Reading(27.0, 0.51))), records, widths, profile, zones, budget, checks,
        (Note("height-undeclared", "the edge's height was not declared", "measure it", "caution"),),
        "shoulderline 0.1.0", "2026-11-25T00:00:00+00:00", {"numpy": "2.4.6"},
    )  # fmt: skip


@pytest.fixture
def measurement() -> Measurement:
    """One photo's measurement, made up by `drawn_measurement`."""
    return drawn_measurement()


@pytest.fixture
def two_photo_measurement() -> Measurement:
    """The same edge seen by two photos."""
    return drawn_measurement(photos=2)
