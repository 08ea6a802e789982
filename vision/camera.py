"""Camera: from the strip's corners to a pinhole with one radial term, and from pixels to mm.

Sheet frame, true mm: X along the strip, Y toward the edge, Z up to the camera. Photo frame: first pixel's centre (0, 0).
The lens model is OpenCV's: ``x_d = x (1 + k1 r^2)`` with x, y, r in normalised coordinates.

A flat target seen nearly squarely cannot tell focal length from distance, so the focal length enters the fit as a
parameter with a prior (profile, declared distance, EXIF or a guess); where the tilt really determines it, the data
take over by their weight (least squares with prior information, JCGM 100 and design.md section 4).
"""

from __future__ import annotations

import contextlib
import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import cv2
import numpy as np
from scipy.optimize import least_squares

from vision.declared import Declared
from vision.errors import TargetNotFound
from vision.flags import Note
from vision.focal import ASSUMED, known_focal
from vision.rounding import round_pair
from vision.target import Target

if TYPE_CHECKING:
    from vision.camera_profile import CameraProfile

# With nothing declared: a phone's macro distance (design.md section 4), half-width.
_PRIOR_DISTANCE_MM, _PRIOR_DISTANCE_HALF_WIDTH_MM = 100.0, 40.0
# Phones correct distortion in the file; what is left stays under 2 % at the frame's corner (common practice, no source).
CORNER_DISTORTION_HALF_WIDTH = 0.02
# Paper glued to card is flat to about +-0.05 mm (common practice, no source); a bow has about eight independent humps
# along and across a strip, so that more corners do not average it away.
_FLATNESS_U_MM, _FLATNESS_FREEDOM = 0.05 / math.sqrt(3), 8
_SQRT3 = math.sqrt(3.0)
_SAME_POSE = 5e-3  # rad, or share of the distance: a start this near another one leads to the same place
# A flat target's right pose is there within so many steps, or nearly; its mirror pose wanders off through many more. Corners that a pose
# misses by twice as much (the square of it) belong to the other one.
_LOOK, _MOST_STEPS, _MUCH_WORSE, _FIRST_NOISE_PX = 8, 40, 4.0, 0.5
_FIRST_FIT = 1e-6  # of cost or step: it only chooses the pose and tells the corners' noise, and the last fit starts from it


