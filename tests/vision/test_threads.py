"""Threads change the time taken, never a figure."""

import time
from concurrent.futures import ThreadPoolExecutor

import cv2
import numpy as np
import pytest
from threadpoolctl import threadpool_info

from vision.declared import Declared
from vision.sighting import sight
from vision.steps import StepModel, fit_steps
from vision.threads import in_parallel, one_blas_thread, side_by_side, slices


@pytest.fixture(autouse=True)
def _threads_as_before():
    before = cv2.getNumThreads()
    yield
    cv2.setNumThreads(before)


@pytest.mark.parametrize("threads", [1, 2, 3])
def test_results_come_in_order(threads: int) -> None:
    cv2.setNumThreads(threads)
    assert in_parallel(lambda n: n * n, list(range(20))) == [n * n for n in range(20)]


def test_an_error_in_one_part_is_raised() -> None:
    cv2.setNumThreads(2)
    with pytest.raises(ZeroDivisionError):
        in_parallel(lambda n: 1 / n, [1, 0, 2])


@pytest.mark.parametrize("threads", [1, 2, 3])
def test_works_side_by_side_answer_in_order(threads: int) -> None:
    cv2.setNumThreads(threads)
    assert side_by_side(lambda: 1, lambda: 2, lambda: 3, lambda: 4) == [1, 2, 3, 4]


@pytest.mark.parametrize("bad", [0, 1])
def test_an_error_side_by_side_is_raised_and_nothing_goes_on_behind_it(bad: int) -> None:
    cv2.setNumThreads(2)
    done = []

    def slow() -> None:
        time.sleep(0.05)
        done.append(True)

    works = [slow, slow]
    works[bad] = lambda: 1 / 0
    with pytest.raises(ZeroDivisionError):
        side_by_side(*works)
    # The other one is over, whether it ran or was never begun.
    before = len(done)
    time.sleep(0.1)
    assert len(done) == before


def test_works_within_works_on_many_threads_come_to_an_end() -> None:
    """More at once and deeper than there are threads: none may wait for one that waits for it."""
    cv2.setNumThreads(2)

    def deep(level: int) -> int:
        if level == 0:
            return sum(in_parallel(lambda n: n, list(range(5))))
        return sum(side_by_side(*[lambda: deep(level - 1)] * 3))

    with ThreadPoolExecutor(6) as pool:
        assert [f.result(timeout=60) for f in [pool.submit(deep, 4) for _ in range(12)]] == [810] * 12


def test_a_photo_gives_the_same_lines_to_the_bit_whatever_the_threads(drawn) -> None:
    photo, facts = drawn(rise_mm=0.3, grind=0.3).photo(), Declared(included_angle_deg=30, camera_distance_mm=1000)
    found = []
    for threads in (1, 2, 3):
        cv2.setNumThreads(threads)
        found.append(sight(photo, facts))
    for other in found[1:]:
        for name in ("apex_px", "shoulder_px", "flags"):
            assert np.array_equal(getattr(found[0].lines, name), getattr(other.lines, name), equal_nan=True), name
        assert [c.measured for c in other.checks] == pytest.approx([c.measured for c in found[0].checks], abs=0, rel=0, nan_ok=True)


def test_slices_cover_all_once() -> None:
    assert [list(range(10))[s] for s in slices(10, 4)] == [[0, 1, 2, 3], [4, 5, 6, 7], [8, 9]]
    assert slices(0, 4) == []


def test_fits_are_the_same_to_the_bit_whatever_the_threads() -> None:
    rng = np.random.default_rng(4)
    columns = 2600  # more than two runs of columns
    place = 20 + np.sin(np.arange(columns) / 90)
    values = 1 / (1 + np.exp(-(np.arange(41)[:, None] - place))) + rng.normal(0, 0.02, (41, columns))
    fits = []
    for threads in (1, 2):
        cv2.setNumThreads(threads)
        fits.append(fit_steps(values, np.full(columns, 20.0), StepModel(9.0, 1.6, pool_px=6.0)))
    for name in ("position", "u", "levels", "sigma"):
        assert np.array_equal(getattr(fits[0], name), getattr(fits[1], name), equal_nan=True), name
    assert np.abs(fits[0].position[0] - place).max() < 0.2


def test_blas_has_one_thread_whichever_thread_asks_and_in_which_order() -> None:
    """Sums over two threads differ in the last digits: a result must not depend on who asked for it."""

    def blas() -> set[int]:
        with one_blas_thread():
            return {i["num_threads"] for i in threadpool_info() if i["user_api"] == "blas"}

    assert blas() == {1}
    with ThreadPoolExecutor(2) as pool:
        assert [pool.submit(blas).result() for _ in range(4)] == [{1}] * 4
    assert blas() == {1}
