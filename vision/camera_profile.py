"""Camera profile: focal length and radial term from several tilted photos of the strip, kept in a file.

One focal length, the principal point at the image centre, one radial term: the same model that the measurement uses, so
that what the profile says and what the fit needs are one thing. A principal point off the centre is absorbed by the pose;
what it does to the focal length is bounded by freeing it once and goes into the uncertainty.

A lens focused closer has a longer image distance: a profile holds for photos taken at about the distance of those it was
made from. Make it at the distance at which you photograph blades, without zooming in between.
"""

from __future__ import annotations

import json
import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import cattrs
import cv2
import numpy as np

from vision.errors import PhotoRefused, ResultUnreadable
from vision.target import Target

SCHEMA = 1
MIN_PHOTOS = 6
# EXIF's focal length is good to about 4 % (camera.py); a profile worse than half of that is not worth keeping.
_WORST_U = 0.02
# Within 5 degrees all the views are one view; at 2 degrees of tilt the focal length is known to 2 % at best (design.md section 4).
_LEAST_SPREAD_DEG = 5.0
_FLAGS = cv2.CALIB_FIX_PRINCIPAL_POINT | cv2.CALIB_FIX_ASPECT_RATIO | cv2.CALIB_ZERO_TANGENT_DIST | cv2.CALIB_FIX_K2 | cv2.CALIB_FIX_K3


@dataclass(frozen=True)
class CameraProfile:
    """What a set of tilted photos said about one camera.

    Attributes
    ----------
    camera_name : str
    width_px, height_px : int
        Photo size, long side first; the profile fits photos of this size only, in either turn.
    focal_px, focal_u_px : float
        Focal length at the focus of these photos and its standard uncertainty (leave one photo out; a stretched print).
    k1, k1_u : float
        Radial term, OpenCV's normalised convention.
    rms_px : float
        RMS length of the corners' residuals. Says how well the model fits, *not* how well the focal length is known.
    photos : int
    tilt_spread_deg : float
        Largest angle between two of the views.
    distance_mm : float
        Median distance of the photos, to compare with that of a measurement.
    """

    camera_name: str
    width_px: int
    height_px: int
    focal_px: float
    focal_u_px: float
    k1: float
    k1_u: float
    rms_px: float
    photos: int
    tilt_spread_deg: float
    distance_mm: float
    schema: int = SCHEMA

    def for_size(self, size: tuple[int, int]) -> CameraProfile:
        """Itself, when it belongs to photos of `size` (either turn); raises PhotoRefused otherwise."""
        if sorted(size) != sorted((self.width_px, self.height_px)):
            raise PhotoRefused(
                f"camera profile {self.camera_name!r} with a photo of {size[0]} x {size[1]} px",
                f"the profile was made from photos of {self.width_px} x {self.height_px} px, and cropping changes the focal length",
                "use the camera's full frame without zoom, or make a profile from photos of this size",
            )
        return self

    def save(self, path: Path) -> None:
        """Write the profile as JSON."""
        path.write_text(json.dumps(cattrs.unstructure(self), indent=1) + "\n", encoding="utf-8")


def load(path: Path) -> CameraProfile:
    """Read a profile back.

    Raises
    ------
    ResultUnreadable
        Missing, damaged, or of another schema.
    """
    remedy = "make the profile again with `shoulderline camera`"
    try:
        profile = cattrs.Converter(forbid_extra_keys=True).structure(json.loads(path.read_text(encoding="utf-8")), CameraProfile)
    except (OSError, UnicodeDecodeError) as error:
        raise ResultUnreadable(f"camera profile {path.name}", f"the file cannot be read ({type(error).__name__})", remedy) from error
    except (ValueError, TypeError, cattrs.BaseValidationError) as error:
        raise ResultUnreadable(f"camera profile {path.name}", "it is not a camera profile or is damaged", remedy) from error
    if profile.schema != SCHEMA:
        raise ResultUnreadable(f"camera profile {path.name}", f"its schema is {profile.schema}, this program reads {SCHEMA}", remedy)
    figures = (profile.focal_px, profile.focal_u_px, profile.k1_u)
    if not (all(math.isfinite(v) and v > 0 for v in figures) and math.isfinite(profile.k1)):
        raise ResultUnreadable(f"camera profile {path.name}", "a focal length or uncertainty in it is not a positive number", remedy)
    return profile


def calibrate(targets: Sequence[Target], sizes: Sequence[tuple[int, int]], camera_name: str = "", print_u: float = 0.0) -> CameraProfile:
    """Camera profile from six or more photos of the strip, tilted different ways.

    Parameters
    ----------
    targets : sequence of Target
    sizes : sequence of (width, height)
        Of the upright photos; upright and sideways photos may be mixed.
    camera_name : str
    print_u : float
        Relative standard uncertainty of the print's length along X, and of that along Y by itself. A print that is stretched one way
        passes for a tilt, in all photos alike, so that neither residuals nor subsets of the photos show it.

    Raises
    ------
    PhotoRefused
        Too few photos, unlike sizes, or tilts that do not determine the focal length.
    """
    if len(targets) < MIN_PHOTOS:
        raise PhotoRefused(
            f"a camera profile from {len(targets)} photo{'s' if len(targets) != 1 else ''}",
            f"at least {MIN_PHOTOS} tilted photos are needed",
            "take more, tilted 10-20 degrees each way",
        )
    return solve(targets, sizes, camera_name, print_u)


