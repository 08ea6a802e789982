"""The noise of a lane by its steps: as the standard deviation of a Gaussian's, and by its blocks where a small file has no other."""

import numpy as np
import pytest

from vision.noise import least_colour_step, least_light_step, noise_of


def test_gaussian_noise_is_its_standard_deviation():
    steps = np.random.default_rng(1).standard_normal((4, 40_000)) * np.array([[0.02], [0.004], [0.005], [0.3]])
    assert noise_of(steps) == pytest.approx([0.02, 0.004, 0.005, 0.3], rel=0.03)


def test_colour_even_within_blocks_counts_by_its_steps_between_them():
    steps = np.zeros((3, 1000))
    steps[0] = 0.02 * np.random.default_rng(2).standard_normal(1000)
    steps[1, ::4], steps[2, ::4] = 0.025, -0.03
    assert noise_of(steps) == pytest.approx([0.02, 0.025 / 1.645, 0.03 / 1.645], rel=0.1)


def test_brightness_is_not_led_by_a_tenth_of_outliers():
    steps = np.zeros((3, 1000))
    steps[0] = 0.02 * np.random.default_rng(3).standard_normal(1000)
    steps[0, :100] = 5.0
    assert noise_of(steps)[0] == pytest.approx(0.02, rel=0.2)


def test_without_noise_of_colour_one_code_is_the_least():
    still, lively = np.zeros((2, 500)), 0.003 * np.random.default_rng(4).standard_normal((2, 500))
    assert least_colour_step(still, 0.0015) > 0.02
    assert least_colour_step(lively, 0.0015) == 0.0015
    assert least_colour_step(np.vstack([lively[0], still[0]]), 0.0015) > 0.02


def test_without_noise_of_light_one_code_is_the_least():
    still, lively = np.zeros(500), 0.003 * np.random.default_rng(5).standard_normal(500)
    assert least_light_step(lively, 0.5, 0.003) == 0.003
    for code in (60, 128, 215):
        light = [((v / 255 + 0.055) / 1.055) ** 2.4 for v in (code, code + 1)]
        # IEC 61966-2-1: by how much one code changes the light at this brightness.
        assert least_light_step(still, light[0], 0.003) == pytest.approx(np.log(light[1] / light[0]), rel=0.15)


def test_no_lane_no_noise():
    assert least_light_step(np.zeros(0), 1.0, 0.003) == 0.003
    assert (noise_of(np.zeros((4, 0))) == 0.0).all()
    assert least_colour_step(np.zeros((2, 0)), 0.0015) == 0.0015
