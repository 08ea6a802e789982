"""The camera of a photo without the strip: a declared scale, the view taken as square, and what that may be off by.

The sheet frame is laid along the drawn line: X from its first point to its last, Y toward the blade, Z up to the camera, mm; Z = 0
is the plane that the scale was taken in. Where X and Y then run the wrong way round for a right-handed frame the rotation holds a
mirror, which changes no length.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
from scipy.spatial.transform import Rotation

from vision.camera import CORNER_DISTORTION_HALF_WIDTH, Camera, CameraFit
from vision.camera_profile import CameraProfile
from vision.declared import Declared
from vision.flags import Note
from vision.focal import FULL_FRAME_DIAGONAL_MM, known_focal
from vision.hints import DeclaredScale
from vision.photo import Photo

# A camera held over the blade by eye looks off square by up to this much, in each direction: what a person notices when the blade's
# outline or the phone's own shadow is to look right (common practice, no source). A face inclined by 15 degrees then seems up to
# 5 % wider or narrower, which no scale can tell.
SQUARE_TOLERANCE_DEG = 10.0
# Neither file nor person says what lens it was: 25 to 100 mm equivalent, from a phone's main camera to a macro lens, log-rectangular
# (common practice, no source).
_USUAL_F35_MM, _USUAL_RATIO = 50.0, 2.0
_SQRT3 = math.sqrt(3.0)


def square_view(
    photo: Photo, scale: DeclaredScale, frame: tuple[np.ndarray, np.ndarray], declared: Declared, profile: CameraProfile | None = None
) -> CameraFit:
    """A camera that looks squarely at the blade, with every way in which that is uncertain as a variant.

    Parameters
    ----------
    photo : Photo
    scale : DeclaredScale
    frame : ((N, 2) float, (2,) float)
        The drawn line in px, and a px direction that points to the blade's side of it.
    declared : Declared
        Its camera distance (lens to edge) and edge height are used where given.
    profile : CameraProfile or None
    """
    drawn, toward = frame
    centre = ((photo.width_px - 1) / 2, (photo.height_px - 1) / 2)
    source, focal, u_focal, k1, k1_u = _lens(photo, scale, declared, profile)
    x = (drawn[-1] - drawn[0]) / np.linalg.norm(drawn[-1] - drawn[0])
    y = np.array([-x[1], x[0]])
    y = y if y @ toward > 0 else -y
    rotation = np.array([[x[0], y[0], 0.0], [x[1], y[1], 0.0], [0.0, 0.0, -1.0]])
    distance = focal / scale.px_per_mm
    origin = np.append((drawn[0] - centre) / scale.px_per_mm, distance)
    camera = Camera(focal, centre, k1, rotation, origin)
    middle = np.array([np.linalg.norm(drawn[-1] - drawn[0]) / 2 / scale.px_per_mm, 0.0, 0.0])
    tilt = math.radians(SQUARE_TOLERANCE_DEG) / _SQRT3
    # Turned one way an inclined face seems narrower by more than it seems wider when turned the other: the greater change, whichever way
    # the line was drawn.
    more = x if x[0] * y[1] < x[1] * y[0] else -x
    variants = {
        "declared scale": (replace(camera, translation=origin / (1 + scale.u_relative)), 100 * scale.u_relative, "%"),
        "view off square, across the edge": (_turned(camera, more, tilt, middle), math.degrees(tilt), "deg"),
        "view off square, along the edge": (_turned(camera, y, tilt, middle), math.degrees(tilt), "deg"),
        "focal length": (_farther(camera, 1 + u_focal), focal * u_focal, "px"),
        "radial term": (replace(camera, k1=k1 + k1_u), k1_u, "1"),
    }
    return CameraFit(camera, source, focal * u_focal, math.nan, variants, (1.0, 1.0), (_note(scale),), drawn)


def _lens(photo: Photo, scale: DeclaredScale, declared: Declared, profile: CameraProfile | None) -> tuple[str, float, float, float, float]:
    """Where the focal length comes from, its value (px) and relative standard uncertainty, and the radial term with its own."""
    size = (photo.width_px, photo.height_px)
    known = known_focal(size, photo.focal_px, declared, profile)
    if known is not None:
        source, focal, u, k1, k1_u = known
    elif declared.camera_distance_mm is not None:
        # The distance is that of the edge, and the scale was taken by so much lower.
        away = declared.camera_distance_mm + declared.height_mm[0]
        source, focal = "declared distance", away * scale.px_per_mm
        u, k1, k1_u = math.hypot(declared.camera_distance_tolerance_mm, declared.height_mm[1]) / _SQRT3 / away, 0.0, math.nan
    else:
        source, focal = "assumed lens", _USUAL_F35_MM / FULL_FRAME_DIAGONAL_MM * math.hypot(*size)
        u, k1, k1_u = math.log(_USUAL_RATIO) / _SQRT3, 0.0, math.nan
    if not math.isfinite(k1_u):
        corner = math.hypot(*size) / 2 / focal
        k1_u = CORNER_DISTORTION_HALF_WIDTH / _SQRT3 / corner**2
    return source, focal, u, k1, k1_u


def _turned(camera: Camera, axis_px: np.ndarray, angle: float, about_mm: np.ndarray) -> Camera:
    """The camera looking from elsewhere at the same place: `about_mm` keeps its pixel and its distance."""
    turn = Rotation.from_rotvec(angle * np.append(axis_px, 0.0)).as_matrix() @ camera.rotation
    return replace(camera, rotation=turn, translation=camera.rotation @ about_mm + camera.translation - turn @ about_mm)


def _farther(camera: Camera, ratio: float) -> Camera:
    """Farther off with a longer lens: the scale stays, the perspective weakens."""
    return replace(camera, focal_px=ratio * camera.focal_px, translation=camera.translation * np.array([1.0, 1.0, ratio]))


def _note(scale: DeclaredScale) -> Note:
    text = (
        f"scale declared, square view assumed: {scale.source}; the view is taken as square to within {SQUARE_TOLERANCE_DEG:g}°, and one "
        "farther off it makes widths wrong by more than the band says; positions are lengths along the drawn line from its first point"
    )
    return Note("scale-declared", text, "lay the printed strip beside the edge for a narrower band")
