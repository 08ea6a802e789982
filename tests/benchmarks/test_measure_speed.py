"""Speed and memory of one measurement, as ratios to a floor taken in the same run."""

from __future__ import annotations

import subprocess
import sys
import time
from collections.abc import Callable, Sequence

import cv2
import numpy as np
import pytest

from app.demo import FOLDER, load
from calibration_targets.strip import STRIP
from vision.measure import measure
from vision.photo import open_photo

pytestmark = pytest.mark.benchmark


@pytest.fixture(scope="module")
def demo():
    return next(d for d in load() if d.name == "plain-edge")


def _best_of(works: Sequence[Callable[[], object]], times: int) -> list[float]:
    """The shortest of several runs of each, taken in turn: what else the machine did can only lengthen one, and meets all alike."""
    spent = [[0.0] * times for _ in works]
    for turn in range(times):
        for which, work in enumerate(works):
            start = time.perf_counter()
            work()
            spent[which][turn] = time.perf_counter() - start
    return [min(each) for each in spent]


def test_measure_takes_at_most_six_floors(demo) -> None:
    path = demo.photos[0]
    detector = cv2.aruco.CharucoDetector(STRIP.charuco())

    def floor() -> None:
        grey = cv2.cvtColor(cv2.imdecode(np.frombuffer(path.read_bytes(), np.uint8), cv2.IMREAD_COLOR), cv2.COLOR_BGR2GRAY)
        assert grey.shape == (3000, 4000), "the bound is stated for 12 megapixels"
        detector.detectBoard(grey)

    def whole() -> None:
        measure([open_photo(path)], demo.declared)

    least, spent = _best_of((floor, whole), 5)
    print(f"floor {least:.2f} s, measure {spent:.2f} s, ratio {spent / least:.1f}")
    assert spent <= 6.0 * least


def test_measure_needs_at_most_800_mb() -> None:
    code = (
        "import re; from pathlib import Path; from app.demo import load\n"
        "from vision.measure import measure; from vision.photo import open_photo\n"
        "d = next(d for d in load() if d.name == 'plain-edge'); measure([open_photo(d.photos[0])], d.declared)\n"
        # Not getrusage: its peak is inherited from the process that started this one. VmHWM is this program's own.
        "print(re.search(r'VmHWM:\\s+(\\d+)', Path('/proc/self/status').read_text())[1])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=FOLDER)
    # In units of 1024 bytes.
    peak_mb = int(done.stdout) * 1024 / 1e6
    print(f"peak {peak_mb:.0f} MB")
    assert peak_mb <= 800
