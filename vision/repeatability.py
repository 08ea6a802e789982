"""How repeatable a person's own method is: several results of each of several photos (or sessions), one-way analysis of variance."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np
from scipy import optimize, special, stats

from vision.errors import DeclarationError
from vision.results import Measurement

# Results are compared at these steps, a station apart at most; a stretch of a few waves of the edge (1-2 mm each) at least.
GRID_MM = 0.2
LEAST_COMMON_MM = 5.0
# Share of a normal distribution below two standard deviations: k = 2 is 95.45 %.
_NORMAL_WITHIN_2 = float(stats.norm.cdf(2.0))
# Sizes that either variance is tried at: their tails are long with one degree of freedom or two (to 1 % of the exact band).
_SIZES_WITHIN, _SIZES_BETWEEN = 100, 300
# Of a 95 % interval, what lies beyond either end.
_TAIL = 0.025


@dataclass(frozen=True)
class Components:
    """Within and between components of one-way analysis of variance.

    Attributes
    ----------
    groups, total : int
        Number of groups and of values.
    mean : float
    ms_between, ms_within, f : float
        Mean squares and their ratio; `f` is infinite when values never differ within a group but groups do, NaN when nothing differs.
    within : float
        Standard deviation of one result within a group (repeatability).
    between : float
        Standard deviation of the groups themselves; 0 when the groups differ no more than chance.
    mean_u : float
        Standard uncertainty of `mean` from this spread alone (it holds no common error of scale, angle or caliper).
    freedom, mean_freedom : float
        Effective degrees of freedom of `one_result_u` and of `mean_u` (Welch-Satterthwaite, JCGM 100, G.4.1).
    group_size : float
        How many values a group holds, as the between part counts it (the size itself where all are alike).
    """

    groups: int
    total: int
    mean: float
    ms_between: float
    ms_within: float
    f: float
    within: float
    between: float
    mean_u: float
    freedom: float
    mean_freedom: float
    group_size: float

    @property
    def one_result_u(self) -> float:
        """Standard deviation of one result of one new group."""
        return math.hypot(self.within, self.between)

    @property
    def band_u(self) -> float:
        """What to use in a band for a single measurement: `one_result_u` made larger for having been found from few results, so
        that k = 2 holds a result of a new group as often as if both standard deviations were known.

        With one group by Student's t (JCGM 100, G.3.2). With more, effective degrees of freedom fail where the few groups lie close
        together by chance: the inner freedom then counts, and of two groups twice the band held 88 % (groups that differ three
        times as much as the results within one). So both variances take every size that their mean squares leave possible, as
        `between_range` has it, and the new result is drawn from all of them (fiducial: Weerahandi 1993, JASA 88, 899, memory).
        """
        if self.groups < 2 or self.one_result_u == 0.0:
            return self.one_result_u * _widened(self.freedom)
        free, inner = self.groups - 1, self.total - self.groups
        within2 = self.ms_within * _sizes(inner, _SIZES_WITHIN)[:, None]
        groups2 = self.ms_between * _sizes(free, _SIZES_BETWEEN)[None, :]
        one = np.sqrt(within2 + np.maximum(groups2 - within2, 0.0) / self.group_size)

        def beyond(log_u: float) -> float:
            return float(np.mean(special.ndtr(-2.0 * math.exp(log_u) / one))) - (1.0 - _NORMAL_WITHIN_2)

        # From where it would be if both were known, outward: most studies end within a factor of two.
        low = high = math.log(self.one_result_u)
        while beyond(low) < 0.0:
            low -= 0.5
        while beyond(high) > 0.0:
            high += 0.5
        return math.exp(float(optimize.brentq(beyond, low, high, xtol=1e-4)))

    @property
    def mean_band_u(self) -> float:
        """`mean_u` made larger by Student's t."""
        return self.mean_u * _widened(self.mean_freedom)

    @property
    def within_range(self) -> tuple[float, float]:
        """Where the standard deviation within a group lies with 95 %, normal scatter given (by chi-square; not even about `within`)."""
        squares = self.ms_within * (self.total - self.groups)
        low, high = (math.sqrt(squares / _chi2(share, self.total - self.groups)) for share in (1 - _TAIL, _TAIL))
        return low, high

    @property
    def between_range(self) -> tuple[float, float]:
        """The same of the groups' own (Williams 1962, Biometrika 49, 278, memory: a little wide), from 0 where chance may explain them;
        NaN with one group."""
        free, inner = self.groups - 1, self.total - self.groups
        if free < 1:
            return math.nan, math.nan
        ends = []
        for share in (1 - _TAIL, _TAIL):
            excess = self.ms_between - self.ms_within * float(stats.f.ppf(share, free, inner))
            ends.append(math.sqrt(max(excess, 0.0) * free / (self.group_size * _chi2(share, free))))
        return ends[0], ends[1]


