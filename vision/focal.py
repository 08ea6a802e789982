"""What is known of the focal length before the strip is seen: a saved profile, or the photo's EXIF."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from vision.declared import Declared
from vision.flags import Note

if TYPE_CHECKING:
    from vision.camera_profile import CameraProfile

# Diagonal of the 36 mm x 24 mm frame that FocalLengthIn35mmFilm refers to (Exif 2.32, tag 41989; CIPA DCG-001).
FULL_FRAME_DIAGONAL_MM = math.hypot(36.0, 24.0)
# Makers refer the 35 mm equivalent to the diagonal or to the width; for a 4:3 sensor the two differ by 4 %.
_EQUIVALENCE_HALF_WIDTH = 0.04
# Unit focusing lengthens the image distance by the magnification: up to 7 % for a 6 mm lens at 90 mm; lenses that focus
# by moving inner groups may shorten it. Half-width of 5 % about the value written; common practice, no source.
_FOCUS_HALF_WIDTH = 0.05
# A profile was made at another focus: between 120 and 90 mm a 6 mm lens changes by 1.7 %.
_PROFILE_FOCUS_HALF_WIDTH = 0.017
_SQRT3 = math.sqrt(3.0)


# Where neither a profile nor EXIF nor a declared distance tells how far away the camera was.
ASSUMED = "assumed distance"
# The remark on a photo whose EXIF focal length no longer fits it (`vision.photo`).
RESIZED = "photo-resized"


def of_account(remarks: tuple[Note, ...], focal_source: str) -> tuple[Note, ...]:
    """What a photo's file remarks; the loss of its focal length only where one had to be assumed, in the plane of a strip or a rule."""
    return tuple(note for note in remarks if focal_source.startswith("assumed") or note.code != RESIZED)


def known_focal(
    size: tuple[int, int], focal_px_exif: float | None, declared: Declared, profile: CameraProfile | None
) -> tuple[str, float, float, float, float] | None:
    """Where a focal length known beforehand comes from, its value (px) and relative standard uncertainty, and k1 with its own (NaN
    when unknown); None when there is none, or when a declared distance goes before EXIF."""
    if profile is not None:
        scaled = profile.for_size(size)
        u_ln = math.hypot(scaled.focal_u_px / scaled.focal_px, _PROFILE_FOCUS_HALF_WIDTH / _SQRT3)
        return "profile", scaled.focal_px, u_ln, scaled.k1, scaled.k1_u
    if declared.camera_distance_mm is not None or focal_px_exif is None:
        return None
    f35 = focal_px_exif * FULL_FRAME_DIAGONAL_MM / math.hypot(*size)
    u_ln = math.sqrt((0.5 / f35) ** 2 + _EQUIVALENCE_HALF_WIDTH**2 + _FOCUS_HALF_WIDTH**2) / _SQRT3  # whole mm: +-0.5
    return "EXIF", focal_px_exif, u_ln, 0.0, math.nan