@dataclass(frozen=True, eq=False)
class Camera:
    """Pinhole with one radial term.

    Attributes
    ----------
    focal_px : float
    centre_px : (float, float)
        Principal point: the image centre, ((W - 1) / 2, (H - 1) / 2).
    k1 : float
        Radial term in normalised coordinates (OpenCV's sign and order).
    rotation : (3, 3), translation : (3,)
        Sheet to camera, mm: ``x_camera = rotation @ x_sheet + translation``; camera z forward, y down.
    """

    focal_px: float
    centre_px: tuple[float, float]
    k1: float
    rotation: np.ndarray
    translation: np.ndarray

    def project(self, points_mm: np.ndarray) -> np.ndarray:
        """(N, 3) sheet mm -> (N, 2) px."""
        seen = np.asarray(points_mm, np.float64) @ self.rotation.T + self.translation
        normalised = seen[:, :2] / seen[:, 2:]
        bent = normalised * (1 + self.k1 * np.sum(normalised**2, axis=1, keepdims=True))
        return bent * self.focal_px + np.asarray(self.centre_px)

    def rays(self, px: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """(N, 2) px -> origin (3,) and unit directions (N, 3), sheet mm. NaN where the lens model folds back."""
        bent = (np.asarray(px, np.float64) - np.asarray(self.centre_px)) / self.focal_px
        straight = bent * _undistortion(np.linalg.norm(bent, axis=1), self.k1)[:, None]
        directions = np.column_stack([straight, np.ones(len(straight))]) @ self.rotation
        return self.origin_mm, directions / np.linalg.norm(directions, axis=1, keepdims=True)

    def to_plane(self, px: np.ndarray, point: np.ndarray, normal: np.ndarray) -> np.ndarray:
        """(N, 2) px -> (N, 3) sheet mm on the plane(s) through `point` (3,) or (N, 3) with `normal` (3,) or (N, 3)."""
        origin, directions = self.rays(px)
        point, normal = np.asarray(point, np.float64), np.asarray(normal, np.float64)
        reach = np.sum((point - origin) * normal, axis=-1) / np.sum(directions * normal, axis=-1)
        return origin + directions * np.reshape(reach, (-1, 1))

    def to_height(self, px: np.ndarray, z: float) -> np.ndarray:
        """(N, 2) px -> (N, 3) sheet mm on the plane Z = `z` mm."""
        return self.to_plane(px, np.array([0.0, 0.0, z]), np.array([0.0, 0.0, 1.0]))

    @property
    def origin_mm(self) -> np.ndarray:
        """(3,) the lens' centre of perspective in the sheet frame."""
        return -self.rotation.T @ self.translation

    @property
    def tilt_deg(self) -> float:
        """Angle between the line of sight and the sheet's normal."""
        return float(np.degrees(np.arccos(np.clip(-self.rotation[2, 2], -1.0, 1.0))))

    def distance_to_mm(self, z: float) -> float:
        """From the lens along the line of sight to the plane Z = `z` mm."""
        return float((self.origin_mm[2] - z) / -self.rotation[2, 2])

    @property
    def distance_mm(self) -> float:
        """From the lens along the line of sight to the strip's face."""
        return self.distance_to_mm(0.0)

    @property
    def px_per_mm(self) -> float:
        """Scale where the line of sight meets the strip's face, across the line of sight."""
        return self.focal_px / self.distance_mm


def _undistortion(bent: np.ndarray, k1: float) -> np.ndarray:
    """Ratio straight / bent radius (N,): the root of r (1 + k1 r^2) = bent; NaN beyond the fold of a negative k1."""
    r = np.array(bent, np.float64)
    for _ in range(30):
        slope = 1 + 3 * k1 * r**2
        step = (r * (1 + k1 * r**2) - bent) / np.where(slope > 1e-6, slope, np.nan)
        r = r - step
        if not np.any(np.abs(step) > 1e-15):
            break
    ok = np.abs(r * (1 + k1 * r**2) - bent) < 1e-9
    return np.where(ok, 1 / (1 + k1 * r**2), np.nan)


@dataclass(frozen=True)
class _Prior:
    """What is believed of focal length (`focal_px`, `u_ln`) or distance (`distance_mm`, `u_mm`), and of k1."""

    source: str
    focal_px: float | None
    u_ln: float
    distance_mm: float
    u_mm: float
    k1: float
    k1_u: float
    height_mm: float

    def residuals(self, camera: Camera) -> tuple[float, float]:
        """Standardised deviations of the camera from the beliefs: (focal length or distance, k1)."""
        if self.focal_px is not None:
            scale = math.log(camera.focal_px / self.focal_px) / self.u_ln
        else:
            scale = (camera.distance_to_mm(self.height_mm) - self.distance_mm) / self.u_mm
        return scale, (camera.k1 - self.k1) / self.k1_u

    def jacobian(self, camera: Camera, turns: np.ndarray) -> np.ndarray:
        """(2, 8) derivatives of `residuals` by turn, shift, k1 and ln f; `turns` (3, 3, 3) are those of the camera's rotation."""
        out = np.zeros((2, 8))
        if self.focal_px is not None:
            out[0, 7] = 1 / self.u_ln
        else:
            axis, cos = camera.rotation[:, 2], camera.rotation[2, 2]
            distance = (axis @ camera.translation + self.height_mm) / cos
            out[0, :3] = (turns[:, :, 2] @ camera.translation - distance * turns[:, 2, 2]) / cos / self.u_mm
            out[0, 3:6] = axis / cos / self.u_mm
        out[1, 6] = 1 / self.k1_u
        return out


@dataclass(frozen=True, eq=False)
class CameraFit:
    """A camera with where it came from and what it is worth.

    Attributes
    ----------
    camera : Camera
    focal_source : str
        ``"profile"``, ``"declared distance"``, ``"EXIF"`` or ``"assumed distance"``.
    focal_u_px : float
        Standard uncertainty of the focal length after the fit (prior and corners together).
    residual_px : float
        RMS length of the corners' residuals.
    variants : mapping of str to (Camera, float, str)
        Source -> camera as it would have come out with that source one standard uncertainty higher, that standard
        uncertainty, its unit. Sources are independent: width shifts add in quadrature.
    bar_scale : (float, float)
        True mm per printed mm along X and Y.
    notes : tuple of Note
    drawn_px : (N, 2) float or None
        Without the strip: the line drawn along the edge, which positions are lengths of.
    """

    camera: Camera
    focal_source: str
    focal_u_px: float
    residual_px: float
    variants: Mapping[str, tuple[Camera, float, str]]
    bar_scale: tuple[float, float]
    notes: tuple[Note, ...] = field(default=())
    drawn_px: np.ndarray | None = None

    def position_mm(self, points_mm: np.ndarray, px: np.ndarray) -> np.ndarray:
        """(N,) places along the edge of points (N, 3) seen at `px` (N, 2): the number on the printed scale, or without the strip the
        length along the drawn line from its first point, at the scale where the edge is."""
        if self.drawn_px is None:
            return self.printed_x(points_mm[:, 0])
        # Along the line of sight: an edge above the rule is nearer, and larger in px, than the rule. Seen squarely all of it is as near.
        away = float(np.nanmedian(points_mm @ self.camera.rotation[2] + self.camera.translation[2]))
        return _along_polyline(self.drawn_px, px) * (away / self.camera.focal_px)

    def printed_x(self, x_mm: np.ndarray) -> np.ndarray:
        """True sheet X (mm) -> the number read on the strip's printed scale."""
        return np.asarray(x_mm, np.float64) / self.bar_scale[0]


def _along_polyline(corners: np.ndarray, px: np.ndarray) -> np.ndarray:
    """(N,) length from the first corner to the nearest point of the line, never falling back from one px to the next.

    The ends go straight on, so that what lies a little beyond them keeps its place.
    """
    start, step = corners[:-1], np.diff(corners, axis=0)
    length = np.linalg.norm(step, axis=1)
    share = ((px[:, None, :] - start) * step).sum(axis=2) / length**2
    low, high = np.zeros(len(length)), np.ones(len(length))
    low[0], high[-1] = -np.inf, np.inf
    share = np.clip(share, low, high)
    away = np.linalg.norm(start + share[..., None] * step - px[:, None, :], axis=2)
    nearest = np.argmin(away, axis=1)
    arc = np.concatenate([[0.0], np.cumsum(length)])[nearest] + share[np.arange(len(px)), nearest] * length[nearest]
    return np.maximum.accumulate(arc)


def fit_camera(
    target: Target,
    photo_size: tuple[int, int],
    focal_px_exif: float | None,
    declared: Declared,
    profile: CameraProfile | None = None,
) -> CameraFit:
    """Focal length, radial term and pose from the strip's corners and what is known beforehand.

    Parameters
    ----------
    target : Target
    photo_size : (int, int)
        Width and height of the upright photo, px.
    focal_px_exif : float or None
        From EXIF ``FocalLengthIn35mmFilm`` (``f35 / 43.27 * diagonal_px``).
    declared : Declared
        Camera distance, printed bars and edge height are used.
    profile : CameraProfile or None

    Raises
    ------
    TargetNotFound
        No pose explains the corners.
    PhotoRefused
        The profile belongs to another image size.
    """
    centre = ((photo_size[0] - 1) / 2, (photo_size[1] - 1) / 2)
    bars, bar_half_width = declared.bars_mm
    scale = np.array([bars[0] / 100, bars[1] / 100, 1.0])
    points = np.column_stack([target.board_mm, np.zeros(len(target.ids))]) * scale
    prior = _prior(photo_size, focal_px_exif, declared, profile)
    px_per_mm = target.square_px / target.board.square_mm / float(np.mean(scale[:2]))
    camera = _fit(points, target.corners_px, centre, prior, px_per_mm, target.residual_px)
    residuals = camera.project(points) - target.corners_px
    rms = float(np.sqrt(np.mean(np.sum(residuals**2, axis=1))))
    noise = _corner_noise(camera, points, residuals)
    bar_u = tuple(bar_half_width / _SQRT3 for _ in bars)  # of 100 mm, so mm and percent
    problem = _Problem(points, target.corners_px, centre, prior, noise)
    camera = problem.solve(camera)
    variants, focal_u = problem.variants(camera, bar_u, bars)
    notes = _notes(camera, prior, focal_u) + _bar_note(rms, target.residual_px, declared.printed_bar_mm is not None)
    return CameraFit(camera, prior.source, focal_u, rms, variants, (float(scale[0]), float(scale[1])), notes)


def _prior(size: tuple[int, int], focal_px_exif: float | None, declared: Declared, profile: CameraProfile | None) -> _Prior:
    height, distance, u_mm = declared.height_mm[0], math.nan, math.nan
    known = known_focal(size, focal_px_exif, declared, profile)
    if known is not None:
        return _Prior(*known[:3], distance, u_mm, *known[3:], height)
    if declared.camera_distance_mm is not None:
        source, distance = "declared distance", declared.camera_distance_mm
        u_mm = max(declared.camera_distance_tolerance_mm, 0.1) / _SQRT3  # a distance is never known to better than 0.1 mm
    else:
        source, distance, u_mm = ASSUMED, _PRIOR_DISTANCE_MM, _PRIOR_DISTANCE_HALF_WIDTH_MM / _SQRT3
    return _Prior(source, None, math.nan, distance, u_mm, 0.0, math.nan, height)


def _fit(points: np.ndarray, corners: np.ndarray, centre: tuple[float, float], prior: _Prior, px_per_mm: float, free_px: float) -> Camera:
    """Robust first fit: the poses that a flat target allows are tried, the best one kept; `free_px` is what a free plane misses by."""
    focal = prior.focal_px if prior.focal_px is not None else (prior.distance_mm + prior.height_mm) * px_per_mm
    matrix = np.array([[focal, 0, centre[0]], [0, focal, centre[1]], [0, 0, 1.0]])
    starts = []
    # IPPE gives both mirror poses of a plane, but in OpenCV 5.0 loses its way in an exactly square view; SQPNP does not.
    for method in (cv2.SOLVEPNP_IPPE, cv2.SOLVEPNP_SQPNP):
        try:
            found, turns, shifts, _ = cv2.solvePnPGeneric(points, corners, matrix, np.zeros(5), flags=method)
        except cv2.error:  # SQPNP refuses corners that spread less than its own bound
            continue
        for turn, shift in zip(turns, shifts, strict=True) if found else ():
            pose = np.concatenate([np.ravel(turn), np.ravel(shift) / np.linalg.norm(shift)])
            if not any(np.abs(pose - other).max() < _SAME_POSE for other, *_ in starts):
                starts.append((pose, turn, shift))
    problem = _Problem(points, corners, centre, _with_k1_width(prior, centre, focal), np.full(len(points), _FIRST_NOISE_PX))

    def tried(cameras: Iterable[Camera], steps: int) -> list[tuple[float, Camera]]:
        found = []
        for start in cameras:
            with contextlib.suppress(ValueError):  # the start lies behind the lens
                camera = problem.solve(start, "soft_l1", _FIRST_FIT, steps)
                if camera.origin_mm[2] > 0:
                    found.append((float(np.sum(problem.residuals(camera) ** 2)), camera))
        return sorted(found, key=lambda one: one[0])

    looks = tried((Camera(focal, centre, prior.k1, cv2.Rodrigues(t)[0], np.asarray(s, np.float64).ravel()) for _, t, s in starts), _LOOK)
    # Where the first one misses by much more than a free plane, what was declared of the camera is wrong, and all are tried to the end.
    worst = _MUCH_WORSE * looks[0][0] if looks and looks[0][0] <= _MUCH_WORSE * len(points) * (free_px / _FIRST_NOISE_PX) ** 2 else math.inf
    best = tried((camera for cost, camera in looks if cost <= worst), _MOST_STEPS)
    if not best:
        raise TargetNotFound("the camera's place could not be found", "no view of a flat strip explains its corners", "lay the strip flat")
    return best[0][1]


def _with_k1_width(prior: _Prior, centre: tuple[float, float], focal: float) -> _Prior:
    if math.isfinite(prior.k1_u):
        return prior
    corner = math.hypot(*centre) / focal  # normalised radius of the frame's corner
    return replace(prior, k1_u=CORNER_DISTORTION_HALF_WIDTH / _SQRT3 / corner**2)


def _corner_noise(camera: Camera, points: np.ndarray, residuals: np.ndarray) -> np.ndarray:
    """(N,) standard uncertainty per axis, px: what the residuals show and what a bow of the paper hides from them.

    A hump of z mm at r mm off the line of sight moves a corner by ``z r / D`` on the sheet. The hidden part is common to
    neighbours; its weight is cut to that of `_FLATNESS_FREEDOM` independent corners.
    """
    n = len(points)
    shown = float(np.sum(residuals**2)) / max(2 * n - 8, 1)
    off_axis_px = np.linalg.norm(camera.project(points) - np.asarray(camera.centre_px), axis=1)
    hump = _FLATNESS_U_MM / camera.distance_mm * off_axis_px
    return np.sqrt(max(shown, 0.02**2) + hump**2 * max(n / _FLATNESS_FREEDOM, 1.0))


@dataclass(frozen=True, eq=False)
class _Problem:
    """The least-squares problem: corners with their noise, and the priors. Eight parameters: turn, shift, k1, ln f."""

    points: np.ndarray
    corners: np.ndarray
    centre: tuple[float, float]
    prior: _Prior
    noise: np.ndarray

    def __post_init__(self) -> None:
        if not math.isfinite(self.prior.k1_u):
            focal = self.prior.focal_px or self._rough_focal()
            object.__setattr__(self, "prior", _with_k1_width(self.prior, self.centre, focal))

    def _rough_focal(self) -> float:
        mm = np.ptp(self.points[:, :2], axis=0).max()
        return float(np.ptp(self.corners, axis=0).max() / mm * (self.prior.distance_mm + self.prior.height_mm))

    def residuals(self, camera: Camera) -> np.ndarray:
        """(2 N + 2,) standardised: corners, then the priors."""
        seen = (camera.project(self.points) - self.corners) / self.noise[:, None]
        return np.concatenate([seen.ravel(), self.prior.residuals(camera)])

    def moved(self, camera: Camera, step: np.ndarray) -> Camera:
        """The camera after a step (8,): turn about the camera's axes (rad), shift (mm), k1, ln f."""
        turn = cv2.Rodrigues(np.asarray(step[:3], np.float64))[0] @ camera.rotation
        return Camera(camera.focal_px * math.exp(step[7]), self.centre, float(camera.k1 + step[6]), turn, camera.translation + step[3:6])

    def jacobian(self, camera: Camera, at: np.ndarray) -> np.ndarray:
        """(2 N + 2, 8) derivatives of `residuals` at the step `at` from `camera`."""
        # By the turn of the camera's axes: row i holds the derivative of its matrix by the i-th component.
        turns = cv2.Rodrigues(np.asarray(at[:3], np.float64))[1].reshape(3, 3, 3) @ camera.rotation
        now = self.moved(camera, at)
        seen = self.points @ now.rotation.T + now.translation
        # (8, N, 3) derivatives of the points in the camera's frame: turn, shift; k1 and ln f leave them where they are.
        place = np.zeros((8, *seen.shape))
        place[:3] = self.points @ turns.transpose(0, 2, 1)
        place[3:6] = np.eye(3)[:, None]
        normal = seen[:, :2] / seen[:, 2:]
        move = (place[..., :2] - normal * place[..., 2:]) / seen[:, 2:]
        square = np.sum(normal**2, axis=1, keepdims=True)
        bend = 1 + now.k1 * square
        bent = move * bend + 2 * now.k1 * normal * np.sum(normal * move, axis=2, keepdims=True)
        bent[6], bent[7] = normal * square, normal * bend
        corners = (now.focal_px * bent / self.noise[:, None]).reshape(8, -1)
        return np.vstack([corners.T, self.prior.jacobian(now, turns)])

    def solve(self, camera: Camera, loss: str = "linear", tolerance: float = 1e-8, steps: int = _MOST_STEPS) -> Camera:
        """The camera of least squares near `camera`, to a relative `tolerance` of cost and step, in so many steps at most."""
        x_scale = [1e-3, 1e-3, 1e-3, 0.1, 0.1, 1.0, 1e-2, 1e-2]
        fit = least_squares(
            lambda p: self.residuals(self.moved(camera, p)),
            np.zeros(8),
            jac=lambda p: self.jacobian(camera, p),
            loss=loss,
            x_scale=x_scale,
            ftol=tolerance,
            xtol=tolerance,
            max_nfev=steps,
        )
        return self.moved(camera, fit.x)

    def variants(
        self, camera: Camera, bar_u: tuple[float, ...], bars: tuple[float, float]
    ) -> tuple[dict[str, tuple[Camera, float, str]], float]:
        """Cameras with one source one standard uncertainty off, and the focal length's uncertainty after the fit.

        Each is one Gauss-Newton step from the optimum, which is exact to second order in the shift.
        """
        jac = self.jacobian(camera, np.zeros(8))
        covariance = np.linalg.inv(jac.T @ jac)
        gain = covariance @ jac.T  # a standardised change of one observation -> a step of the parameters
        out: dict[str, tuple[Camera, float, str]] = {}
        by_focal = self.prior.focal_px is not None
        name, unit = ("focal length", "px") if by_focal else ("camera distance", "mm")
        u = float(camera.focal_px * self.prior.u_ln if by_focal else self.prior.u_mm)
        out[name] = self.moved(camera, gain[:, -2]), u, unit
        for axis, label in enumerate(("print scale X", "print scale Y")):
            stretched = self.points.copy()
            stretched[:, axis] *= 1 + bar_u[axis] / bars[axis]
            change = (camera.project(stretched) - camera.project(self.points)) / self.noise[:, None]
            out[label] = self.moved(camera, -gain[:, : change.size] @ change.ravel()), bar_u[axis], "mm per 100 mm"
        out["radial term"] = self.moved(camera, gain[:, -1]), float(self.prior.k1_u), "1"
        noise = gain[:, :-2] @ gain[:, :-2].T  # the corners' own part of the covariance
        out.update(self._corner_variants(camera, noise))
        return out, camera.focal_px * float(np.sqrt(covariance[7, 7]))

    def _corner_variants(self, camera: Camera, noise: np.ndarray) -> dict[str, tuple[Camera, float, str]]:
        """Corner noise as independent unknowns: two tilts, then what of ln f and k1 they do not carry along.

        What remains (the place in the sheet's plane, the turn in it) moves no width.
        """
        chosen = [0, 1, 7, 6]
        block = noise[np.ix_(chosen, chosen)]
        lower = np.linalg.cholesky(block + np.diag(1e-12 * np.diag(block)))
        steps = noise[:, chosen] @ np.linalg.inv(lower).T
        labels = ("corners, tilt about x", "corners, tilt about y", "corners, focal length", "corners, radial term")
        factors = (np.degrees(1.0), np.degrees(1.0), camera.focal_px, 1.0)
        units = ("deg", "deg", "px", "1")
        return {labels[j]: (self.moved(camera, steps[:, j]), float(lower[j, j] * factors[j]), units[j]) for j in range(len(chosen))}


def _notes(camera: Camera, prior: _Prior, focal_u_px: float) -> tuple[Note, ...]:
    notes = []
    if prior.source == ASSUMED:
        notes.append(
            Note(
                "camera-distance-assumed",
                f"neither the photo nor you say how far the camera was; {_PRIOR_DISTANCE_MM:g} ± {_PRIOR_DISTANCE_HALF_WIDTH_MM:g} mm "
                f"was assumed and {camera.distance_mm:.0f} mm fits best",
                "measure from the lens to the edge and declare it",
            )
        )
    deviation = abs((prior if math.isfinite(prior.k1_u) else replace(prior, k1_u=1.0)).residuals(camera)[0])
    if deviation > 2.0:  # outside the 95 % interval of what was said beforehand
        notes.append(
            Note(
                "camera-disagrees",
                f"the strip's perspective asks for a focal length of {' ± '.join(round_pair(camera.focal_px, 2 * focal_u_px))} px and a "
                f"distance of {camera.distance_mm:.0f} mm, {deviation:.1f} standard uncertainties from the {prior.source}",
                "check the declared distance and the check bars, use the photo as it came from the camera, and lay the strip flat",
            )
        )
    if camera.tilt_deg > 15.0:  # design.md's range; beyond, depth of field and foreshortening grow quickly
        notes.append(
            Note("camera-tilted", f"the camera looks {camera.tilt_deg:.0f} degrees off the square", "hold the camera square to the sheet")
        )
    return tuple(notes)


def _bar_note(rms_px: float, free_px: float, entered: bool) -> tuple[Note, ...]:
    """A note when a square-printed plane fits the corners, but not with the bars as `entered`, or as taken where nobody measured them.

    A plane may lean to take up most of what wrong bars do; what it cannot take up shows as residuals beyond the corners' own.
    Three times the free fit's residual is far outside its scatter over a dozen corners, half a pixel far beyond corner noise.
    """
    if rms_px < max(3.0 * free_px, 0.5):
        return ()
    bars = "as entered" if entered else "taken as 100 mm, since nobody measured them,"
    remedy = "measure both bars again, and check that X and Y were not swapped" if entered else "measure both bars and declare them"
    text = f"with the check bars {bars} the corners miss by {rms_px:.1f} px, without them by {free_px:.1f} px"
    return (Note("bars-disagree", text, f"{remedy} (--printed-bar X,Y)"),)
