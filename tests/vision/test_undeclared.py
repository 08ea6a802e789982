"""What is said of facts that nobody declared, and of those that were declared in vain."""

from __future__ import annotations

from dataclasses import replace

import pytest

from vision.declared import Declared
from vision.undeclared import notes

FULL = Declared(
    included_angle_deg=30.0, cheek_angle_deg=3.0, edge_height_mm=0.4, camera_distance_mm=95.0, printed_bar_mm=(99.6, 99.8), assumed=()
)


def said(*sides: Declared, strip: bool = True) -> dict[str, str]:
    return {n.code: n.text for n in notes(sides, [not strip] * len(sides))}


def test_all_declared_leaves_the_other_side_alone_to_be_said():
    assert set(said(FULL)) == {"other-side-assumed"}
    assert said(FULL, FULL) == {}


@pytest.mark.parametrize(
    ("fact", "tolerance", "words"),
    [
        ("included_angle_deg", {"angle_tolerance_deg": 3.0}, "the tolerance of 3°"),
        ("edge_height_mm", {"edge_height_tolerance_mm": 3.0}, "the tolerance of 3 mm"),
        ("camera_distance_mm", {"camera_distance_tolerance_mm": 12.0}, "the tolerance of 12 mm"),
        ("printed_bar_mm", {"printed_bar_tolerance_mm": 0.5}, "the tolerance of 0.5 mm"),
    ],
)
def test_a_tolerance_of_nothing_is_not_dropped_in_silence(fact, tolerance, words):
    facts = replace(FULL, **tolerance)
    assert "tolerance-unused" not in said(facts)
    assert said(replace(facts, **{fact: None}))["tolerance-unused"].startswith(words)
    assert "tolerance-unused" not in said(replace(FULL, **{fact: None})), "the default was nobody's word"
    assert "of side 2" in said(FULL, replace(facts, **{fact: None}))["tolerance-unused"]


def test_bars_belong_to_the_strip():
    bare = replace(FULL, printed_bar_mm=None, printed_bar_tolerance_mm=0.5)
    assert "tolerance-unused" not in said(bare, strip=False)


def test_the_cheek_that_carries_the_shallower_shoulder_on_is_said():
    bare = replace(FULL, cheek_angle_deg=None)
    assert "3 ± 2°" in said(bare, bare)["cheek-assumed"]
    assert "cheek-assumed" not in said(FULL, bare)
    assert "cheek-assumed" not in said(bare), "one side has no deeper shoulder"
