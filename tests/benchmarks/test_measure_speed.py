"""Speed and memory of one measurement, as ratios to a floor taken in the same run, by stage and by the photo's size."""

from __future__ import annotations

import statistics
import subprocess
import sys
import time
from collections.abc import Callable, Sequence
from functools import wraps
from pathlib import Path

import cv2
import numpy as np
import pytest

from app.demo import FOLDER, Demo, load
from calibration_targets.strip import STRIP
from vision import apex, checks, examine, lane, measure, reading, shoulder, sighting
from vision.photo import open_photo

pytestmark = pytest.mark.benchmark

# Megapixels of phones' photos, binned to full resolution.
SIZES_MP = (3, 12, 48, 108)
# The photo on disk, the decoded one and its grey copy, the straight strip and the pictures of one stage.
MOST_BYTES_PER_PX, MOST_BASE_MB = 10.0, 220


@pytest.fixture(scope="module")
def demo() -> Demo:
    return next(d for d in load() if d.name == "plain-edge")


@pytest.fixture(scope="module")
def sizes(demo: Demo, tmp_path_factory: pytest.TempPathFactory) -> dict[int, Path]:
    """The demo photo reduced or enlarged. Its EXIF is lost with that, so the camera's distance is declared."""
    whole, folder, out = cv2.imread(str(demo.photos[0])), tmp_path_factory.mktemp("sizes"), {}
    for mp in SIZES_MP:
        k = (mp * 1e6 / (whole.shape[0] * whole.shape[1])) ** 0.5
        picture = cv2.resize(whole, None, fx=k, fy=k, interpolation=cv2.INTER_AREA if k < 1 else cv2.INTER_CUBIC) if k != 1 else whole
        out[mp] = folder / f"{mp}.jpg"
        cv2.imwrite(str(out[mp]), picture, [cv2.IMWRITE_JPEG_QUALITY, 92])
    return out


def _best_of(works: Sequence[Callable[[], object]], times: int, clock: Callable[[], float] = time.perf_counter) -> list[float]:
    """The shortest of several runs of each, taken in turn: what else the machine did can only lengthen one, and meets all alike."""
    return [min(each) for each in _runs_of(works, times, clock)]


def _typical_of(works: Sequence[Callable[[], object]], times: int, clock: Callable[[], float]) -> list[float]:
    """The middle one of several runs of each, taken in turn."""
    return [statistics.median(each) for each in _runs_of(works, times, clock)]


def _runs_of(works: Sequence[Callable[[], object]], times: int, clock: Callable[[], float]) -> list[list[float]]:
    spent = [[0.0] * times for _ in works]
    for turn in range(times):
        for which, work in enumerate(works):
            start = clock()
            work()
            spent[which][turn] = clock() - start
    return spent


def _floor(path: Path) -> Callable[[], None]:
    """Decoding and OpenCV's own detection at full size."""
    detector = cv2.aruco.CharucoDetector(STRIP.charuco())

    def floor() -> None:
        grey = cv2.cvtColor(cv2.imdecode(np.frombuffer(path.read_bytes(), np.uint8), cv2.IMREAD_COLOR), cv2.COLOR_BGR2GRAY)
        detector.detectBoard(grey)

    return floor


def test_measure_takes_at_most_three_floors(demo: Demo) -> None:
    """12 megapixels. In processor time, where a thread of ours on a second processor counts against us and other programs hardly do."""
    path = demo.photos[0]
    assert cv2.imread(str(path)).shape[:2] == (3000, 4000), "the bound is stated for 12 megapixels"
    works = _floor(path), lambda: measure.measure([open_photo(path)], demo.declared)
    ratios = {}
    # Told by the clock, held by processor time.
    for name, clock, times in (("by the clock", time.perf_counter, 7), ("of processor time", time.process_time, 15)):
        # Medians of many runs: how much of two threads' waiting counts differs from run to run, the floor's by a half.
        floor, spent = _typical_of(works, times, clock)
        ratios[name] = spent / floor
        print(f"floor {floor:.2f} s, measure {spent:.2f} s {name}, ratio {spent / floor:.2f}")
    assert ratios["of processor time"] <= 2.6


