"""Blurred-step fits: one or two erf edges, levels free in every column, positions free per column or pooled along the edge.

Arrays only. Columns run along the edge, rows across it; positions are rows.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from vision.paths import smooth_along

# Residuals beyond about 3 sigma are glints or specks, not noise (Tukey's biweight, 4.685: 95 % efficient on Gaussian noise).
_TUKEY = 4.685
# Weight left to a sample that says nothing: enough to keep an all-clipped side solvable.
_IDLE = 1e-4
# Equivalent number of columns of the twiced Gaussian kernel, per px of its standard deviation:
# 1 / integral (2k - k*k)^2 = sqrt(2 pi) / (4/sqrt 2 - 4/sqrt 3 + 1/2).
_TWICED_WIDTH = 2.459


@dataclass(frozen=True)
class StepModel:
    """How the fit is done.

    Attributes
    ----------
    half_window_px : float
        Rows used on either side of the centre (of the outer centres, for two steps).
    sigma_px : float
        Expected blur, one standard deviation of a Gaussian.
    sigma_log_sd : float
        Prior on the blur, standard deviation of its logarithm; 0 holds it.
    pool_px : float
        0: every column by itself. Else positions (and blur) follow a curve smoothed along the edge with a Gaussian
        of this standard deviation, while levels stay free in every column.
    robust : bool
        Down-weight glints.
    travel_px : float
        Farthest a position may move from its centre; None: half a window.
    iterations : int
    bin_columns : int
        Pooled fits may average this many columns first: the mean of steps at one place is a step. Wider bins than the grind
        lines cancel bright against dark ones and lose their contrast.
    """

    half_window_px: float
    sigma_px: float
    sigma_log_sd: float = 0.3
    pool_px: float = 0.0
    robust: bool = True
    travel_px: float | None = None
    iterations: int = 8
    bin_columns: int = 1


@dataclass(frozen=True, eq=False)
class StepFit:
    """Fitted steps, P of them, in S columns.

    Attributes
    ----------
    position, u : (P, S) float
        Row of each step and its standard uncertainty from the fit's residuals alone: random only. NaN where
        nothing could be fitted.
    levels : (P + 1, S) float
        Value before, between and after the steps.
    sigma : (S,) float
        Blur used or found.
    residual : (S,) float
        Standard deviation of the residuals.
    overshoot : (P, S) float
        Mean residual just outside the step, signed so that a sharpening halo is positive, over the step's height.
    """

    position: np.ndarray
    u: np.ndarray
    levels: np.ndarray
    sigma: np.ndarray
    residual: np.ndarray
    overshoot: np.ndarray

    @property
    def low(self) -> np.ndarray:
        """(S,) value before the first step."""
        return self.levels[0]

    @property
    def high(self) -> np.ndarray:
        """(S,) value after the last step."""
        return self.levels[-1]

    @property
    def snr(self) -> np.ndarray:
        """(P, S) height of each step over the residual."""
        return np.abs(np.diff(self.levels, axis=0)) / np.maximum(self.residual, 1e-12)


def step_bound(noise_over_step: float, sigma_px: float, samples: int | None = None) -> float:
    """Least standard uncertainty, px, of an erf edge's place with level, step and blur unknown (reference-values.md)."""
    root_pi = np.sqrt(np.pi)
    ends = 1.0 if samples is None else 1.0 - 2.0 * root_pi * sigma_px / samples
    return float(noise_over_step * np.sqrt(2.0 * root_pi * sigma_px) / np.sqrt(ends))


def fit_steps(
    values: np.ndarray,
    centre: np.ndarray,
    model: StepModel,
    usable: np.ndarray | None = None,
    clipped: np.ndarray | None = None,
) -> StepFit:
    """Fit one or two blurred steps in every column.

    Parameters
    ----------
    values : (R, S) float
        Linear light (or any quantity whose blur is linear).
    centre : (S,) or (P, S) float
        Where to look, P = 1 or 2 steps; columns with NaN are left out.
    model : StepModel
    usable : (R, S) bool, optional
        Samples that may be used.
    clipped : (R, S) bool, optional
        Samples at the sensor's ceiling: they say "at least this bright" and pull only on a model that is darker.
    """
    centres = np.atleast_2d(np.asarray(centre, float))
    if centres.shape[0] not in (1, 2) or centres.shape[1] != values.shape[1]:
        raise ValueError(f"centre must be (S,), (1, S) or (2, S) with S = {values.shape[1]}, got {np.shape(centre)}")
    width = model.bin_columns if model.pool_px >= 2 * model.bin_columns else 1
    if width < 2:
        return _solve(_Window.cut(values, centres, model, (usable, clipped), np.arange(values.shape[1] + 1)), model)
    return _binned(values, centres, model, (usable, clipped), width)


