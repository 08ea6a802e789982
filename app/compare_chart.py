"""Results on one chart with their bands, and below it each difference from the first with what both can tell."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure as Chart

from app.comparing import axis
from vision.compare import Comparison
from vision.thickness import COVERAGE_FACTOR

# Okabe and Ito's colours, those of them that read at 4.5 : 1 on white made so; told apart by their dashes too.
COLOURS = ("#111111", "#005f9e", "#b34700", "#00735a", "#8a3d78", "#6b5b00", "#444e8c", "#7a2e2e")
_DASHES = ("-", (0, (6, 2)), (0, (2, 1.5)), (0, (6, 2, 1, 2)), (0, (1, 1)), (0, (9, 3)), (0, (3, 1, 1, 1, 1, 1)), (0, (4, 4)))


def draw(first: str, compared: Sequence[tuple[str, Comparison]], size_inch: tuple[float, float] = (4.6, 5.6)) -> Chart:
    """Thickness of every result above, differences below, on one axis; at least one comparison, all with places (`comparing.placed`)."""
    chart = Chart(figsize=size_inch, layout="constrained")
    upper, lower = chart.subplots(2, 1, sharex=True)
    base = compared[0][1]
    _curve(upper, base.at_mm, (base.first_mm, base.first_u_mm), first, 0)
    for i, (name, c) in enumerate(compared, start=1):
        _curve(upper, c.at_mm, (c.second_mm, c.second_u_mm), name, i)
        _curve(lower, c.at_mm, (c.difference_mm, c.u_mm), f"{name[:1]} minus {first[:1]}", i)
        beyond = np.where(c.e_n > 1.0, 0.02 + 0.03 * (i - 1), np.nan)
        named = len(compared) == 1 and bool((c.e_n > 1.0).any())
        lower.plot(
            _open(c.at_mm, c.at_mm), _open(c.at_mm, beyond), color=COLOURS[i % len(COLOURS)], linewidth=5, solid_capstyle="butt",
            transform=lower.get_xaxis_transform(), label="more than both explain" if named else None,
        )  # fmt: skip
    lower.axhline(0.0, color="#111111", linewidth=0.9)
    upper.set_ylabel("thickness behind the edge, mm")
    lower.set_ylabel("difference, mm")
    lower.set_xlabel(axis(base))
    for axes in (upper, lower):
        axes.grid(True, color="#dddddd", linewidth=0.5)
        axes.set_axisbelow(True)
        axes.spines[["top", "right"]].set_visible(False)
        axes.legend(loc="best", fontsize=9)
    return chart


def _curve(axes: Axes, at: np.ndarray, value: tuple[np.ndarray, np.ndarray], name: str, index: int) -> None:
    colour, dash = COLOURS[index % len(COLOURS)], _DASHES[index % len(_DASHES)]
    x, y, u = (_open(at, v) for v in (at, *value))
    axes.fill_between(x, y - COVERAGE_FACTOR * u, y + COVERAGE_FACTOR * u, color=colour, alpha=0.15, linewidth=0)
    axes.plot(x, y, color=colour, linestyle=dash, linewidth=1.5, label=name)


def _open(at: np.ndarray, values: np.ndarray) -> np.ndarray:
    """The values with a NaN where a stretch was not compared, so that no line bridges it."""
    step = np.min(np.diff(at))
    gaps = np.flatnonzero(np.diff(at) > 1.5 * step) + 1
    return np.insert(values, gaps, np.nan)
