"""Find the printed strip: corners to a hundredth of a pixel, wrong ones thrown out, and the photo's own blur.

Detection runs on a reduced copy, since OpenCV needs only a few pixels a marker module; the corners are then placed at
full size by the saddle point of the Gaussian-smoothed image. A chessboard corner looks the same turned by half a turn, so
that point is free of bias from exposure, gamma and blur. Photo frame: centre of the first pixel at (0, 0).
"""

from __future__ import annotations

from dataclasses import dataclass, field

import cv2
import numpy as np
from scipy.optimize import least_squares
from scipy.special import erf

from calibration_targets.strip import STRIP, Board
from vision.errors import TargetNotFound
from vision.flags import Note

# Smallest number of corners whose homography leaves something to check: 4 corners give 8 equations for 8 unknowns.
_MIN_CORNERS = 6
# Long side of the first reduced copy; each next one is twice as large.
_FIRST_LONG_SIDE_PX = 1000
_ENLARGE_BELOW_PX = 2500
# A marker module (a sixth of a 4 x 4 marker) must span this many pixels for its bits to be sampled apart from blur.
_MODULE_PX = 4.0
# The widest thresholding window (23 px) alone serves markers that it does not span: two thirds of one, four modules.
_QUICK_MODULE_PX = 23 / 4
# OpenCV's drawn and real corners scatter by 0.02-0.1 px after refinement (reference-values.md); three times the worst.
_CORNER_U_PX = 0.1
# Distance, in robust sigmas, beyond which a corner is wrong rather than noisy: one in 4e6 of Gaussian residuals.
_OUTLIER_SIGMAS = 5.0


@dataclass(frozen=True, eq=False)
class Target:
    """The strip as found in one photo.

    Attributes
    ----------
    board : Board
        What was looked for.
    ids : (N,) int
        Inner corner numbers, OpenCV's order.
    corners_px : (N, 2) float64
        x, y in the upright photo, centre of the first pixel at (0, 0).
    board_mm : (N, 2) float64
        *Nominal* X, Y in the sheet frame (X = board x, Y = -board y); not yet scaled by the printed bars.
    blur_px : float
        Median Gaussian sigma of the squares' edges in linear light, pixel aperture included; NaN when no edge could be
        fitted (squares of fewer than about 24 px).
    rejected : int
        Corners thrown out.
    residual_px : float
        RMS length of the residuals of the kept corners against a plane seen through a pinhole with one radial term.
    blur_at : (M, 3) float64
        x, y, sigma of each edge that was fitted: the local variation of the blur.
    notes : tuple of Note
    """

    board: Board
    ids: np.ndarray
    corners_px: np.ndarray
    board_mm: np.ndarray
    blur_px: float
    rejected: int
    residual_px: float
    blur_at: np.ndarray = field(default_factory=lambda: np.empty((0, 3)))
    notes: tuple[Note, ...] = ()

    @property
    def square_px(self) -> float:
        """Median distance between neighbouring corners, px."""
        return _square_px(self.board, self.ids, self.corners_px)


def find_target(grey: np.ndarray, board: Board = STRIP, otherwise: str = "") -> Target:
    """Find `board` in a photo.

    Parameters
    ----------
    grey : (H, W) uint8
        Upright photo, sRGB-coded.
    board : Board
    otherwise : str
        What else a person can do who has too little of it, or nothing, in the photo.

    Raises
    ------
    TargetNotFound
        Nothing found, too little of it, or the photo is mirrored.
    """
    if grey.ndim != 2 or grey.dtype != np.uint8:
        raise ValueError(f"grey must be (H, W) uint8, got {grey.shape} {grey.dtype}")
    ids, rough = _detect(grey, board)
    if len(ids) < _MIN_CORNERS:
        _explain_absence(grey, board, len(ids), otherwise)
    square = _square_px(board, ids, rough)
    margin = 0.5 * (1 - board.marker_mm / board.square_mm)  # of a square, from a square's edge to the marker in it
    sigma = float(np.clip(0.25 * margin * square, 0.8, 6.0))
    corners, is_saddle = refine_saddles(grey, rough, sigma)
    board_mm = board.corners_mm[ids] * (1.0, -1.0)
    shape = grey.shape[1], grey.shape[0]
    keep, _ = consistent(board_mm, corners, is_saddle, shape, square)
    if keep.sum() < _MIN_CORNERS or not _spans_plane(board_mm[keep], board.square_mm):
        _refuse_too_little(int(keep.sum()), board, otherwise)
    blur_at = edge_blurs(grey, ids[keep], corners[keep], board, margin * square)
    blur = float(np.median(blur_at[:, 2])) if len(blur_at) else float("nan")
    if blur > sigma and 0.33 * margin * square > sigma:
        # A soft photo: the saddle's noise is least when the smoothing is at least as wide as the blur.
        corners, is_saddle = refine_saddles(grey, corners, min(blur, 0.33 * margin * square))
        keep, _ = consistent(board_mm, corners, is_saddle & keep, shape, square)
        if keep.sum() < _MIN_CORNERS or not _spans_plane(board_mm[keep], board.square_mm):
            _refuse_too_little(int(keep.sum()), board, otherwise)
    residuals = _residuals(board_mm[keep], corners[keep], shape)
    rms = float(np.sqrt(np.mean(np.sum(residuals**2, axis=1))))
    rejected = int(len(ids) - keep.sum())
    notes = _notes(rejected, len(ids), blur_at)
    return Target(board, ids[keep], corners[keep], board_mm[keep], blur, rejected, rms, blur_at, notes)


