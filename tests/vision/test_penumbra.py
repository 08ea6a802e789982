"""A soft first line before a sharp second one on drawn strips: the border of a shadow, unless the whole edge is out of focus."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter

from vision.apex import refine_apex, support_along
from vision.band import notes_of
from vision.bands import past_shadow
from vision.flags import StationFlag
from vision.penumbra import past_penumbra, shadow_taken
from vision.shoulder import find_shoulder
from vision.straighten import StraightStrip

ROWS, COLUMNS, SHADOW, APEX, WIDTH, PX_PER_MM, BLUR = 260, 1800, 50, 70, 70, 60.0, 0.9


def strip(blur=BLUR, penumbra=3.0, bevel=0.4, cheek=0.3, seed=3):
    """A lane, a shadow whose border is `penumbra` px wide (standard deviation), the bevel from `APEX` on, the cheek."""
    rng = np.random.default_rng(seed)
    grey = np.full((ROWS, COLUMNS), 0.6)
    grey[SHADOW:] = 0.2
    grey = gaussian_filter(grey, (penumbra, 0))
    grey[APEX:] = bevel
    grey[APEX + WIDTH :] = cheek * (1.0 + 0.05 * rng.standard_normal((ROWS - APEX - WIDTH, COLUMNS)))
    grey = gaussian_filter(grey, blur) + 0.004 * rng.standard_normal(grey.shape)
    return pictured(grey)


def pictured(grey):
    """The strip that shows this light (R, S), its coarse curve at the shadow's border."""
    linear = np.repeat(np.clip(grey, 0, 1)[..., None], 3, axis=2).astype(np.float32)
    base = np.column_stack([np.arange(COLUMNS, dtype=float), np.full(COLUMNS, float(SHADOW))])
    return StraightStrip(
        linear, np.zeros(grey.shape, bool), float(SHADOW), base, np.tile([0.0, 1.0], (COLUMNS, 1)), np.ones(grey.shape, bool)
    )


def lines_at(picture, first, second):
    """Both lines as a search gives them that took those at rows `first` and `second`."""
    edge = refine_apex(picture, BLUR, PX_PER_MM, None, np.full(COLUMNS, float(first)))
    line = find_shoulder(picture, edge.row, BLUR, PX_PER_MM)
    return edge, replace(line, row=np.full(COLUMNS, float(second)))


def test_a_penumbra_taken_for_the_edge_is_told_by_its_softness():
    picture = strip()
    edge, line = lines_at(picture, SHADOW, APEX - 0.4)
    assert edge.blur_px > 1.6 * BLUR
    band = shadow_taken(picture, edge, line, BLUR, PX_PER_MM)
    assert band.shadow.all()
    assert np.median(band.rows) == pytest.approx(APEX - SHADOW, abs=2.0)
    mended = past_shadow(picture, band, edge, BLUR, PX_PER_MM)
    assert np.abs(mended.row[50:-50] - (APEX - 0.5)).max() < 0.5
    assert mended.blur_px == pytest.approx(BLUR, rel=0.2)
    assert mended.support > 0.9
    assert [n.code for n in band.notes(PX_PER_MM)] == ["shadow-band"]


def test_an_edge_out_of_focus_has_a_shoulder_as_soft_and_stays():
    """The strip in focus, the blade not: the first line is softer than the strip, and so is the second."""
    picture = strip(blur=2.5, penumbra=0.1)
    edge, line = lines_at(picture, APEX - 0.5, APEX + WIDTH - 0.5)
    assert edge.blur_px > 1.6 * BLUR
    assert shadow_taken(picture, edge, line, BLUR, PX_PER_MM) is None


def test_a_sharp_edge_is_not_looked_behind():
    picture = strip()
    edge, line = lines_at(picture, APEX - 0.5, APEX + WIDTH - 0.5)
    assert shadow_taken(picture, edge, line, BLUR, PX_PER_MM) is None


def test_what_is_no_darker_than_the_face_behind_it_is_no_shadow():
    """A soft line, and behind it a face darker than what lies before it: nothing says that the first was the border of a shadow."""
    picture = strip(bevel=0.05, cheek=0.3)
    edge, line = lines_at(picture, SHADOW, APEX - 0.5)
    assert edge.blur_px > 1.6 * BLUR
    assert shadow_taken(picture, edge, line, BLUR, PX_PER_MM) is None


