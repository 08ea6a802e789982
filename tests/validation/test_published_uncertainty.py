"""The project's Gaussian algebra, budget and analysis of variance against published values. Sources beside each check."""

import math
import pathlib

import numpy as np
import pytest
import scipy.stats
from scipy import sparse
from sklearn.gaussian_process import GaussianProcessRegressor
from sklearn.gaussian_process.kernels import RBF, ConstantKernel

from vision.gaussian import condition, interpolation_rows, smooth_factor
from vision.repeatability import components
from vision.rounding import round_pair


def independent(shifts):
    """A quantity 0 with independent sources as the project's model holds it: its standard uncertainty."""
    factor = np.array([shifts], float)
    nothing = np.zeros(0)
    state = condition(np.zeros(1), factor, sparse.csr_array((1, 1)), sparse.csr_array((0, 1)), (nothing, np.zeros((0, 0))))
    return float(state.posterior_u[0])


def test_gum_h1_end_gauge():
    # JCGM 100:2008 H.1: contributions in nm: l_S, d (repeats 5.8, comparator 3.9 and 6.7), d_alpha, d_theta; first-order result u = 32.
    length, alpha, theta = 50_000_623.0, 11.5e-6, -0.1
    d_alpha, d_theta = 1e-6 / math.sqrt(3), 0.05 / math.sqrt(3)
    shifts = [25.0, 5.8, 3.9, 6.7, length * abs(theta) * d_alpha, length * alpha * d_theta]
    assert shifts[4:] == pytest.approx([2.887, 16.599], abs=0.001)
    assert independent(shifts) == pytest.approx(31.664, abs=0.005)
    # Result 50 000 838 nm, u = 32 nm.
    assert round_pair(50_000_623 + 215, independent(shifts)) == ("50000838", "32")


def test_gum_h2_resistance_and_reactance():
    # JCGM 100:2008 H.2: V, I, phi observed together; R, X, Z with their correlations.
    v = np.array([5.007, 4.994, 5.005, 4.990, 4.999])
    i = np.array([19.663, 19.639, 19.640, 19.685, 19.678]) / 1000
    phi = np.array([1.0456, 1.0438, 1.0468, 1.0428, 1.0433])
    cov = np.cov([v, i, phi]) / 5
    vm, im, pm = v.mean(), i.mean(), phi.mean()
    z = vm / im
    r, x = z * math.cos(pm), z * math.sin(pm)
    jacobian = np.array([[r / vm, -r / im, -x], [x / vm, -x / im, r], [z / vm, -z / im, 0.0]])
    factor = jacobian @ np.linalg.cholesky(cov)
    state = condition(np.array([r, x, z]), factor, sparse.csr_array((3, 3)), sparse.csr_array((0, 3)), (np.zeros(0), np.zeros((0, 0))))
    values, out = state.functional(np.eye(3))
    assert values == pytest.approx([127.732, 219.847, 254.260], abs=0.001)
    u = np.sqrt(np.diag(out))
    assert u == pytest.approx([0.071, 0.296, 0.236], abs=0.0006)
    correlation = out / np.outer(u, u)
    assert [correlation[0, 1], correlation[0, 2], correlation[1, 2]] == pytest.approx([-0.588, -0.485, 0.993], abs=0.001)


def test_gum_h3_calibration_line():
    # JCGM 100:2008 H.3, as Gaussian conditioning with a prior so wide that it says nothing.
    t = np.array([21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511])
    b = np.array([-0.171, -0.169, -0.166, -0.159, -0.164, -0.165, -0.156, -0.157, -0.159, -0.161, -0.160])
    design = np.column_stack([np.ones(11), t - 20.0])
    coefficients, residual, *_ = np.linalg.lstsq(design, b, rcond=None)
    s2 = float(residual[0]) / 9
    wide = 10.0 * np.eye(2)
    state = condition(np.zeros(2), wide, sparse.csr_array((2, 2)), sparse.csr_array(design), (b, s2 * np.eye(11)))
    values, cov = state.functional(np.array([[1.0, 0.0], [0.0, 1.0], [1.0, 10.0]]))
    assert values[:2] == pytest.approx(coefficients, abs=1e-6)
    u = np.sqrt(np.diag(cov))
    assert values == pytest.approx([-0.1712, 0.00218, -0.1494], abs=0.00006)
    assert u == pytest.approx([0.0029, 0.00067, 0.0041], abs=0.00006)
    assert cov[0, 1] / (u[0] * u[1]) == pytest.approx(-0.930, abs=0.001)


def test_jcgm_101_four_rectangulars():
    # JCGM 101:2008 9.2.3: four rectangular unit variances: GUM +- 3.92 (k = 1.96), Monte Carlo +- 3.88.
    u = independent([1.0, 1.0, 1.0, 1.0])
    assert 1.96 * u == pytest.approx(3.92, abs=0.005)
    draws = np.sqrt(3) * np.random.default_rng(1).uniform(-1, 1, (400_000, 4)).sum(axis=1)
    assert np.quantile(np.abs(draws), 0.95) == pytest.approx(3.88, abs=0.01)
    # The k = 2 band of this project holds a little more than 95 % then, never less.
    assert np.mean(np.abs(draws) <= 2 * u) > 0.95


def test_gaussian_process_agrees_with_scikit_learn():
    rng = np.random.default_rng(12)
    x = np.linspace(0.0, 60.0, 121)
    picks = np.array([4, 30, 55, 80, 110])
    y = 0.02 * rng.standard_normal(5)
    s, length, noise = 0.019, 30.0, 0.0065
    theirs = GaussianProcessRegressor(ConstantKernel(s**2) * RBF(length), alpha=noise**2, optimizer=None).fit(x[picks, None], y)
    mean, cov = theirs.predict(x[:, None], return_cov=True)
    rows = interpolation_rows(x, x[picks])
    state = condition(np.zeros(121), s * smooth_factor(x, length, 1e-15), sparse.csr_array((121, 121)), rows, (y, noise**2 * np.eye(5)))
    np.testing.assert_allclose(state.posterior_mean, mean, atol=1e-9)
    _, ours = state.functional(np.eye(121))
    np.testing.assert_allclose(ours, cov, atol=1e-9)
    # Variances compared where they are variances: 1e-9 of the prior's.
    np.testing.assert_allclose(state.posterior_u**2, np.diag(cov), atol=1e-9 * s**2)


def test_nist_sirstv_analysis_of_variance():
    # NIST StRD SiRstv (certified); the data file ships with SciPy's own tests.
    path = pathlib.Path(scipy.stats.__file__).parent / "tests" / "data" / "nist_anova" / "SiRstv.dat"
    table = np.loadtxt(path.read_text().splitlines()[60:85])
    groups = [table[table[:, 0] == k, 1] for k in range(1, 6)]
    c = components(groups)
    assert c.f == pytest.approx(1.18046237440255, rel=1e-10)
    assert c.ms_between == pytest.approx(1.27865654e-2, rel=1e-10)
    assert c.ms_within == pytest.approx(1.0831828e-2, rel=1e-10)
    assert c.within == pytest.approx(0.104076068334656, rel=1e-10)
    assert c.between == pytest.approx(math.sqrt((1.27865654e-2 - 1.0831828e-2) / 5), rel=1e-9)
