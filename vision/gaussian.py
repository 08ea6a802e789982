"""Gaussian conditioning on a handful of readings. Arrays only; no stations x stations matrix is ever formed."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy import linalg, sparse

Array = NDArray[np.float64]

# exp(-6^2 / 2) = 1.5e-8: beyond six lengths a Gaussian kernel is far below any uncertainty this project states.
KERNEL_REACH = 6.0


def smooth_factor(at_mm: Array, length_mm: float, tolerance: float = 1e-13) -> Array:
    """Low-rank factor of a unit Gaussian (squared-exponential) kernel, by pivoted Cholesky.

    Parameters
    ----------
    at_mm : (N,) float
        Places, any order, repeats allowed.
    length_mm : float
        Kernel ``exp(-d**2 / (2 length**2))``.
    tolerance : float
        Largest variance left out at any place.

    Returns
    -------
    (N, r) float
        ``F @ F.T`` equals the kernel to `tolerance`; r is about 3 + 2 * extent / length, not N. Read-only.
    """
    return _smooth_factor(np.ascontiguousarray(at_mm, np.float64).tobytes(), float(length_mm), float(tolerance))


# One photo's stations are asked about a dozen times over, for every source in doubt and every angle or reading that is tried.
@lru_cache(maxsize=16)
def _smooth_factor(places: bytes, length_mm: float, tolerance: float) -> Array:
    at_mm = np.frombuffer(places)
    left = np.ones(at_mm.size)
    columns: list[Array] = []
    while left.size and left.max() > tolerance and len(columns) < at_mm.size:
        pivot = int(np.argmax(left))
        column = np.exp(-0.5 * ((at_mm - at_mm[pivot]) / length_mm) ** 2)
        for earlier in columns:
            column = column - earlier * earlier[pivot]
        column = column / np.sqrt(left[pivot])
        columns.append(column)
        left = np.maximum(left - column**2, 0.0)
        left[pivot] = 0.0
    factor = np.column_stack(columns) if columns else np.zeros((at_mm.size, 0))
    factor.setflags(write=False)
    return factor


def local_covariance(at_mm: Array, u: Array, length_mm: float, group: NDArray[np.int64]) -> sparse.csr_array:
    """Sparse covariance of noise correlated over a short length.

    Parameters
    ----------
    at_mm : (N,) float
        Places along the edge, ascending within a group.
    u : (N,) float
        Standard uncertainty at each.
    length_mm : float
        Gaussian kernel length; 0 means independent stations.
    group : (N,) int
        Stations of different groups (photos) are independent.

    Returns
    -------
    (N, N) sparse
    """
    kernel = _local_kernel(
        np.ascontiguousarray(at_mm, np.float64).tobytes(), float(length_mm), np.ascontiguousarray(group, np.int64).tobytes()
    )
    values = kernel.data * np.repeat(u, np.diff(kernel.indptr)) * u[kernel.indices]
    return sparse.csr_array((values, kernel.indices, kernel.indptr), shape=kernel.shape)


# As with `_smooth_factor`: the same stations over and over.
@lru_cache(maxsize=8)
def _local_kernel(places: bytes, length_mm: float, groups: bytes) -> sparse.csr_array:
    """(N, N) correlations of `local_covariance`; read-only."""
    at_mm, group = np.frombuffer(places), np.frombuffer(groups, np.int64)
    n = at_mm.size
    rows, cols, values = [np.arange(n)], [np.arange(n)], [np.ones(n)]
    for step in range(1, n if length_mm > 0 else 0):
        i = np.arange(n - step)
        apart = np.abs(at_mm[step:] - at_mm[:-step])
        if apart.min() > KERNEL_REACH * length_mm:
            break
        keep = i[(apart <= KERNEL_REACH * length_mm) & (group[step:] == group[:-step])]
        v = np.exp(-0.5 * (apart[keep] / length_mm) ** 2)
        rows += [keep, keep + step]
        cols += [keep + step, keep]
        values += [v, v]
    kernel = sparse.csr_array((np.concatenate(values), (np.concatenate(rows), np.concatenate(cols))), shape=(n, n))
    for part in (kernel.data, kernel.indices, kernel.indptr):
        part.setflags(write=False)
    return kernel


def interpolation_rows(at: Array, places: Array) -> sparse.csr_array:
    """(n, N) rows that interpolate linearly between the two stations around each place (ends held)."""
    order = np.argsort(at, kind="stable")
    x = at[order]
    right = np.clip(np.searchsorted(x, places), 1, max(x.size - 1, 1))
    if x.size == 1:
        return sparse.csr_array(np.ones((places.size, 1)))
    left = right - 1
    gap = np.where(x[right] > x[left], x[right] - x[left], 1.0)
    share = np.clip((places - x[left]) / gap, 0.0, 1.0)
    data = np.column_stack([1.0 - share, share]).ravel()
    columns = order[np.column_stack([left, right])].ravel()
    return sparse.csr_array((data, columns, np.arange(0, columns.size + 1, 2)), shape=(places.size, x.size))


@dataclass(frozen=True)
class Conditioned:
    """A Gaussian of N unknowns ``mean + F z + e`` conditioned on n linear readings.

    Attributes
    ----------
    mean, posterior_mean, posterior_u : (N,) float
        Before and after conditioning.
    factor : (N, r) float
        Shared unknowns: columns are the shift for one standard deviation of each.
    local : (N, N) sparse
        Covariance of ``e``.
    rows : (n, N) sparse
        What each reading sees.
    noise : (n, n) float
        Covariance of the readings' own errors.
    innovation : (n,) float
        Reading minus prior prediction.
    spread : (n, n) float
        Covariance of `innovation`.
    gain_rows : (N, n) float
        Covariance of the unknowns with the innovation.
    """

    mean: Array
    posterior_mean: Array
    posterior_u: Array
    factor: Array
    local: sparse.csr_array
    rows: sparse.csr_array
    noise: Array
    innovation: Array
    spread: Array
    gain_rows: Array

    def gain(self, weights: Array) -> Array:
        """(m, n) weight of each reading in the estimate of each functional ``weights`` (m, N)."""
        if self.innovation.size == 0:
            return np.zeros((weights.shape[0], 0))
        solved: Array = linalg.cho_solve(linalg.cho_factor(self.spread, lower=True), (weights @ self.gain_rows).T).T
        return solved

    def error_weights(self, weights: Array) -> tuple[Array, Array]:
        """Gain (m, n) and the weight (m, N) with which a shift of the unknowns remains in each estimate's error."""
        gain = self.gain(weights)
        return gain, weights - (self.rows.T @ gain.T).T

    def functional(self, weights: Array) -> tuple[Array, Array]:
        """Values (m,) and covariance (m, m) of the linear functionals ``weights`` (m, N)."""
        gain, left = self.error_weights(weights)
        shared = left @ self.factor
        covariance = shared @ shared.T + left @ (self.local @ left.T) + gain @ self.noise @ gain.T
        return weights @ self.posterior_mean, covariance


