"""The study set as values: its causes, its split, its moved lamps, and what holds no measurement (no renderer needed)."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace

import numpy as np
import pytest

from demo_images.render import GROUPS, STUDY_SCENES
from demo_images.study_cases import CASES, HALF, HELD, OPEN, halves
from demo_images.study_lights import LIGHT_HALF, LIGHT_SETS
from demo_images.study_refused import REFUSED_SCENES
from demo_images.truth import setup, stations


def test_every_cause_stands_in_both_halves() -> None:
    assert len(CASES) == len(STUDY_SCENES) >= 44
    seen = Counter((case.cause, HALF[case.scene.name]) for case in CASES)
    for cause in {case.cause for case in CASES}:
        assert seen[cause, OPEN] == seen[cause, HELD] >= 1, cause


def test_what_was_known_before_the_split_is_open() -> None:
    assert all(HALF[case.scene.name] == OPEN for case in CASES if case.known)


def test_the_split_depends_on_names_alone() -> None:
    assert halves(CASES[::-1]) == HALF
    changed = [replace(case, scene=replace(case.scene, lights=())) for case in CASES]
    assert halves(changed) == HALF


@pytest.mark.parametrize("name", sorted(LIGHT_SETS))
def test_moved_light_changes_the_lamp_and_neither_blade_nor_strip(name) -> None:
    photos = LIGHT_SETS[name]
    assert len(photos) == 3
    assert len({(p.blade, p.target, p.ambient, p.declared) for p in photos}) == 1
    assert len({p.lights for p in photos}) == 3
    assert len({p.camera for p in photos}) in (1, 3)


def test_light_sets_are_halved_and_half_are_taken_by_hand() -> None:
    assert Counter(LIGHT_HALF.values()) == {OPEN: 5, HELD: 5}
    assert sum(len({p.camera for p in photos}) == 3 for photos in LIGHT_SETS.values()) == 5


def test_no_measurement_photos_have_a_setup_without_readings() -> None:
    assert len(REFUSED_SCENES) >= 30
    for scene in REFUSED_SCENES.values():
        if scene.blade is None:
            rows = stations(scene)
            assert rows == []
            assert setup(scene, rows)["caliper"] == []


def test_groups_name_every_photo_once() -> None:
    assert set(GROUPS["open"]) | set(GROUPS["held"]) == set(GROUPS["study"])
    assert not set(GROUPS["open"]) & set(GROUPS["held"])
    assert len(GROUPS["lights"]) == 30


def test_serrated_and_corner_stations_are_marked_and_no_reading_lies_there() -> None:
    for name, mark in (("serrated-fine", "serrated"), ("angular-tip-22deg", "corner")):
        scene = STUDY_SCENES[name]
        rows = stations(scene)
        marked = [r["position_mm"] for r in rows if mark in r]
        assert 0 < len(marked) < len(rows) / 2
        for at, _ in setup(scene, rows)["caliper"]:
            assert np.abs(np.array(marked) - at).min() > 0.03


def test_micro_bevel_truth_names_its_facet() -> None:
    blade = STUDY_SCENES["micro-bevel"].blade
    facet = [r["facet_width"] for r in stations(STUDY_SCENES["micro-bevel"])]
    np.testing.assert_allclose(facet, blade.micro_mm / np.cos(np.radians(blade.micro_extra_deg)), atol=1e-5)