def _detector(board: Board, min_markers: int = 2, quick: bool = False) -> cv2.aruco.CharucoDetector:
    parameters = cv2.aruco.DetectorParameters()
    # The default of 0.1 px stops the refinement early (reference-values.md).
    parameters.cornerRefinementMinAccuracy = 1e-3
    # Markers on a ChArUco board must not be refined: their outer corners lie beside the squares' and get pulled.
    parameters.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_NONE
    if quick:
        # Of OpenCV's three thresholding windows (3, 13 and 23 px) the widest alone: the narrow ones hollow out black frames that
        # are wider than they, find the same markers at twice the cost, and in a soft photo fewer.
        parameters.adaptiveThreshWinSizeMin = parameters.adaptiveThreshWinSizeMax
    charuco = cv2.aruco.CharucoParameters()
    charuco.minMarkers = min_markers
    detector = cv2.aruco.CharucoDetector(board.charuco(), charuco, parameters)
    return detector


def _detect(grey: np.ndarray, board: Board) -> tuple[np.ndarray, np.ndarray]:
    """Ids (N,) and rough corners (N, 2) px at full size, from the smallest copy that shows enough."""
    best = _detect_with(grey, board, 2)
    if len(best[0]) < _MIN_CORNERS or not _spans_plane(board.corners_mm[best[0]], board.square_mm):
        # Where the frame cuts the next row of markers, one marker beside a corner has to do; it is refined and tested all the same.
        more = _detect_with(grey, board, 1)
        best = more if len(more[0]) > len(best[0]) else best
    return best


def _detect_with(grey: np.ndarray, board: Board, min_markers: int) -> tuple[np.ndarray, np.ndarray]:
    best, enough = _detect_by(_detector(board, min_markers, quick=True), grey, _QUICK_MODULE_PX)
    if not enough:
        more, _ = _detect_by(_detector(board, min_markers), grey, _MODULE_PX)
        best = more if len(more[0]) > len(best[0]) else best
    return best


def _detect_by(detector: cv2.aruco.CharucoDetector, grey: np.ndarray, least_module_px: float) -> tuple[tuple[np.ndarray, np.ndarray], bool]:
    """The most corners that `detector` finds, and whether they are enough not to look further."""
    height, width = grey.shape
    best: tuple[np.ndarray, np.ndarray] = np.empty(0, int), np.empty((0, 2))
    for long_side in _sizes(max(height, width)):
        k = long_side / max(height, width)
        how = cv2.INTER_AREA if k < 1 else cv2.INTER_CUBIC
        copy = grey if k == 1.0 else cv2.resize(grey, (round(width * k), round(height * k)), interpolation=how)
        corners, ids, markers, _ = detector.detectBoard(copy)
        if ids is not None and corners is not None:
            ids, corners = np.asarray(ids, int).reshape(-1), np.asarray(corners, np.float64).reshape(-1, 2)
            scale = np.array([copy.shape[1] / width, copy.shape[0] / height])
            if len(ids) > len(best[0]):
                best = ids, (corners + 0.5) / scale - 0.5  # pixel centres at integers
            if len(ids) >= 2 * _MIN_CORNERS and _module_px(markers) >= least_module_px:
                return best, True
    return best, False