def _binned(
    values: np.ndarray, centres: np.ndarray, model: StepModel, masks: tuple[np.ndarray | None, np.ndarray | None], width: int
) -> StepFit:
    """The same fit on means of `width` columns, its results interpolated back to every column."""
    columns = values.shape[1]
    edges = np.append(np.arange(0, columns - width + 1, width), columns)
    if len(edges) < 3:
        edges = np.array([0, columns])
    coarser = replace(model, pool_px=model.pool_px / width)
    fit = _solve(_Window.cut(values, centres, coarser, masks, edges), coarser)
    at, bin_at, count = np.arange(columns), (edges[:-1] + edges[1:] - 1) / 2, np.diff(edges)

    def back(rows: np.ndarray) -> np.ndarray:
        known = np.isfinite(rows)
        spread = np.interp(at, bin_at[known], rows[known]) if known.any() else np.full(columns, np.nan)
        return np.where(np.repeat(known, count), spread, np.nan)

    # One column's noise is that of a bin times the square root of its columns.
    residual = back(fit.residual * np.sqrt(width))
    lost = ~np.isfinite(centres).all(axis=0)
    position, u, levels, overshoot = (np.array([back(r) for r in a]) for a in (fit.position, fit.u, fit.levels, fit.overshoot))
    position[:, lost] = np.nan
    return StepFit(position, u, levels, back(fit.sigma), residual, overshoot)


@dataclass(frozen=True, eq=False)
class _Window:
    """Samples around the centres: offsets `t` (S, K) from `origin` (S,), values, weights, ceiling mask, start (P, S)."""

    origin: np.ndarray
    t: np.ndarray
    v: np.ndarray
    w: np.ndarray
    ceiling: np.ndarray
    start: np.ndarray
    ok: np.ndarray

    @classmethod
    def cut(
        cls,
        values: np.ndarray,
        centres: np.ndarray,
        model: StepModel,
        masks: tuple[np.ndarray | None, np.ndarray | None],
        edges: np.ndarray,
    ) -> _Window:
        """Windows of the S bins of columns ``edges[s]:edges[s + 1]``, each the mean of its columns; `masks` are usable and clipped."""
        rows, (usable, clipped) = len(values), masks
        middles = np.add.reduceat(centres, edges[:-1], axis=1) / np.diff(edges)
        ok = np.isfinite(middles).all(axis=0)
        filled = np.where(ok, middles, rows / 2)
        middle, spread = filled.mean(axis=0), (filled[-1] - filled[0]) / 2
        origin = np.round(middle)
        reach = int(np.ceil(np.max(spread[ok], initial=0.0) + model.half_window_px)) + 1
        t = np.arange(-reach, reach + 1.0)[None, :] + np.zeros((len(origin), 1))
        index = (origin[:, None] + t).astype(np.intp)
        inside = (index >= 0) & (index < rows)
        index = np.clip(index, 0, rows - 1)
        shift = (middle - origin)[:, None]
        # A soft last row (0..1) keeps the window from jumping by whole rows as the centre drifts.
        w = np.clip(model.half_window_px + spread[:, None] + 0.5 - np.abs(t - shift), 0.0, 1.0) * inside
        # Masked samples must not enter a mean: a bin is used where all of its columns are, and clipped where any is.
        v = _over_bins(values, index, edges, np.add, float) / np.diff(edges)[:, None]
        if usable is not None:
            w *= _over_bins(usable, index, edges, np.logical_and, bool)
        ceiling = np.zeros(w.shape, bool) if clipped is None else _over_bins(clipped, index, edges, np.logical_or, bool)
        w[~np.isfinite(v)] = 0.0
        v[w == 0.0] = 0.0
        ok &= (w > 0).sum(axis=1) > 2 * centres.shape[0] + 3
        return cls(origin, t, v, w, ceiling, filled - origin, ok)


def _over_bins(picture: np.ndarray, index: np.ndarray, edges: np.ndarray, how: np.ufunc, dtype: type) -> np.ndarray:
    """(S, K) of the rows `index` (S, K), the columns of each bin brought together by `how`. Only the windows are read."""
    flat, columns = picture.ravel(), picture.shape[1]
    first, count = index * columns + edges[:-1, None], np.diff(edges)
    out = flat[first].astype(dtype)
    for c in range(1, int(count.min())):
        how(out, flat[first + c], out=out)
    for c in range(int(count.min()), int(count.max())):
        more = count > c
        out[more] = how(out[more], flat[first[more] + c])
    return out


