"""Photos made smaller after they were taken: searched at twice their size, told in their own pixels.

A camera's own pixels show nothing sharper than about 0.9 px (one standard deviation: lens, mosaic and demosaicing). A messenger or an
editor that makes the picture smaller makes it sharper by the pixel, down to 0.35 px, where blur no longer carries an edge's place over
more than one pixel and a bevel of 15 px is only 5 windows of the search wide. Cubic interpolation to twice the size adds no knowledge;
it brings the picture back to what every window and fit is made for. Source of the bound: 0.7 px leave 9 % of the contrast of the finest
pattern that pixels can carry, exp(-2 pi^2 sigma^2 f^2) at f = 1/2, so that nothing is folded over and interpolation is true; sharper
pictures are the reduced ones.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from typing import TYPE_CHECKING

import cv2

from calibration_targets.strip import STRIP
from vision.camera import Camera, CameraFit
from vision.drawn_edge import blade_side, find_drawn
from vision.errors import DeclarationError, EdgeNotFound, TargetNotFound
from vision.flags import Note
from vision.hints import SCALES_PX_PER_MM
from vision.target import find_target

if TYPE_CHECKING:
    from vision.bevel import Lines
    from vision.hints import Hints
    from vision.photo import Photo
    from vision.results import PhotoRecord

_TWICE = 2
_SHARPER_PX = 0.7
# A pixel's own width as a standard deviation: what seems sharper is a border of JPEG's blocks or noise.
_PIXEL_PX = 1.0 / math.sqrt(12.0)
# A larger photo is no messenger's, and four times its pixels would take seconds and hundreds of megabytes.
_MOST_PIXELS = 4_000_000


def for_search(photo: Photo, hints: Hints) -> tuple[Photo, Hints]:
    """The photo and what was pointed at as they are searched: both at twice the size where the picture was made smaller.

    The strip's squares tell, or without the strip the edge itself along the drawn line.

    Raises
    ------
    DeclarationError
        As `vision.drawn_edge.blade_side`.
    """
    if photo.width_px * photo.height_px > _MOST_PIXELS:
        return photo, hints
    if hints.scale is not None and _TWICE * hints.scale.px_per_mm > SCALES_PX_PER_MM[1]:
        # A microscope's picture: its px are finer than light, so that none of its detail was lost.
        return photo, hints
    large = None if hints.scale is None else (twice(photo), pointed_twice(hints))
    blur = _blur_of_strip(photo) if large is None else _blur_of_edge((photo, hints), large)
    if not _PIXEL_PX <= blur < _SHARPER_PX:
        return photo, hints
    return large or (twice(photo), pointed_twice(hints))


def _blur_of_strip(photo: Photo) -> float:
    """Px; NaN where the strip is not found, or its squares are too small."""
    try:
        return find_target(photo.grey(), STRIP).blur_px
    except TargetNotFound:
        return math.nan


def _blur_of_edge(own: tuple[Photo, Hints], large: tuple[Photo, Hints]) -> float:
    """Px of the photo itself, by the edge as the enlarged one shows it: in its own px a fit may take grain for a line.

    NaN where no edge is found; the search of the photo itself then says why.
    """
    blade_side(own[1], own[0])
    photo, hints = large
    assert hints.scale is not None
    try:
        return find_drawn(photo, hints, hints.scale.px_per_mm).blur_px / photo.enlarged
    except (EdgeNotFound, DeclarationError):
        return math.nan


def twice(photo: Photo) -> Photo:
    """The same picture with twice the pixels either way, by cubic interpolation of its codes."""
    size = (_TWICE * photo.width_px, _TWICE * photo.height_px)
    pixels = cv2.resize(photo.pixels, size, interpolation=cv2.INTER_CUBIC)
    pixels.setflags(write=False)
    focal = None if photo.focal_px is None else _TWICE * photo.focal_px
    return replace(photo, pixels=pixels, focal_px=focal, enlarged=_TWICE * photo.enlarged, remarks=(*photo.remarks, _REMARK))


def pointed_twice(hints: Hints) -> Hints:
    """What was pointed at, in the pixels of `twice`."""
    guides = tuple(replace(g, x_px=_at(g.x_px, _TWICE), y_px=_at(g.y_px, _TWICE)) for g in hints.guides)
    along = tuple((_at(x, _TWICE), _at(y, _TWICE)) for x, y in hints.along_px)
    cheek = (_at(hints.cheek_px[0], _TWICE), _at(hints.cheek_px[1], _TWICE)) if hints.cheek_px else None
    scale = hints.scale and replace(hints.scale, px_per_mm=_TWICE * hints.scale.px_per_mm)
    return replace(hints, guides=guides, along_px=along, cheek_px=cheek, scale=scale)


def own_lines(lines: Lines, enlarged: int) -> Lines:
    """Lines found in an enlarged photo, in the photo's own px.

    Interpolated pixels repeat their neighbours: of `enlarged`² samples one is independent, so what the fits call random is really
    `enlarged` times as large, which is the same figure in larger px.
    """
    k = 1.0 / enlarged
    return replace(
        lines,
        apex_px=_at(lines.apex_px, k),
        shoulder_px=_at(lines.shoulder_px, k),
        apex_systematic_px=k * lines.apex_systematic_px,
        shoulder_systematic_px=k * lines.shoulder_systematic_px,
        rival_px=None if lines.rival_px is None else _at(lines.rival_px, k),
    )


def own_fit(fit: CameraFit, enlarged: int) -> CameraFit:
    """A camera fitted to an enlarged photo as that of the photo's own px."""
    k = 1.0 / enlarged
    variants: Mapping[str, tuple[Camera, float, str]] = {
        name: (_own_camera(camera, k), k * u if unit == "px" else u, unit) for name, (camera, u, unit) in fit.variants.items()
    }
    return replace(
        fit,
        camera=_own_camera(fit.camera, k),
        focal_u_px=k * fit.focal_u_px,
        residual_px=k * fit.residual_px,
        variants=variants,
        drawn_px=None if fit.drawn_px is None else _at(fit.drawn_px, k),
    )


def own_record(record: PhotoRecord, enlarged: int) -> PhotoRecord:
    """An enlarged photo's record as that of the photo itself; what the person pointed at is left as it stands."""
    k = 1.0 / enlarged
    return replace(
        record,
        width_px=record.width_px // enlarged,
        height_px=record.height_px // enlarged,
        px_per_mm=k * record.px_per_mm,
        blur_px=k * record.blur_px,
        focal_px=k * record.focal_px,
        target_residual_px=k * record.target_residual_px,
    )


def _own_camera(camera: Camera, k: float) -> Camera:
    x, y = camera.centre_px
    return replace(camera, focal_px=k * camera.focal_px, centre_px=(_at(x, k), _at(y, k)))


def _at(px, k: float):
    """Pixel coordinates in a picture `k` times the size: the first pixel's centre is at (0, 0), its corner at (-0.5, -0.5)."""
    return (px + 0.5) * k - 0.5


_REMARK = Note(
    "photo-reduced",
    "the photo is sharper than a camera's own pixels can be: it was made smaller after it was taken, and was searched at twice its size",
    "measure the file as the camera saved it",
    "info",
)
