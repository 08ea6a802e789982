"""Practice photos as they come out of a chat, an editor or another phone: smaller, saved again, smoothed, darker. Same widths."""

from __future__ import annotations

import io
import json
from collections.abc import Callable
from pathlib import Path

import cv2
import numpy as np
import pytest
from PIL import Image

from demo_images.owner import declared
from demo_images.study_compare import Measured, Outcome, compare
from vision.measure import measure
from vision.photo import open_photo

PRACTICE = Path(__file__).resolve().parents[3] / "shared" / "practice"
pytestmark = pytest.mark.practice

# White, grey and wooden lanes; a bright, a dark and a hairline bevel; shadows before the edge.
NAMES = ("p01-straight-medium", "p06-grey-lane-noisy", "p07-dark-bevel", "p08-hairline-wood")


def _smoothed(picture: np.ndarray) -> np.ndarray:
    """Noise taken out and edges sharpened, as phones do."""
    calm = cv2.bilateralFilter(picture, 7, 22, 3).astype(float)
    return np.clip(calm + 0.8 * (calm - cv2.GaussianBlur(calm, (0, 0), 1.2)), 0, 255).astype(np.uint8)


def _darker(picture: np.ndarray) -> np.ndarray:
    return np.round(255.0 * (0.35 * (picture / 255.0) ** 2.2) ** (1 / 2.2)).astype(np.uint8)


def _smaller(picture: np.ndarray) -> np.ndarray:
    return cv2.resize(picture, None, fx=0.6, fy=0.6, interpolation=cv2.INTER_AREA)


def _messenger(picture: np.ndarray) -> np.ndarray:
    """A thousand px across, as messengers send pictures: sharper by the pixel than any camera's own."""
    return cv2.resize(picture, None, fx=1000 / max(picture.shape), fy=1000 / max(picture.shape), interpolation=cv2.INTER_AREA)


# Each way with the JPEG quality it is saved at, colour at half resolution.
WAYS: dict[str, tuple[Callable[[np.ndarray], np.ndarray], int]] = {
    "quality 40": (lambda p: p, 40),
    "smaller": (_smaller, 90),
    "messenger": (_messenger, 80),
    "smoothed": (_smoothed, 82),
    "darker": (_darker, 88),
}


def outcome(name: str, change: Callable[[np.ndarray], np.ndarray], quality: int) -> Outcome:
    """The photo changed and saved again, beside its truth."""
    with Image.open(PRACTICE / f"{name}.jpg") as original:
        exif, picture = original.info["exif"], np.asarray(original.convert("RGB"))
    changed, file = change(picture), io.BytesIO()
    Image.fromarray(changed).save(file, "JPEG", quality=quality, subsampling=2, exif=exif)
    scale = changed.shape[1] / picture.shape[1]
    stations = json.loads((PRACTICE / f"{name}.truth.json").read_text())["stations"]
    for station in stations:
        for line in ("apex_px", "shoulder_px"):
            station[line] = [(v + 0.5) * scale - 0.5 for v in station[line]]
    widths = measure([open_photo(file.getvalue(), f"{name}.jpg")], declared([PRACTICE / f"{name}.setup.json"])).widths
    return compare(name, "", "", stations, Measured(widths.apex_px, widths.width_mm, widths.width_u_mm, widths.flags))


# Those that were off when first tried in every way, the others in two.
TRIED = [(name, way) for name in NAMES for way in WAYS if name[:3] in ("p06", "p07") or way in ("quality 40", "smaller", "messenger")]
# A bevel of 3 px is refused.
TRIED.remove(("p08-hairline-wood", "messenger"))


@pytest.mark.parametrize(("name", "way"), TRIED)
def test_a_photo_saved_again_gives_the_same_widths(name: str, way: str) -> None:
    found = outcome(name, *WAYS[way])
    seen = np.isfinite(found.error_um)
    off = np.abs(found.error_um[seen])
    print(f"{name}, {way}: seen {seen.mean():.0%}, median {np.median(off):.1f} um, 95th percentile {np.percentile(off, 95):.1f} um")
    assert seen.mean() > 0.95
    # What issue C asks of the photos as they are, and a sixth more: smoothing and half the pixels cost something; where a px is 40 um,
    # half of one.
    assert np.median(off) <= (20.0 if way == "messenger" else 17.5)
    assert (off < 2.0 * found.u_um[seen]).mean() > 0.9
    assert found.elsewhere == 0
