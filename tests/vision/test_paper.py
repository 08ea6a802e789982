"""A cut of the strip's paper told from an edge, on drawn sheet views: paper, a first line, a second, and what lies behind."""

import numpy as np
import pytest

from vision.paper import DECIDED, paper_border, possible_cut
from vision.sheet import SheetView

ROWS, COLUMNS, MM, FIRST, SECOND = 200, 700, 0.045, 70, 102


def view(between, behind, ramp=0.0, seed=3):
    """Log light of the surface `between` the lines and `behind` them, against the paper's, each even or a curve along the edge."""
    rng = np.random.default_rng(seed)
    features = np.zeros((ROWS, COLUMNS, 3), np.float32)
    features[..., 0] = -0.6 + np.linspace(0.0, ramp, COLUMNS)
    features[FIRST:SECOND, :, 0] += between
    features[SECOND:, :, 0] += behind
    features[..., 0] += 0.02 * rng.standard_normal((ROWS, COLUMNS))
    none = np.zeros((ROWS, COLUMNS), bool)
    return SheetView(features, ~none, none, 0.0, MM, np.zeros(COLUMNS, int), np.full(COLUMNS, 20))


def cues(picture, third=0.0, between=(), second=SECOND):
    """`third` is the strength of a line behind both, `between` are rows of lines between them."""
    lines = np.full(COLUMNS, FIRST - 1), np.full(COLUMNS, second - 1)
    before, beyond = np.zeros((2, ROWS, COLUMNS), np.float32)
    if third:
        beyond[second + 20] = third
    before[list(between)] = 0.9
    return paper_border(picture, lines, lambda count: before[:count], lambda first, end: beyond[first:end])


def told(picture, third=0.0):
    return cues(picture, third) >= DECIDED


def shaded(picture, second=SECOND):
    """With the blade's contact shadow before the second line."""
    picture.features[second - 4 : second, :, 0] -= 0.2
    return picture


ALONG = np.linspace(-1.0, 1.0, COLUMNS)


@pytest.mark.parametrize("ramp", [0.0, 0.3])
@pytest.mark.parametrize("swing", [0.12, 0.4])
def test_a_grey_card_lit_as_the_paper_before_steel_that_goes_its_own_ways(ramp, swing):
    """A lamp's light may fall off along the photo; card and paper share it, a cheek has more or less of its own."""
    picture = view(between=-1.1, behind=-0.7 + swing * ALONG, ramp=ramp)
    assert possible_cut(picture, np.full(COLUMNS, FIRST - 1)) is not None
    assert told(picture)


@pytest.mark.parametrize(("between", "behind"), [(-0.5 + 0.3 * ALONG, -0.9 + 0.4 * ALONG), (-0.5, -0.9), (0.2, -0.5 + 0.4 * ALONG)])
def test_a_bevel_is_no_card(between, behind):
    """Steel mirrors what is before it; where it does not, nothing behind it tells the two apart; and no card outshines paper."""
    assert not told(view(between, behind))


def test_nothing_matt_is_brighter_than_paper_so_no_cut():
    """Than the whitest paper: the strip may be printed on a greyer one."""
    assert possible_cut(view(0.3, -0.5), np.full(COLUMNS, FIRST - 1)) is None
    assert possible_cut(view(0.15, -0.5), np.full(COLUMNS, FIRST - 1)) is not None
    assert told(shaded(view(0.15, -0.5)), third=0.9)
    assert not told(shaded(view(0.3, -0.5)), third=0.9)


def test_a_whiter_paper_has_no_grind_lines():
    """A little brighter than the strip's paper is a whiter one, or ground steel: lines that go on from row to row are the latter."""
    path, picture = np.full(COLUMNS, FIRST - 1), view(0.15, -0.5)
    assert possible_cut(picture, path) is not None
    picture.features[FIRST:SECOND, :, 0] += 0.2 * np.random.default_rng(5).standard_normal(COLUMNS)
    assert possible_cut(picture, path) is None
    # On a darker surface, such as wood, lines decide nothing yet.
    picture.features[FIRST:SECOND, :, 0] -= 0.3
    assert possible_cut(picture, path) is not None


def test_black_against_paper_whatever_the_exposure():
    """A black card in an underexposed photo, with apex and shoulder behind it."""
    dark = view(between=0.0, behind=-0.3)
    light = np.array([0.18, 0.0054, 0.15])
    for rows, value in zip((slice(0, FIRST), slice(FIRST, SECOND), slice(SECOND, ROWS)), light, strict=True):
        dark.features[rows, :, 0] += np.log(value + 0.01) - dark.features[rows, :, 0].mean()
    assert told(dark, third=0.9)


def test_a_surface_of_the_papers_colour_with_lines_along_it_is_steel():
    """A blank card in the blade's shadow is told by the shadow; a satin cheek has streaks, and the darker one before a streak is none.

    The borders of shadows are lines as well, but not brighter ones; wood has bright lines along it, and a colour.
    """
    lines = 84, 90
    card = shaded(view(-0.4, -0.7))
    assert cues(card, between=lines) == cues(card) >= DECIDED
    card.features[85:91, :, 0] += 0.1
    streaked, plain = cues(card, between=lines), cues(card)
    assert streaked == plain - 2
    card.features[FIRST:SECOND, :, 2] -= 0.5
    assert cues(card, between=lines) == cues(card) >= DECIDED


def test_a_contact_shadow_is_darker_than_what_lies_beside_it():
    """Not than another surface a millimetre and more before it: there, bevel and bright cheek lie before a darker stretch of cheek."""
    second, level = 150, -0.4
    even, stepped = (view(level, -0.9) for _ in range(2))
    for picture in (even, stepped):
        picture.features[SECOND:second, :, 0] += level + 0.9
    stepped.features[120:second, :, 0] -= 0.2
    assert cues(shaded(even, second), second=second) - cues(stepped, second=second) >= 2


def test_a_glow_before_the_second_line_is_no_shadow_of_the_first():
    even, glowing = (view(-1.1, -2.6) for _ in range(2))
    glowing.features[SECOND - 4 : SECOND, :, 0] += 0.2
    assert cues(glowing) == cues(even)


def test_a_deep_shadow_decides_more_than_a_faint_one():
    even, deep = (view(-1.1, -2.6) for _ in range(2))
    deep.features[SECOND - 4 : SECOND, :, 0] -= 0.7
    assert cues(shaded(view(-1.1, -2.6))) - cues(even) == 2
    assert cues(deep) - cues(even) == 3