def _sizes(longest: int) -> list[int]:
    sizes = []
    side = _FIRST_LONG_SIDE_PX
    while side < 0.75 * longest:
        sizes.append(side)
        side *= 2
    # A small scan (150 dpi: 2.2 px a module) reads better enlarged; a larger photo is never that coarse.
    return [*sizes, longest, 2 * longest] if longest <= _ENLARGE_BELOW_PX else [*sizes, longest]


def _module_px(markers: object) -> float:
    quads = np.asarray(markers, np.float64).reshape(-1, 4, 2)
    if not len(quads):
        return 0.0
    return float(np.median(np.linalg.norm(np.roll(quads, 1, axis=1) - quads, axis=2))) / 6.0


def _explain_absence(grey: np.ndarray, board: Board, found: int, otherwise: str) -> None:
    k = min(1.0, 1600 / max(grey.shape))
    mirrored = cv2.resize(grey[:, ::-1], None, fx=k, fy=k, interpolation=cv2.INTER_AREA)
    _, ids, _, _ = _detector(board).detectBoard(np.ascontiguousarray(mirrored))
    if ids is not None and len(ids) >= max(_MIN_CORNERS, 2 * found):
        raise TargetNotFound(
            "the photo is mirrored",
            "the strip's markers read only the other way round",
            "switch off the camera's mirror setting, or use the back camera",
        )
    _refuse_too_little(found, board, otherwise)


def _refuse_too_little(found: int, board: Board, otherwise: str) -> None:
    what = "the printed strip was not found" if not found else f"only {found} corners of the printed strip were found"
    raise TargetNotFound(
        what,
        f"at least {_MIN_CORNERS} corners in two rows of a board of {board.columns} x {board.rows} squares are needed",
        "; ".join(filter(None, ("show a piece of at least four squares' length, sharp, evenly lit and uncovered", otherwise))),
    )


def _square_px(board: Board, ids: np.ndarray, corners: np.ndarray) -> float:
    pairs = _neighbours(board, ids)
    if not len(pairs):
        return float("nan")
    return float(np.median(np.linalg.norm(corners[pairs[:, 0]] - corners[pairs[:, 1]], axis=1)))


def _neighbours(board: Board, ids: np.ndarray) -> np.ndarray:
    """(M, 2) indices into `ids` of corners one square apart."""
    across = board.columns - 1
    where = np.full(board.corner_count + across, -1)
    where[ids] = np.arange(len(ids))
    right = np.where((ids + 1) % across != 0, where[ids + 1], -1)
    below = where[ids + across]
    here = np.arange(len(ids))
    pairs = np.concatenate([np.stack([here, right], 1), np.stack([here, below], 1)])
    return pairs[pairs[:, 1] >= 0]


def _spans_plane(board_mm: np.ndarray, square_mm: float) -> bool:
    return bool(np.all(np.ptp(board_mm, axis=0) >= 0.5 * square_mm))


def refine_saddles(grey: np.ndarray, start: np.ndarray, sigma: float) -> tuple[np.ndarray, np.ndarray]:
    """Newton steps to the saddle point of the Gaussian-smoothed image, all corners at once.

    The quadratic fitted with Gaussian weights around a point has the derivatives of the smoothed image there
    (Hermite moments), so each step needs six weighted sums of a patch, with the weights centred at sub-pixel.

    Parameters
    ----------
    grey : (H, W)
    start : (N, 2) px
    sigma : float
        Smoothing, px; patches reach 3 sigma, which must stay clear of the markers.

    Returns
    -------
    corners : (N, 2) px, is_saddle : (N,) bool
        False where the point left the photo, wandered off or is no saddle.
    """
    half = int(np.ceil(3 * sigma)) + 1
    height, width = grey.shape
    points = start.astype(np.float64).copy()
    good = np.ones(len(points), bool)
    offsets = np.arange(-half, half + 1)
    for _ in range(8):
        base = np.rint(points).astype(int)
        good &= np.all((base >= half) & (base < np.array([width, height]) - half), axis=1)
        base = np.where(good[:, None], base, half)
        patch = grey[base[:, 1, None, None] + offsets[None, :, None], base[:, 0, None, None] + offsets[None, None, :]].astype(np.float64)
        # A point that left the photo is lost; it must not reach the weights, where it would divide by nothing.
        centre = np.where(good[:, None], points - base, 0.0)
        gx, gy, hxx, hxy, hyy = _derivatives(patch, centre, offsets, sigma)
        det = hxx * hyy - hxy**2
        good &= det < 0
        det = np.where(det < 0, det, -1.0)
        step = np.stack([hxy * gy - hyy * gx, hxy * gx - hxx * gy], 1) / det[:, None]
        length = np.linalg.norm(step, axis=1, keepdims=True)
        step *= np.minimum(1.0, sigma / np.maximum(length, 1e-12))  # the quadratic holds within about a sigma
        points = np.where(good[:, None], points + step, points)
        if np.all(length[good] < 1e-4):
            break
    good &= (np.linalg.norm(points - start, axis=1) < 2.5 * sigma) & (length[:, 0] < 0.01)
    return points, good