@cache
def _sizes(freedom: int, count: int) -> np.ndarray:
    """(count,) what a variance may be, over its mean square of this many degrees of freedom: middles of equal parts of chance."""
    sizes: np.ndarray = freedom / stats.chi2.ppf((np.arange(count) + 0.5) / count, freedom)
    return sizes


def _widened(freedom: float) -> float:
    return float(stats.t.ppf(_NORMAL_WITHIN_2, freedom)) / 2.0


def _chi2(share: float, freedom: int) -> float:
    return float(stats.chi2.ppf(share, freedom))


def components(groups: Sequence[Sequence[float]]) -> Components:
    """One-way analysis of variance with random groups, unequal sizes allowed (method of moments).

    Parameters
    ----------
    groups : sequence of sequences of float
        Results by photo or session, one unit.

    Raises
    ------
    DeclarationError
        Fewer than two groups, an empty one, a value that is not finite, or no group with a repeat.
    """
    data = [np.asarray(g, float) for g in groups]
    sizes = np.array([g.size for g in data])
    if len(data) < 2 or (sizes < 1).any() or sizes.sum() <= len(data):
        text = "it needs two sessions or more, none of them empty, and a repeat (a second result) in one at least"
        held = f"{len(data)} session{'s' * (len(data) != 1)} of {_in_words(sizes)}" if data else "no session"
        raise DeclarationError(f"repeatability study of {held}", text, "measure again and add the results")
    values = np.concatenate(data)
    if not np.isfinite(values).all():
        raise DeclarationError("repeatability study with a missing value", "every result must be a number", "leave the missing one out")
    n, k = int(sizes.sum()), len(data)
    # Work on deviations: constant leading digits would otherwise eat the small differences.
    shift = float(values[0])
    data = [g - shift for g in data]
    means = np.array([g.mean() for g in data])
    grand = float(np.concatenate(data).mean())
    ms_between = float((sizes * (means - grand) ** 2).sum()) / (k - 1)
    ms_within = float(sum(((g - m) ** 2).sum() for g, m in zip(data, means, strict=True))) / (n - k)
    f = ms_between / ms_within if ms_within > 0 else (math.inf if ms_between > 0 else math.nan)
    effective = (n - float((sizes**2).sum()) / n) / (k - 1)
    between2 = max((ms_between - ms_within) / effective, 0.0)
    # Variances as sums of the two mean squares, which are independent; without a between part each is the inner one.
    share = float((sizes**2).sum()) / n**2 / effective
    one = ((1 - 1 / effective) * ms_within, ms_between / effective) if between2 > 0 else (ms_within, 0.0)
    mean = ((1 / n - share) * ms_within, share * ms_between) if between2 > 0 else (ms_within / n, 0.0)
    return Components(
        k, n, shift + grand, ms_between, ms_within, f, math.sqrt(ms_within), math.sqrt(between2), math.sqrt(sum(mean)),
        # That no between part was seen is known from k groups alone.
        _freedom(one, n - k, k - 1), _freedom(mean, n - k, k - 1) if between2 > 0 else k - 1.0, effective,
    )  # fmt: skip


def _in_words(sizes: np.ndarray) -> str:
    """How many results the sessions hold, in words."""
    *others, last = sizes.tolist()
    if all(size == last for size in others):
        return f"{last} result{'s' * (last != 1)}" + (" each" if others else "")
    return f"{', '.join(map(str, others))} and {last} results"


def _freedom(parts: tuple[float, float], inner: int, outer: int) -> float:
    """Effective degrees of freedom of a sum of two mean squares' shares (Welch-Satterthwaite)."""
    spent = parts[0] ** 2 / inner + parts[1] ** 2 / outer
    return sum(parts) ** 2 / spent if spent > 0 else float(inner)


@dataclass(frozen=True)
class Study:
    """Results of one blade compared over the stretch that all of them measured; means of bevel width and thickness, mm."""

    sessions: tuple[str, ...]
    results: int
    start_mm: float
    end_mm: float
    width: Components
    thickness: Components


