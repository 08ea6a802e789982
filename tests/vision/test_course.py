"""The smooth course of a line among the answers of a search that jumped."""

import numpy as np

from vision.course import best_course, robust_local, robust_polynomial, without_jumps
from vision.lines import first_line

COLUMNS = 400
X = np.linspace(-1, 1, COLUMNS)


def support_of(*lines):
    """Share of each course's length within 2 rows of any of the lines."""
    return lambda courses: [float(np.mean(np.min([np.abs(course - line) for line in lines], axis=0) < 2.0)) for course in courses]


def test_a_jump_to_the_shoulder_is_no_bend():
    """The path follows the apex over 70 % and the shoulder behind it over the rest; the apex is seen all along, the shoulder as well."""
    apex = 40.0 + 3.0 * X
    path = np.where(np.arange(COLUMNS) < 280, apex, apex + 25.0)
    course = best_course(path, support_of(apex, apex + 25.0))
    assert np.abs(course - apex).max() < 2.0


def test_a_belly_is_followed_where_a_straight_line_has_no_support():
    belly = 40.0 + 30.0 * np.maximum(X, 0.0) ** 2
    assert np.abs(best_course(belly, support_of(belly)) - belly).max() < 2.0


def test_of_two_lines_alike_the_first_is_taken():
    """The path lies mostly on the shoulder, jumps to the apex near the end; the apex is seen just as well all along."""
    first, second = np.full(COLUMNS, 30.0), np.full(COLUMNS, 60.0)
    path = np.where(np.arange(COLUMNS) < 240, second, first)
    assert np.abs(best_course(path, support_of(first, second)) - first).max() < 1.0
    assert np.abs(best_course(path, support_of(second)) - second).max() < 1.0


def test_no_support_at_all_still_gives_a_course():
    assert best_course(np.full(COLUMNS, 10.0), lambda courses: [0.0] * len(courses)).shape == (COLUMNS,)


def test_the_polynomial_that_most_of_the_path_follows():
    path = 20.0 + 5.0 * X
    path[300:] += 40.0
    assert np.abs(robust_polynomial(path, 1, (0.0, 0.6))[:300] - (20.0 + 5.0 * X)[:300]).max() < 1.0


def test_sure_places_lead():
    """A wobble of 8 rows over weak stretches between sure ones."""
    weak = (np.arange(COLUMNS) // 20) % 2 == 0
    path = np.where(weak, 42.0, 50.0)
    course = robust_local(path, 30.0, np.where(weak, 0.3, 0.95))
    assert np.abs(course - 50.0).max() < 1.5


def test_a_corner_stays_a_corner():
    corner = 50.0 - 0.4 * np.maximum(np.arange(COLUMNS) - 200.0, 0.0)
    # A straight window misses a corner by less than the turn times its own length.
    assert np.abs(robust_local(corner, 15.0, np.ones(COLUMNS)) - corner).max() < 0.4 * 15.0


def test_guides_that_leave_no_way_are_not_followed():
    """A corridor that jumps by 40 rows from one column to the next, and a column barred from top to bottom."""
    strength = np.zeros((60, 80))
    strength[30] = 0.9
    barred = np.ones((60, 80), bool)
    barred[5:10, :40] = barred[50:55, 40:] = False
    assert (first_line(strength, strength, 0.6, barred) == 30).all()
    whole = np.zeros((60, 80), bool)
    whole[:, 10] = True
    assert (first_line(strength, strength, 0.6, whole) == 30).all()


def test_a_path_that_steps_onto_the_shoulder_still_gives_the_whole_course():
    """Its last third runs along the shoulder, parallel to an edge that bends there: only with the step taken out is the bend known."""
    at = np.arange(COLUMNS)
    edge = np.round(60.0 - 35.0 * np.clip((at - 0.55 * COLUMNS) / (0.45 * COLUMNS), 0.0, 1.0) ** 2)
    path = np.where(at > 0.65 * COLUMNS, edge + 25.0, edge)
    level = without_jumps(path)
    assert np.abs(level - edge).max() < 1e-9
    course = best_course(path, support_of(edge, edge + 25.0), more=(level,))
    assert np.abs(course - edge).max() < 2.5


def test_a_steep_tip_is_no_jump():
    slope = np.round(40.0 - np.arange(COLUMNS) * 1.0)
    assert (without_jumps(slope) == slope).all()


def test_the_longest_part_keeps_its_place():
    path = np.full(COLUMNS, 30.0)
    path[: COLUMNS // 4] += 20.0
    assert (without_jumps(path) == 30.0).all()