def condition(mean: Array, factor: Array, local: sparse.csr_array, rows: sparse.csr_array, seen: tuple[Array, Array]) -> Conditioned:
    """Condition on ``seen = (readings (n,), their error covariance (n, n))``; cost N n (r + n), nothing N x N.

    With n = 0 the posterior is the prior. Standard Gaussian conditioning (Rasmussen & Williams 2006, eq. 2.23-2.24, memory).
    """
    readings, noise = seen
    prior_var = np.einsum("ij,ij->i", factor, factor) + local.diagonal()
    innovation = readings - rows @ mean
    # A handful of readings: their rows as they stand are quicker than a product of two sparse matrices.
    gain_rows = factor @ (rows @ factor).T + local @ rows.toarray().T
    spread = rows @ gain_rows + noise
    if readings.size:
        lower = linalg.cholesky(spread, lower=True)
        half = linalg.solve_triangular(lower, gain_rows.T, lower=True)
        posterior = mean + half.T @ linalg.solve_triangular(lower, innovation, lower=True)
        variance = prior_var - np.einsum("ij,ij->j", half, half)
    else:
        posterior, variance = mean.copy(), prior_var
    u = np.sqrt(np.maximum(variance, 0.0))
    return Conditioned(mean, posterior, u, factor, local, rows, noise, innovation, spread, gain_rows)


def leave_one_out(innovation: Array, spread: Array) -> tuple[Array, Array]:
    """Difference (n,) of each reading from its prediction by the others, and that difference's standard uncertainty (n,).

    Closed form from the inverse of `spread` (Rasmussen & Williams 2006, eq. 5.12, memory).
    """
    inverse = linalg.inv(spread)
    precision = np.diag(inverse)
    return (inverse @ innovation) / precision, 1.0 / np.sqrt(precision)
