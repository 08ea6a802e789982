"""Where grind lines end, on drawn faces whose mean brightness is one and the same."""

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter1d

from vision.grain import grain

ROWS, COLUMNS, APEX, WIDTH, BLOCK, PX_PER_MM = 200, 2400, 20, 60, 8, 60.0


def faces(slant=0.0, lines=0.05, cheek=0.0, seed=3, width=WIDTH):
    """Lane, a bevel with grind lines across the edge, and a cheek whose lines run along it or (`cheek`) across as well."""
    rng = np.random.default_rng(seed)
    grey = 0.4 + 0.01 * rng.standard_normal((ROWS, COLUMNS))
    grind, other = (gaussian_filter1d(rng.standard_normal(COLUMNS + 400), 1.2) * 1.8 for _ in range(2))
    along = gaussian_filter1d(rng.standard_normal(ROWS), 1.5) * 0.06
    for r in range(APEX, ROWS):
        at = np.arange(COLUMNS) + 200 - round(slant * (r - APEX))
        grey[r] += lines * grind[at] if r < APEX + width else along[r] + cheek * other[np.arange(COLUMNS)]
    return gaussian_filter1d(gaussian_filter1d(grey, 0.8, axis=0), 0.8, axis=1).astype(np.float32)


@pytest.mark.parametrize("slant", [0.0, 0.5, -0.35])
def test_lines_end_at_the_shoulder_whatever_their_slant(slant):
    found = grain(faces(slant), np.full(COLUMNS, float(APEX)), 0.8, PX_PER_MM, BLOCK)
    assert found.slant == pytest.approx(slant, abs=0.03)
    inner = found.short[:, 10:-10]
    assert np.median(np.abs(inner.argmax(axis=0) - WIDTH)) <= 2
    assert found.trust[10:-10].min() == 1.0


def test_a_hairline_has_rows_enough_to_tell_where_its_lines_end():
    """Eleven rows: those within two blur radii of the apex carry the lines as well, somewhat paler."""
    found = grain(faces(width=11), np.full(COLUMNS, float(APEX)), 1.2, PX_PER_MM, BLOCK)
    assert np.median(np.abs(found.short[:, 10:-10].argmax(axis=0) - 11)) <= 1
    assert np.median(found.trust[10:-10]) > 0.9


def test_a_cheek_with_lines_of_its_own():
    found = grain(faces(cheek=0.05), np.full(COLUMNS, float(APEX)), 0.8, PX_PER_MM, BLOCK)
    assert np.median(np.abs(found.short[:, 10:-10].argmax(axis=0) - WIDTH)) <= 2


def test_light_that_changes_along_the_edge_is_no_line_at_the_ends():
    """Beside the strip's ends a level has neighbours on one side only, so that a slope would look like the same line in every row."""
    grey = faces(lines=0.0) * np.linspace(0.2, 1.8, COLUMNS, dtype=np.float32) ** 3
    found = grain(grey, np.full(COLUMNS, float(APEX)), 0.8, PX_PER_MM, BLOCK)
    assert max(found.trust[:6].max(), found.trust[-6:].max()) < 0.5


def test_no_lines_say_nothing():
    found = grain(faces(lines=0.0), np.full(COLUMNS, float(APEX)), 0.8, PX_PER_MM, BLOCK)
    assert found.trust.mean() < 0.05


def test_lines_that_did_not_begin_at_the_apex_are_no_bevels():
    """A bevel without lines of its own before a cheek whose lines run across the edge: they end far up the cheek, and tell nothing."""
    found = grain(faces(lines=0.0, cheek=0.05, width=9), np.full(COLUMNS, float(APEX)), 0.8, PX_PER_MM, BLOCK)
    assert found.trust.max() == 0.0


def test_lines_of_both_faces_are_told_from_the_cheeks_alone():
    found = grain(faces(cheek=0.05, width=14), np.full(COLUMNS, float(APEX)), 0.8, PX_PER_MM, BLOCK)
    assert np.median(found.trust[10:-10]) > 0.9


def tumbled(seed):
    """A bevel with faint lines before a tumbled cheek: specks as tall as they are wide, their rows alike, many times as strong."""
    rng = np.random.default_rng(seed)
    specks = gaussian_filter1d(gaussian_filter1d(rng.standard_normal((ROWS, COLUMNS)), 5.0, axis=0), 5.0, axis=1)
    grey = faces(lines=0.015, seed=seed)
    grey[APEX + WIDTH :] += 0.4 * np.maximum(specks / specks.std() - 1.0, 0.0)[APEX + WIDTH :].astype(np.float32)
    return grey


def test_specks_of_a_tumbled_cheek_are_not_the_lines_gone_on():
    """Row by row a tall speck goes on as a line does; what ends beyond it is not what began at the apex."""
    wrong = []
    for seed in range(6):
        found = grain(tumbled(seed), np.full(COLUMNS, float(APEX)), 0.8, PX_PER_MM, BLOCK)
        wrong.append((found.trust * (np.abs(found.short.argmax(axis=0) - WIDTH) > 6))[10:-10].mean())
    assert np.mean(wrong) < 0.2