def _solve(win: _Window, model: StepModel) -> StepFit:
    """Variable projection: levels are eliminated, positions and log blur take Gauss-Newton steps."""
    steps, columns = win.start.shape
    position, sigma = win.start.copy(), np.full(columns, float(model.sigma_px))
    travel = model.half_window_px / 2 if model.travel_px is None else model.travel_px
    weight, noise = win.w.copy(), np.ones(columns)
    for turn in range(model.iterations):
        state = _linearise(win, weight, position, sigma)
        noise = _noise(state, weight, steps, model)
        if model.robust and turn >= 1:
            weight = _tukey(state.residual / noise[:, None])
            weight *= win.w
        # Positions are smoothed as rows of the picture: windows start at whole rows and jump.
        now = np.vstack([position + win.origin, np.log(sigma / model.sigma_px)])
        goal = _goal(state, noise, now, model)
        limit = 0.75 * sigma
        position += np.clip((goal - now)[:steps], -limit, limit)
        position = np.clip(position, win.start - travel, win.start + travel)
        sigma = model.sigma_px * np.exp(np.clip(goal[steps], -1.2, 1.4))
    state = _linearise(win, weight, position, sigma)
    noise = _noise(state, weight, steps, model)
    u = _uncertainty(state, noise, model)
    over = _overshoot(win, state, position, sigma)
    bad = ~win.ok
    place = np.where(bad, np.nan, position + win.origin)
    return StepFit(place, np.where(bad, np.nan, u), state.levels, sigma, noise, over)


@dataclass(frozen=True, eq=False)
class _State:
    """Residual (S, K), levels (L, S), reduced normal matrix (n, n, S) and gradient (n, S) of positions and log blur.

    Columns run last in all that is small: every sum and product then runs along them.
    """

    residual: np.ndarray
    levels: np.ndarray
    normal: np.ndarray
    gradient: np.ndarray


def _linearise(win: _Window, weight: np.ndarray, position: np.ndarray, sigma: np.ndarray) -> _State:
    # All columns at once and on one thread: others would wait longer for the interpreter than such small pictures take.
    # One contiguous (S, K) picture for each basis function: sums along K then run at memory speed. Slopes in single precision,
    # which says where to go to a millionth of the way; levels and residuals in double, for a level may rest on idle samples alone.
    t, narrow = win.t.astype(np.float32), sigma.astype(np.float32)[:, None]
    basis, slope, shift = [np.ones_like(t)], [], []
    for place in position.astype(np.float32):
        off = t - place[:, None]
        erf, bell = _erf_step(off / narrow)
        bell /= narrow
        basis.append(erf)
        slope.append(bell)
        shift.append(off)
    double = [p.astype(float) for p in basis]
    weight, heights, gram = _heights(win, weight, double)
    residual = win.v - _model(heights, double)
    if win.ceiling.any():
        residual[win.ceiling] = np.maximum(residual[win.ceiling], 0.0)
    jac = [g * h[:, None] for g, h in zip(slope, heights[1:].astype(np.float32), strict=True)]
    jac.append(sum(j * d for j, d in zip(jac, shift, strict=True)))
    # Project the levels out of the Jacobian (Kaufman's form of variable projection).
    weight = weight.astype(np.float32)
    coupling = _solve_spd(gram, _products([weight, *(weight * p for p in basis[1:])], jac))
    for n, j in enumerate(jac):
        j -= _model(coupling[:, n], basis)
    weighted = [weight * j for j in jac]
    gradient = _products(weighted, [residual.astype(np.float32)])[:, 0]
    return _State(residual, np.cumsum(heights, axis=0), _gram(weighted, jac), gradient)


def _model(heights: np.ndarray, basis: list[np.ndarray]) -> np.ndarray:
    """(S, K) sum of the basis pictures (S, K), the first of them ones, times their heights (L, S)."""
    factor = heights.astype(basis[0].dtype)[..., None]
    out = basis[1] * factor[1]
    out += factor[0]
    for n in range(2, len(basis)):
        out += basis[n] * factor[n]
    return out


