"""Three overlapping demo photos of one blade as one profile: overlaps agree, and against truth it does as well as single photos."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest

from app.demo import FOLDER, load
from vision import thickness
from vision.merge import merge
from vision.photo import open_photo
from vision.sighting import sight

DEMO = next(d for d in load() if d.name == "whole-edge")


@pytest.fixture(scope="module")
def singles():
    """Widths of each photo on its own, numbered."""
    found = (sight(open_photo(path), DEMO.declared).widths(DEMO.declared) for path in DEMO.photos)
    return [replace(w, photo=np.full(w.width_mm.shape, i)) for i, w in enumerate(found)]


@pytest.fixture(scope="module")
def truths():
    """(position, width, thickness) rows of each photo's truth; one blade, so that overlaps have two of them."""
    out = []
    for path in DEMO.photos:
        stations = json.loads((FOLDER / f"{path.stem}.truth.json").read_text(encoding="utf-8"))["stations"]
        out.append(np.array([(s["position_mm"], s["bevel_width"], s["thickness"]) for s in stations]).T)
    return out


def against(widths, truth):
    """Signed width errors (mm) at the measured stations that the truth spans."""
    x = widths.position_mm
    inside = np.isfinite(widths.width_mm) & (x >= truth[0].min()) & (x <= truth[0].max())
    return widths.width_mm[inside] - np.interp(x[inside], truth[0], truth[1])


def test_overlaps_agree_within_their_stated_uncertainty(singles):
    merged, overlaps, notes = merge(singles)
    assert [(o.first, o.second) for o in overlaps] == [(0, 1), (1, 2)]
    for o in overlaps:
        assert o.end_mm - o.start_mm > 8.0
        assert o.agrees
        # Agreement bought with a uselessly wide band would be none: the whole bevel is 0.8 mm.
        assert 2 * o.u_mm < 0.08
    assert {n.code for n in notes} == {"overlap-agrees"}
    assert (np.diff(merged.position_mm) > 0).all()
    assert np.ptp(merged.position_mm) > 100.0


def test_merged_does_against_truth_as_well_as_single_photos(singles, truths):
    merged, _, _ = merge(singles)
    alone = np.concatenate([np.abs(against(w, t)) for w, t in zip(singles, truths, strict=True)])
    whole = np.concatenate(truths, axis=1)
    whole = whole[:, np.argsort(whole[0], kind="stable")]
    together = np.abs(against(merged, whole))
    for share in (50, 95):
        assert np.percentile(together, share) <= 1.1 * np.percentile(alone, share)


def test_band_of_the_merged_profile_holds_the_true_thickness(singles, truths):
    merged, _, _ = merge(singles)
    profile = thickness.estimate(merged, DEMO.declared).profile
    held, half = [], []
    for i, truth in enumerate(truths):
        mine = (merged.photo == i) & np.isfinite(profile.thickness_mm)
        true = np.interp(merged.position_mm[mine], truth[0], truth[2])
        held.append((profile.low_mm[mine] <= true) & (true <= profile.high_mm[mine]))
        half.append((profile.high_mm - profile.low_mm)[mine] / 2)
    assert np.concatenate(held).mean() >= 0.92
    assert np.median(np.concatenate(half)) <= 0.035