def compare_results(named: Sequence[tuple[str, Measurement]], results: Sequence[str] = ()) -> Study:
    """How results of one blade scatter.

    Parameters
    ----------
    named : sequence of (str, Measurement)
        Session and result; all with the session "" are one session together.
    results : sequence of str
        What a refusal calls each of them; by their number where it is empty.

    Raises
    ------
    DeclarationError
        Fewer than two results, two that rest on one photo, one without the strip, no common stretch of `LEAST_COMMON_MM`, or too
        few repeats.
    """
    if len(named) < 2:
        raise DeclarationError(f"{len(named)} result", "scatter needs two at least", "measure the blade again and give both results")
    called = results or [f"result {i}" for i in range(1, len(named) + 1)]
    _refuse_one_photo(named, called)
    _refuse_drawn_lines(named, called)
    at, start, end = _common(tuple(m for _, m in named))
    sessions: dict[str, list[tuple[float, float]]] = {}
    for name, m in named:
        known = np.isfinite(m.widths.width_mm) & np.isfinite(m.thickness.thickness_mm)
        means = [
            float(np.mean(np.interp(at, m.widths.position_mm[known], v[known]))) for v in (m.widths.width_mm, m.thickness.thickness_mm)
        ]
        sessions.setdefault(name or "one session", []).append((means[0], means[1]))
    width, thickness = (_spread([[pair[k] for pair in group] for group in sessions.values()]) for k in (0, 1))
    return Study(tuple(sessions), len(named), start, end, width, thickness)


def _refuse_one_photo(named: Sequence[tuple[str, Measurement]], called: Sequence[str]) -> None:
    """One photo gives the same lines whatever is declared: what it scatters by is nothing that a second photo would."""
    seen: dict[str, int] = {}
    for i, (_, m) in enumerate(named):
        for photo in m.photos:
            if seen.setdefault(photo.sha256, i) != i:
                raise DeclarationError(
                    f"{called[seen[photo.sha256]]} and {called[i]}",
                    f"both rest on the same photo ({photo.name}), and measuring one photo twice says nothing of how photos scatter",
                    "set the same edge up anew, take a second photo, and give one result of each",
                )


def _refuse_drawn_lines(named: Sequence[tuple[str, Measurement]], called: Sequence[str]) -> None:
    for name, (_, m) in zip(called, named, strict=True):
        if m.scale_declared:
            raise DeclarationError(
                name,
                "it was measured without the strip, so its positions run along a drawn line and nothing says which places are the same "
                "in the other results",
                "take photos of the edge along one strip that stays on it",
            )


def _common(results: Sequence[Measurement]) -> tuple[np.ndarray, float, float]:
    """Places that every result measured: means over different stretches would differ by the blade's own shape."""
    grid = common_places([m.widths.position_mm[np.isfinite(m.widths.width_mm) & np.isfinite(m.thickness.thickness_mm)] for m in results])
    return grid, float(grid[0]), float(grid[-1])


def common_places(measured: Sequence[np.ndarray]) -> np.ndarray:
    """(N,) places `GRID_MM` apart that lie within `GRID_MM` of a measured station of every result.

    Parameters
    ----------
    measured : sequence of (n,) float
        Where each result measured, mm on one axis.

    Raises
    ------
    DeclarationError
        They come to less than `LEAST_COMMON_MM`.
    """
    spans = [(float(x.min()), float(x.max())) if x.size else (math.inf, -math.inf) for x in measured]
    start, end = max(s for s, _ in spans), min(e for _, e in spans)
    grid = np.arange(start, end, GRID_MM) if end - start >= LEAST_COMMON_MM else np.zeros(0)
    for x in measured:
        if grid.size:
            grid = grid[np.min(np.abs(grid[:, None] - x[None, :]), axis=1) <= GRID_MM]
    if grid.size * GRID_MM < LEAST_COMMON_MM:
        raise DeclarationError(
            "results without a common stretch", f"all must have measured the same {LEAST_COMMON_MM:g} mm at least", "compare others"
        )
    return grid


def _spread(groups: list[list[float]]) -> Components:
    if len(groups) > 1:
        return components(groups)
    # Deviations from the first, as in `components`: equal results then differ by nothing, not by a last binary digit.
    first, deviations = groups[0][0], np.asarray(groups[0]) - groups[0][0]
    within, n = float(np.std(deviations, ddof=1)), deviations.size
    return Components(
        1, n, first + float(deviations.mean()), math.nan, within**2, math.nan, within, 0.0, within / math.sqrt(n), n - 1.0, n - 1.0, n
    )