def _derivatives(patch: np.ndarray, centre: np.ndarray, offsets: np.ndarray, sigma: float) -> tuple[np.ndarray, ...]:
    """First and second derivatives of the Gaussian-smoothed patches (N, h, w) at `centre` (N, 2)."""
    patch = patch - patch.mean(axis=(1, 2), keepdims=True)
    tables = []
    for axis in (0, 1):
        u = (offsets[None, :] - centre[:, axis, None]) / sigma
        g = np.exp(-0.5 * u**2)
        g /= g.sum(axis=1, keepdims=True)
        tables.append((g, g * u / sigma, g * (u**2 - 1) / sigma**2))
    (x0, x1, x2), (y0, y1, y2) = tables
    rows = [np.einsum("nyx,nx->ny", patch, x) for x in (x0, x1, x2)]
    gx = np.sum(rows[1] * y0, 1)
    gy = np.sum(rows[0] * y1, 1)
    return gx, gy, np.sum(rows[2] * y0, 1), np.sum(rows[1] * y1, 1), np.sum(rows[0] * y2, 1)


def _apply(parameters: np.ndarray, xy: np.ndarray, shape: tuple[int, int]) -> np.ndarray:
    """Homography (8, scaled) and one radial term about the image centre -> px."""
    h = np.append(parameters[:8], 1.0).reshape(3, 3)
    q = np.column_stack([xy, np.ones(len(xy))]) @ h.T
    q = q[:, :2] / q[:, 2:]
    return q * (1 + parameters[8] * np.sum(q**2, axis=1, keepdims=True))


def _apply_slope(parameters: np.ndarray, xy: np.ndarray) -> np.ndarray:
    """(2 N, 9) derivatives of what `_apply` gives, by its parameters."""
    h, k = np.append(parameters[:8], 1.0).reshape(3, 3), parameters[8]
    at = np.column_stack([xy, np.ones(len(xy))])
    q = at @ h.T
    n = q[:, :2] / q[:, 2:]
    square = np.sum(n**2, axis=1)
    # (2, N, 8): of each coordinate of n by the matrix; then of its bent place, and last by the radial term.
    moved = np.zeros((2, len(xy), 8))
    moved[0, :, :3] = moved[1, :, 3:6] = at / q[:, 2:]
    moved[:, :, 6:] = -n.T[:, :, None] * (xy / q[:, 2:])
    along = n[:, :1] * moved[0] + n[:, 1:] * moved[1]
    bent = moved * (1 + k * square)[:, None] + 2 * k * n.T[:, :, None] * along
    by_k = (n * square[:, None]).T[:, :, None]
    return np.concatenate([bent, by_k], axis=2).transpose(1, 0, 2).reshape(-1, 9)


def _fit_plane(board_mm: np.ndarray, corners: np.ndarray, shape: tuple[int, int], inliers: np.ndarray, scale: float) -> np.ndarray:
    """Residuals (N, 2) px of all corners from a robust fit to `inliers`; `scale` px is where a residual starts to count less."""
    centre = (np.array(shape) - 1) / 2
    unit = 0.5 * float(np.hypot(*shape))  # normalise, so that all nine parameters are of order one
    xy = (board_mm - board_mm.mean(axis=0)) / np.ptp(board_mm, axis=0).max()
    uv = (corners - centre) / unit
    start, _ = cv2.findHomography(xy[inliers], uv[inliers], 0)
    free = 9 if inliers.sum() >= 12 else 8  # a radial term from fewer corners would fit their noise
    first = np.append(start.ravel()[:8] / start[2, 2], 0.0)

    def error(p: np.ndarray) -> np.ndarray:
        full = np.append(p, first[free:])
        return (_apply(full, xy[inliers], shape) - uv[inliers]).ravel()

    def slope(p: np.ndarray) -> np.ndarray:
        return _apply_slope(np.append(p, first[free:]), xy[inliers])[:, :free]

    fit = least_squares(error, first[:free], jac=slope, method="trf", loss="soft_l1", f_scale=scale / unit, x_scale="jac", max_nfev=30)
    return (uv - _apply(np.append(fit.x, first[free:]), xy, shape)) * unit