def test_support_is_the_share_along_which_a_line_shows():
    picture = strip(penumbra=0.1)
    assert support_along(picture, np.full(COLUMNS, APEX - 0.5), BLUR, PX_PER_MM) > 0.95
    assert support_along(picture, np.full(COLUMNS, APEX + 30.0), BLUR, PX_PER_MM) < 0.3


def ramp(wide=6, own_step=0.0, bevel=0.3, blur=BLUR, seed=5):
    """A shadow over the last `wide` rows of the lane, `own_step` (0..1) of the fall of light left to the edge itself; a darker cheek."""
    rng = np.random.default_rng(seed)
    grey = np.full((ROWS, COLUMNS), 0.6)
    deepest = (1 - own_step) * (grey[0, 0] - min(bevel, 0.3))
    grey[APEX - wide : APEX] -= (deepest * (np.arange(wide) + 0.5) / wide)[:, None]
    grey[APEX:] = bevel
    grey[APEX + WIDTH :] = 0.1
    grey = gaussian_filter(grey, (blur, 0)) + 0.004 * rng.standard_normal(grey.shape)
    return pictured(grey)


def off_px(picture):
    """Rows from the true apex, before and after; its uncertainty; its flags."""
    edge = refine_apex(picture, BLUR, PX_PER_MM, None, np.full(COLUMNS, APEX - 1.5))
    line = find_shoulder(picture, edge.row, BLUR, PX_PER_MM)
    after = past_penumbra(picture, edge, line, BLUR, PX_PER_MM)
    middle = slice(100, -100)
    away = [np.median(e.row[middle]) - (APEX - 0.5) for e in (edge, after)]
    said = [n.code for n in notes_of(after, PX_PER_MM)]
    assert said == ["shadow-at-edge"] * bool((after.flags & StationFlag.SHADOW).any())
    return *away, float(np.median(np.hypot(after.u_px, after.systematic_px)[middle])), after.flags[middle]


@pytest.mark.parametrize(("own_step", "left"), [(0.0, 0.8), (0.25, 0.5), (0.5, 1.1)])
@pytest.mark.parametrize("wide", [3, 4])
def test_where_a_shadow_runs_into_a_dark_bevel_the_edge_is_its_far_end(wide, own_step, left):
    """Half an own step is as far as it is believed: there nothing is won, and the uncertainty still holds. Without any own step nothing
    tells the shadow from a facet, and it goes half of the way."""
    before, after, u, flags = off_px(ramp(wide, own_step))
    assert before < -0.6
    assert abs(after) < left * abs(before)
    assert abs(after) < 2 * u
    assert (flags & StationFlag.SHADOW).mean() > 0.9


@pytest.mark.parametrize("blur", [0.9, 1.5])
@pytest.mark.parametrize("wide", [3, 5, 6])
def test_a_facet_at_the_edge_that_is_nearly_as_dark_as_the_bevel_is_no_shadow(wide, blur):
    """Light falls at the edge and once more, by less, where the facet ends: it tails off toward the blade."""
    grey = np.full((ROWS, COLUMNS), 0.6)
    grey[APEX:], grey[APEX + wide :], grey[APEX + WIDTH :] = 0.35, 0.3, 0.1
    grey = gaussian_filter(grey, (blur, 0)) + 0.004 * np.random.default_rng(1).standard_normal(grey.shape)
    before, after, *_ = off_px(pictured(grey))
    assert after == pytest.approx(before, abs=0.05)


def test_a_shadow_before_a_bright_bevel_moves_nothing():
    before, after, _, flags = off_px(ramp(bevel=0.9))
    assert after == before
    assert not (flags & StationFlag.SHADOW).any()


def test_a_sharp_dark_bevel_stays():
    before, after, _, flags = off_px(ramp(wide=1, own_step=1.0))
    assert after == pytest.approx(before, abs=0.05)
    assert not (flags & StationFlag.SHADOW).any()


def test_a_dark_bevel_out_of_focus_stays():
    """The strip in focus, the blade not: both lines are soft, and no shadow is needed to explain the first."""
    before, after, *_ = off_px(ramp(wide=1, own_step=1.0, blur=2.2))
    assert after == pytest.approx(before, abs=0.1)