def test_no_demo_photo_takes_much_more() -> None:
    """The bound of three holds for a plain edge with room. A belly, a bevel that might be the strip's own paper (searched twice) and a
    strip that OpenCV finds quickly cost more of these units; no photo may cost much more."""
    ratios = {}
    for demo in load():
        path = demo.photos[0]
        works = _floor(path), lambda path=path, declared=demo.declared: measure.measure([open_photo(path)], declared)
        floor, spent = _typical_of(works, 3, time.process_time)
        ratios[demo.name] = spent / floor
    print(", ".join(f"{name} {ratio:.2f}" for name, ratio in ratios.items()))
    assert max(ratios.values()) <= 3.6


def test_no_stage_takes_more_than_a_floor(demo: Demo, monkeypatch: pytest.MonkeyPatch) -> None:
    """What each stage takes of the processors, so that a slower one is seen by name."""
    path, spent = demo.photos[0], {}
    stages = [
        (sighting, "find_target"), (sighting, "fit_camera"), (lane, "find_apex"), (reading, "straighten"), (apex, "refine_apex"),
        (shoulder, "find_shoulder"), (reading, "finish_border"), (examine, "figures"), (checks, "judge"), (measure, "conclude"),
    ]  # fmt: skip

    def timed(name: str, work: Callable) -> Callable:
        @wraps(work)
        def run(*args, **kwargs):
            start = time.process_time()
            try:
                return work(*args, **kwargs)
            finally:
                spent.setdefault(name, []).append(time.process_time() - start)

        return run

    for module, name in stages:
        monkeypatch.setattr(module, name, timed(name, getattr(module, name)))
    least, opened, whole = _best_of(
        (_floor(path), lambda: open_photo(path), lambda: measure.measure([open_photo(path)], demo.declared)), 5, time.process_time
    )
    shares = {"open_photo": opened / least} | {name: min(times) / least for name, times in spent.items()}
    print(f"in floors of {1000 * least:.0f} ms of processor time:", ", ".join(f"{n} {s:.2f}" for n, s in shares.items()))
    print(f"all: {whole / least:.2f}")
    assert set(spent) == {name for _, name in stages}
    assert max(shares.values()) <= 1.0


# A process of its own for each size: its peak is its own, and a large photo's memory does not serve the next.
_ONE_SIZE = """
import re, sys, time
from dataclasses import replace
from pathlib import Path
from app.demo import load
from vision.measure import measure
from vision.photo import open_photo
declared = next(d for d in load() if d.name == "plain-edge").declared
declared = replace(declared, camera_distance_mm=declared.camera_distance_mm or 95.0)
def work():
    start = time.process_time()
    measure([open_photo(sys.argv[1])], declared)
    return time.process_time() - start
work() if int(sys.argv[2]) > 1 else None
print(min(work() for _ in range(int(sys.argv[2]))))
# Not getrusage: its peak is inherited from the process that started this one. VmHWM, in units of 1024 bytes, is this program's own.
print(int(re.search(r"VmHWM:\\s+(\\d+)", Path("/proc/self/status").read_text())[1]) * 1024 / 1e6)
"""


@pytest.fixture(scope="module")
def costs(sizes: dict[int, Path]) -> dict[int, tuple[float, float]]:
    """Seconds of processor time and peak MB by megapixels."""
    out = {}
    for mp, path in sizes.items():
        times = "4" if mp <= 12 else "1"
        done = subprocess.run([sys.executable, "-c", _ONE_SIZE, str(path), times], capture_output=True, text=True, check=True, cwd=FOLDER)
        seconds, peak = (float(line) for line in done.stdout.split())
        out[mp] = seconds, peak
        print(f"{mp} megapixels: {1000 * seconds:.0f} ms of processor time, {1000 * seconds / mp:.0f} ms a megapixel, peak {peak:.0f} MB")
    return out


def test_cost_grows_no_faster_than_the_pixels(costs: dict[int, tuple[float, float]]) -> None:
    """A megapixel of a larger photo costs no more than one of 12; a fifth is what processor time scatters by between runs."""
    a_megapixel = {mp: seconds / mp for mp, (seconds, _) in costs.items()}
    for mp in (48, 108):
        assert a_megapixel[mp] <= 1.2 * a_megapixel[12], mp


def test_memory(costs: dict[int, tuple[float, float]]) -> None:
    assert costs[12][1] <= 500
    for mp, (_, peak_mb) in costs.items():
        # Three megapixels of a 12-megapixel photo are sharper than a camera's own, and searched at twice their size.
        searched = 4 * mp if mp < 4 else mp
        assert peak_mb <= MOST_BASE_MB + MOST_BYTES_PER_PX * searched, mp