def consistent(
    board_mm: np.ndarray, corners: np.ndarray, usable: np.ndarray, shape: tuple[int, int], square_px: float
) -> tuple[np.ndarray, np.ndarray]:
    """Which corners (N,) agree with one plane, and the residuals (N, 2) px of all of them.

    RANSAC with a tolerance of a sixth of a square, which lens distortion and a bent sheet stay under and a corner taken
    for its neighbour does not; then a radial term is added and the tolerance follows the residuals' own scatter.
    """
    nothing = np.zeros(len(corners), bool), np.full(corners.shape, np.nan)
    if usable.sum() < 4:
        return nothing
    cv2.setRNGSeed(0)  # the same photo must give the same result
    index = np.flatnonzero(usable)
    h, mask = cv2.findHomography(board_mm[index], corners[index], cv2.RANSAC, square_px / 6, maxIters=500)
    if h is None or mask.sum() < _MIN_CORNERS:
        return nothing
    keep = np.zeros(len(corners), bool)
    keep[index[mask.ravel() > 0]] = True
    if not _spans_plane(board_mm[keep], float(np.ptp(board_mm, axis=0).max()) * 1e-3):
        return nothing
    residuals = np.zeros_like(corners)
    for _ in range(2):
        residuals = _fit_plane(board_mm, corners, shape, keep, _CORNER_U_PX)
        length = np.linalg.norm(residuals, axis=1)
        # Median length of a 2-D Gaussian residual is 1.177 sigma.
        sigma = max(float(np.median(length[keep])) / 1.177, _CORNER_U_PX)
        keep = usable & (length < _OUTLIER_SIGMAS * sigma)
        if keep.sum() < _MIN_CORNERS:
            return nothing
    return keep, residuals


def _residuals(board_mm: np.ndarray, corners: np.ndarray, shape: tuple[int, int]) -> np.ndarray:
    return _fit_plane(board_mm, corners, shape, np.ones(len(corners), bool), 10 * _CORNER_U_PX)


def linear_light() -> np.ndarray:
    """(256,) float64 linear light in 0-1 of an 8-bit sRGB code value (IEC 61966-2-1)."""
    v = np.arange(256) / 255.0
    return np.where(v <= 0.04045, v / 12.92, ((v + 0.055) / 1.055) ** 2.4)


def edge_blurs(grey: np.ndarray, ids: np.ndarray, corners: np.ndarray, board: Board, margin_px: float) -> np.ndarray:
    """Blur on the black/white edges between neighbouring corners.

    The middle half of each edge is taken, away from its corners, and no farther from it than the marker's margin. All
    pixels there are sorted by their signed distance to the edge (slanted edge, as in ISO 12233), so nothing is
    interpolated, and an erf is fitted in linear light.

    Returns
    -------
    (M, 3) float64 : x, y of the middle of the edge, Gaussian sigma in px.
    """
    pairs = _neighbours(board, ids)
    reach = 0.85 * margin_px
    if reach < 2.5 or not len(pairs):  # fewer than five pixels across hold no blur
        return np.empty((0, 3))
    pairs = pairs[np.unique(np.linspace(0, len(pairs) - 1, 40).astype(int))]
    a, b = corners[pairs[:, 0]], corners[pairs[:, 1]]
    middle, along = (a + b) / 2, (b - a)
    length = np.linalg.norm(along, axis=1)
    along /= length[:, None]
    edges = np.arange(-np.floor(reach * 4), np.floor(reach * 4) + 1) / 4  # bins of a quarter pixel
    light = linear_light()
    sums, counts = np.zeros((2, len(pairs), len(edges) - 1))
    for i in range(len(pairs)):
        span = min(0.25 * length[i], 40.0)  # 80 px along the edge average enough noise
        half = int(np.ceil(np.hypot(span, reach))) + 1
        x0, y0 = np.rint(middle[i]).astype(int)
        left, top = max(x0 - half, 0), max(y0 - half, 0)
        patch = light[grey[top : y0 + half + 1, left : x0 + half + 1]]
        dx = left + np.arange(patch.shape[1]) - middle[i, 0]
        dy = top + np.arange(patch.shape[0]) - middle[i, 1]
        s = dx[None] * along[i, 0] + dy[:, None] * along[i, 1]
        d = dy[:, None] * along[i, 0] - dx[None] * along[i, 1]
        where = (np.abs(s) < span) & (d >= edges[0]) & (d < edges[-1])
        bins = ((d[where] - edges[0]) * 4).astype(int)
        counts[i] = np.bincount(bins, minlength=len(edges) - 1)
        sums[i] = np.bincount(bins, weights=patch[where], minlength=len(edges) - 1)
    at = (edges[:-1] + edges[1:]) / 2
    step = _fit_erf(at, sums, counts)
    # The marker's own blurred edge reaches into the bright side: keep 2.5 sigma (1 %) away from it.
    bright = at[None] * np.sign(step[:, 1:2])
    room = margin_px - 2.5 * np.nan_to_num(step[:, 3:], nan=0.0)
    sigma = _fit_erf(at, sums, counts * (bright < np.maximum(room, 1.0)))[:, 3]
    good = np.isfinite(sigma)
    return np.column_stack([middle[good], sigma[good]])