def solve(targets: Sequence[Target], sizes: Sequence[tuple[int, int]], camera_name: str = "", print_u: float = 0.0) -> CameraProfile:
    """The solver behind `calibrate`, without its lower bound on the number of photos (at least three)."""
    size = max(sizes[0]), min(sizes[0])
    if any(sorted(s) != sorted(size) for s in sizes):
        raise PhotoRefused(
            "a camera profile from photos of different sizes",
            "the focal length in pixels depends on the size",
            "use uncropped photos of one camera",
        )
    boards, views = zip(*(_landscape(t, s) for t, s in zip(targets, sizes, strict=True)), strict=True)
    matrix, lens, rms, turns, distances = intrinsics(boards, views, size)
    focal, k1 = float(matrix[0, 0]), float(lens[0])
    normals = turns[:, :, 2]
    spread = float(np.degrees(np.arccos(np.clip(np.min(normals @ normals.T), -1, 1))))
    focal_u, k1_u = _leave_one_out(boards, views, size, focal, k1)
    focal_print, k1_print = _stretched(boards, views, size, (focal, k1), print_u)
    focal_u, k1_u = math.hypot(focal_u, focal_print), math.hypot(k1_u, k1_print)
    if spread < _LEAST_SPREAD_DEG or not focal_u < _WORST_U * focal:
        raise PhotoRefused(
            f"a camera profile from views that differ by {spread:.1f} degrees",
            f"they leave the focal length uncertain by {100 * focal_u / focal:.1f} %, and "
            f"{100 * _WORST_U:g} % from views at least {_LEAST_SPREAD_DEG:g} degrees apart are needed",
            "measure both check bars and give their lengths (--printed-bar X,Y): a print that is stretched one way passes for a tilt"
            if focal_print > _WORST_U * focal
            else "tilt the camera 10-20 degrees to each side, and fill the frame with the strip",
        )
    return CameraProfile(camera_name, *size, focal, focal_u, k1, k1_u, rms, len(boards), spread, float(np.median(distances)))


def _landscape(target: Target, size: tuple[int, int]) -> tuple[np.ndarray, np.ndarray]:
    """Board points (N, 3) and corners (N, 2), turned by 90 degrees when the photo stands upright."""
    px = target.corners_px
    if size[0] < size[1]:
        px = np.column_stack([px[:, 1], size[0] - 1 - px[:, 0]])
    board = np.column_stack([target.board_mm, np.zeros(len(px))])
    return board.astype(np.float32), px.astype(np.float32)


def intrinsics(
    boards: Sequence[np.ndarray], views: Sequence[np.ndarray], size: tuple[int, int], flags: int = _FLAGS, focal: float | None = None
) -> tuple[np.ndarray, np.ndarray, float, np.ndarray, np.ndarray]:
    """Least squares over all views (OpenCV's bundle adjustment).

    Parameters
    ----------
    boards, views : sequences of (N, 3) float32 mm and (N, 2) float32 px
    size : (width, height)
    flags : int
        Lens model; the default is this module's, 0 frees everything.
    focal : float or None
        Starting value, px.

    Returns
    -------
    matrix (3, 3), lens terms (K,), RMS px, rotations (M, 3, 3), distances (M,) mm
    """
    centre = (size[0] - 1) / 2, (size[1] - 1) / 2
    start = focal or 1.2 * size[0]
    matrix = np.array([[start, 0, centre[0]], [0, start, centre[1]], [0, 0, 1.0]])
    flags |= cv2.CALIB_USE_INTRINSIC_GUESS
    rms, matrix, lens, turns, shifts = cv2.calibrateCamera(list(boards), list(views), size, matrix, np.zeros(5), flags=flags)
    rotations = np.stack([cv2.Rodrigues(np.asarray(t, np.float64))[0] for t in turns])
    return matrix, np.ravel(lens), float(rms), rotations, np.array([float(np.ravel(s)[2]) for s in shifts])


def _stretched(
    boards: Sequence[np.ndarray], views: Sequence[np.ndarray], size: tuple[int, int], found: tuple[float, float], print_u: float
) -> tuple[float, float]:
    """What focal length and k1 `found` change by when the print is longer than believed by `print_u`, along X and along Y by itself."""
    change = np.zeros(2)
    for axis in (0, 1) if print_u > 0 else ():
        longer = [board * np.where(np.arange(3) == axis, 1.0 + print_u, 1.0).astype(np.float32) for board in boards]
        matrix, lens, *_ = intrinsics(longer, views, size, focal=found[0])
        change = np.hypot(change, [matrix[0, 0] - found[0], lens[0] - found[1]])
    return float(change[0]), float(change[1])


def _leave_one_out(
    boards: Sequence[np.ndarray], views: Sequence[np.ndarray], size: tuple[int, int], focal: float, k1: float
) -> tuple[float, float]:
    """Jackknife standard uncertainties of focal length and k1 (Efron 1982).

    The residuals alone would promise too much: a bowed sheet bends all corners of one photo together.
    """
    n = len(boards)
    left = []
    for i in range(n):
        rest = [j for j in range(n) if j != i]
        matrix, lens, *_ = intrinsics([boards[j] for j in rest], [views[j] for j in rest], size, focal=focal)
        left.append((matrix[0, 0], lens[0]))
    u = np.sqrt((n - 1) / n * np.sum((np.array(left) - np.mean(left, axis=0)) ** 2, axis=0))
    # A principal point off the centre pulls the focal length when all views tilt one way: 13 % on the photos of
    # reference-values.md, which no residual shows. What freeing it changes is a bound on that.
    freed, *_ = intrinsics(boards, views, size, _FLAGS & ~cv2.CALIB_FIX_PRINCIPAL_POINT, focal)
    u[0] = math.hypot(u[0], abs(freed[0, 0] - focal) / math.sqrt(3))
    # Equal results from all subsets (noise-free drawings) must not read as perfect knowledge.
    return max(float(u[0]), 1e-4 * focal), max(float(u[1]), 1e-4)