def _erf_step(z: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """The normal distribution's integral up to z and its density there, float32: Abramowitz and Stegun 26.2.17, good to 3e-7."""
    away = np.abs(z)
    t = np.float32(0.2316419) * away
    t += np.float32(1.0)
    np.reciprocal(t, out=t)
    away *= away
    away *= np.float32(-0.5)
    bell = np.exp(away, out=away)
    bell *= np.float32(1.0 / np.sqrt(2.0 * np.pi))
    beyond = np.float32(1.330274429) * t
    for factor in (-1.821255978, 1.781477937, -0.356563782, 0.319381530):
        beyond += np.float32(factor)
        beyond *= t
    beyond *= bell
    # The integral beyond |z|; below it for a negative z.
    return np.where(z < 0, beyond, np.float32(1.0) - beyond), bell


def _products(left: list[np.ndarray], right: list[np.ndarray]) -> np.ndarray:
    """(P, Q, S) sums along K of the products of P and Q pictures (S, K)."""
    out = np.empty((len(left), len(right), len(left[0])), left[0].dtype)
    for i, p in enumerate(left):
        for j, q in enumerate(right):
            np.einsum("sk,sk->s", p, q, out=out[i, j])
    return out.astype(float)


def _gram(weighted: list[np.ndarray], pictures: list[np.ndarray]) -> np.ndarray:
    """(P, P, S) as `_products` of the same pictures with and without their weights: symmetric, so half of it is enough."""
    size = len(pictures)
    out = np.empty((size, size, len(pictures[0])), pictures[0].dtype)
    for i in range(size):
        for j in range(i, size):
            out[j, i] = np.einsum("sk,sk->s", weighted[i], pictures[j], out=out[i, j])
    return out.astype(float)


def _solve_spd(matrix: np.ndarray, right: np.ndarray) -> np.ndarray:
    """(n, m, S) solutions of S small symmetric positive definite systems: elimination, written over all of them at once.

    LAPACK takes them one by one, which for two or three unknowns is many times slower. Without pivots, which such matrices
    do not need (Golub and Van Loan, Matrix Computations, 4.2).
    """
    a, x = matrix.copy(), right.copy()
    size = len(a)
    for i in range(size):
        for j in range(i + 1, size):
            factor = a[j, i] / a[i, i]
            a[j, i:] -= factor * a[i, i:]
            x[j] -= factor * x[i]
    for i in range(size - 1, -1, -1):
        for j in range(i + 1, size):
            x[i] -= a[i, j] * x[j]
        x[i] /= a[i, i]
    return x


def _heights(win: _Window, weight: np.ndarray, basis: list[np.ndarray]) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Weights in the end, weighted least squares (L, S) for the level and step heights, and its matrix (L, L, S).

    Clipped samples count only where the model is darker.
    """
    few = np.flatnonzero(win.ceiling.any(axis=1))
    if not len(few):
        return weight, *_levels(weight, win.v, basis)
    # First without them, or the ceiling would pass for the bright side's level.
    used = weight.copy()
    ceiling, v, own = win.ceiling[few], win.v[few], weight[few]
    used[few] = np.where(ceiling, _IDLE * own, own)
    heights, gram = _levels(used, win.v, basis)
    pictures, now = [p[few] for p in basis], heights[:, few]
    for _ in range(2):
        brighter = ceiling & (_model(now, pictures) > v)
        mine = np.where(brighter, _IDLE * own, own)
        now, matrix = _levels(mine, v, pictures)
    used[few], heights[:, few], gram[..., few] = mine, now, matrix
    return used, heights, gram


def _levels(used: np.ndarray, v: np.ndarray, basis: list[np.ndarray]) -> tuple[np.ndarray, np.ndarray]:
    """(L, S) weighted least squares of the values (S, K) on the basis pictures, and its matrix (L, L, S)."""
    weighted = [used, *(used * p for p in basis[1:])]
    # A ridge far below the weight of one sample, so that empty columns stay solvable.
    gram = _gram(weighted, basis) + 1e-6 * np.eye(len(basis))[..., None]
    return _solve_spd(gram, _products(weighted, [v]))[:, 0], gram


def _noise(state: _State, weight: np.ndarray, steps: int, model: StepModel) -> np.ndarray:
    """Noise of one sample, per column, steadied by the neighbours."""
    freedom = np.maximum(weight.sum(axis=1) - (2 * steps + 1 + (model.sigma_log_sd > 0)), 1.0)
    variance = np.einsum("sk,sk->s", weight * state.residual, state.residual)
    along = max(model.pool_px, 3.0)
    smooth = smooth_along(np.stack([variance, freedom]), along)
    return np.sqrt(np.maximum(smooth[0] / smooth[1], 1e-14))


def _tukey(scaled: np.ndarray) -> np.ndarray:
    """Tukey's weights of residuals over their noise; overwrites them."""
    outside = np.abs(scaled) >= _TUKEY
    scaled /= _TUKEY
    scaled *= scaled
    weight = np.subtract(1.0, scaled, out=scaled)
    weight *= weight
    np.copyto(weight, 1e-3, where=outside)
    return weight


def _goal(state: _State, noise: np.ndarray, now: np.ndarray, model: StepModel) -> np.ndarray:
    """Where the positions and log blur `now` (n, S) should go: one damped Gauss-Newton step, smoothed along the edge.

    The smoother is a Gaussian kernel applied twice to what it left over ("twicing", Tukey 1977): it keeps waviness
    that a plain kernel of the same noise would flatten.
    """
    normal = state.normal / noise**2
    pull = np.einsum("nms,ms->ns", normal, now) - state.gradient / noise**2
    prior, eye = _prior(model, len(now)), np.eye(len(now))[..., None]
    # 1 % Marquardt damping; the absolute part stops columns without a step from running away (sd of 30 px).
    damping = 0.01 * np.einsum("nns->ns", normal) + 1e-3
    if model.pool_px <= 0:
        total = normal + eye * prior[:, None] + eye * damping
        return _solve_spd(total, (pull + damping * now)[:, None])[:, 0]
    pooled = _pooled(normal, model)
    total = pooled + eye * prior[:, None] + 1e-3 * eye
    # The weak absolute term pulls toward where the line is, so that stretches without a step keep their place.
    first = _solve_spd(total, (_along(pull, model) + 1e-3 * now)[:, None])[:, 0]
    left_over = _along(pull - np.einsum("nms,ms->ns", normal, first), model) - prior[:, None] * first
    return first + _solve_spd(total, left_over[:, None])[:, 0]


def _along(values: np.ndarray, model: StepModel) -> np.ndarray:
    """Sum over the columns (n, S) that count together."""
    return _TWICED_WIDTH * model.pool_px * smooth_along(values, model.pool_px)


def _pooled(normal: np.ndarray, model: StepModel) -> np.ndarray:
    """`_along` of symmetric matrices (n, n, S), of which half is enough."""
    rows, columns = np.triu_indices(len(normal))
    out = np.empty_like(normal)
    out[rows, columns] = out[columns, rows] = _along(normal[rows, columns], model)
    return out


def _prior(model: StepModel, size: int) -> np.ndarray:
    """Information (n,) held on each unknown beforehand: none on positions."""
    prior = np.zeros(size)
    prior[-1] = 1e12 if model.sigma_log_sd <= 0 else model.sigma_log_sd**-2
    return prior


def _uncertainty(state: _State, noise: np.ndarray, model: StepModel) -> np.ndarray:
    """(P, S) standard uncertainty of each position; pooled ones from the scatter of the columns themselves.

    Grind lines make neighbouring columns alike, so residual noise over sqrt(samples) would claim too much: the
    pooled figure is the larger of it and a sandwich over blocks a third of the pooling width long.
    """
    normal = state.normal / noise**2
    if model.pool_px > 0:
        normal = _pooled(normal, model)
    eye = np.eye(len(normal))[..., None]
    held = normal + eye * _prior(model, len(normal))[:, None] + 1e-9 * eye
    cov = _solve_spd(held, np.broadcast_to(eye, held.shape))
    u = np.sqrt(np.maximum(np.einsum("nns->ns", cov)[:-1], 0.0))
    if model.pool_px <= 0:
        return u
    block = max(model.pool_px / 3, 1.0)
    score = state.gradient / noise**2
    within = 2 * np.sqrt(np.pi) * block * smooth_along(score, block) ** 2
    meat = _TWICED_WIDTH * model.pool_px * smooth_along(within, 2 * model.pool_px)
    return np.maximum(u, (np.sqrt(meat) / np.maximum(np.einsum("nns->ns", normal), 1e-12))[:-1])


def _overshoot(win: _Window, state: _State, position: np.ndarray, sigma: np.ndarray) -> np.ndarray:
    """(P, S) mean residual 1-3 blur radii outside each step, bright side up and dark side down counted positive."""
    out = []
    for k in range(len(position)):
        z = (win.t - position[k][:, None]) / sigma[:, None]
        height = state.levels[k + 1] - state.levels[k]
        beyond = win.w * ((np.abs(z) > 1) & (np.abs(z) < 3))
        mean = (beyond * np.sign(z) * state.residual).sum(axis=1) / np.maximum(beyond.sum(axis=1), 1e-9)
        out.append(mean / np.where(np.abs(height) > 1e-12, height, 1e-12))
    return np.array(out)