def _fit_erf(x: np.ndarray, sums: np.ndarray, counts: np.ndarray) -> np.ndarray:
    """Mid level, half step, shift, sigma (E, 4) of the steps whose profiles are sums / counts (E, B); NaN where none was fitted."""
    y = np.where(counts > 0, sums / np.maximum(counts, 1), 0.0)
    first, last = x < x[0] * 0.6, x > x[-1] * 0.6
    sums = y * counts
    low = np.sum(sums[:, first], 1) / np.maximum(np.sum(counts[:, first], 1), 1)
    high = np.sum(sums[:, last], 1) / np.maximum(np.sum(counts[:, last], 1), 1)
    weight = counts / np.maximum(counts.max(axis=1, keepdims=True), 1)
    p = np.stack([(low + high) / 2, (high - low) / 2, np.zeros(len(y)), np.full(len(y), max(1.0, 0.15 * x[-1]))], 1)
    damping = np.diag([1e-9, 1e-9, 1e-6, 1e-6])
    for _ in range(14):
        mid, half, shift, sigma = p.T[:, :, None]
        u = (x[None] - shift) / sigma
        bell = half * np.sqrt(2 / np.pi) * np.exp(-0.5 * u**2) / sigma
        shape = erf(u / np.sqrt(2))
        jac = np.stack([np.ones_like(u), shape, -bell, -bell * u], 1)
        weighted = jac * weight[:, None]
        normal = weighted @ jac.transpose(0, 2, 1) + damping
        rhs = weighted @ (y - mid - half * shape)[:, :, None]
        step = np.linalg.solve(normal, rhs)[:, :, 0]
        step[:, 2:] = np.clip(step[:, 2:], -1.0, 1.0)
        p = p + step
        p[:, 3] = np.clip(p[:, 3], 0.2, x[-1])
        # A thousandth of a pixel is far below what a blur is known to.
        if np.abs(step[:, 2:]).max() < 1e-4:
            break
    ok = (np.abs(p[:, 2]) < 1.5) & (p[:, 3] > 0.2) & (p[:, 3] < 0.7 * x[-1]) & (np.abs(p[:, 1]) > 0.02)
    return np.where(ok[:, None], p, np.nan)


def _notes(rejected: int, found: int, blur_at: np.ndarray) -> tuple[Note, ...]:
    notes = []
    if rejected > 0.2 * found:
        notes.append(
            Note(
                "target-corners-rejected",
                f"{rejected} of {found} corners of the strip disagree with the others and were left out",
                "clean or uncover the strip, and look for a second strip in the frame",
            )
        )
    if len(blur_at) >= 8:
        low, high = np.percentile(blur_at[:, 2], [10, 90])
        if high > 2 * low and high > 2.0:  # beyond twice, one blur for the whole photo misleads the line fits
            notes.append(
                Note(
                    "target-focus-varies",
                    f"the strip's blur runs from {low:.1f} to {high:.1f} px across the photo",
                    "hold the camera square to the sheet, or step back",
                )
            )
    return tuple(notes)
