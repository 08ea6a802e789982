"""A summary as text: every figure through `vision.rounding`, every contributed word escaped by what is passed in."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

from app.reference_log import bands
from app.reference_log.escape import markdown, visible
from app.reference_log.records import Record
from app.reference_log.summary import Comparison, Summary
from vision import rounding

Escape = Callable[[str], str]
# A line that names more of them is not read to its end.
_MOST_NAMES = 10


def figure(s: Summary) -> str:
    """The mean, with the 95 % interval of the mean; millimetres and inches."""
    return f"{rounding.format_figure(s.mean_mm, _half(s) / 2)}"


def what_follows(s: Summary) -> str:
    """What ± means in `figure`: one specimen says how well it was measured, and nothing of the model's mean."""
    return rounding.COVERAGE + ", of this one specimen" if s.specimens == 1 else "± is the 95 % interval of the mean"


def between(low_mm: float, high_mm: float, u_mm: float) -> str:
    """``"0.31 to 0.52 mm"``, to the place that `u_mm` supports."""
    return f"{rounding.format_value(low_mm, u_mm)} to {rounding.format_value(high_mm, u_mm)} mm"


def specimens_lie(s: Summary) -> str:
    """From the thinnest specimen to the thickest; one figure where there is one.

    To the place that the less certain of the two supports: a mean of many is better known than any of them.
    """
    thinnest, thickest = (choose(s.by_specimen, key=lambda k: k.mean_mm) for choose in (min, max))
    u_mm = max(thinnest.u_mm, thickest.u_mm)
    return f"{rounding.format_value(s.min_mm, u_mm)} mm" if s.specimens == 1 else between(s.min_mm, s.max_mm, u_mm)


def left_out_count(s: Summary) -> int:
    """How many measurements are in no figure."""
    return sum(o.measurements for o in s.left_out)


def spread(s: Summary) -> str:
    """The spread between specimens, or why there is none."""
    if s.specimens == 1:
        return "not known from one specimen"
    if s.spread_mm == 0.0:
        return "none beyond the measurement uncertainty"
    # A standard deviation from n figures is itself known to 1 / sqrt(2 (n - 1)): two digits at the very most.
    own = max(s.spread_mm / math.sqrt(2.0 * (s.specimens - 1)), s.u_mm / 2.0)
    return f"{rounding.format_value(s.spread_mm, own)} mm (one standard deviation, apart from measurement uncertainty)"


def next_one(s: Summary) -> str:
    """Where the next specimen will lie, or why nobody knows."""
    if s.specimens == 1:
        return "one specimen says nothing about the next"
    return f"a new one will lie between {next_range(s).replace(' to ', ' and ')} (95 %)"


def next_range(s: Summary) -> str:
    """The interval of the next one; its ends are no better known than a quarter of its half-width, so that says the digits."""
    return between(s.next_low_mm, s.next_high_mm, max(s.u_mm, (s.next_high_mm - s.next_low_mm) / 8.0))


def stands(s: Summary) -> str:
    """Where the figure stands among what is common; `bands` says what that is worth."""
    return bands.among(s.mean_mm, _half(s))


def mean_range(s: Summary) -> str:
    """The 95 % interval of the mean, or why there is none."""
    if s.specimens == 1:
        return "not known from one specimen"
    return between(s.low_mm, s.high_mm, max(s.u_mm, (s.high_mm - s.low_mm) / 8.0))


def _some(names: Sequence[str], escape: Escape) -> str:
    """The first of them, and how many more there are."""
    return ", ".join([*map(escape, names[:_MOST_NAMES])] + [f"and {len(names) - _MOST_NAMES} more"] * (len(names) > _MOST_NAMES))


def text(s: Summary, escape: Escape = visible) -> str:
    """The whole summary, one line a fact."""
    times = f"{s.measurements} time{'s' * (s.measurements > 1)}"
    lines = [
        f"{escape(s.maker)} {escape(s.model)}",
        f"  what          {escape(s.group.name)}",
        f"  specimens     {s.specimens}, measured {times} by {_some(s.contributors, escape)}",
        f"  thickness     {figure(s)}; {what_follows(s)}",
        f"  specimens lie {specimens_lie(s)}",
        f"  spread        {spread(s)}",
        f"  next one      {next_one(s)}",
        f"  stands        {stands(s)}",
    ]
    if len(s.variants) > 1:
        lines.append(f"  caution       variants averaged together: {_some(s.variants, escape)}; choose one with --variant")
    lines += [f"  caution       {remarked(s)}"] if s.remarked else []
    lines += [f"  contributors  {line}" for line in disagreements(s, escape)]
    lines += [f"  left out      {o.measurements}: {escape(o.why)}" for o in s.left_out]
    return "\n".join(lines)


def remarked(s: Summary) -> str:
    """How many of the measurements in the figure were taken with a caution."""
    was = "was" if s.remarked == 1 else "were"
    return f"{s.remarked} of the {s.measurements} measurements in it {was} taken with a caution; each record says which"


def disagreements(s: Summary, escape: Escape = visible) -> list[str]:
    """Contributors who differ by more than they can: one line a pair that measured one knife, and one for all the others."""
    same = [d for d in s.disagreements if d.same_specimen is not None]
    apart = [d for d in s.disagreements if d.same_specimen is None]
    lines = [_disagreement(d, f"on specimen {escape(d.same_specimen or '')}", escape) for d in same]
    if apart:
        others = (
            f"; so do {len(apart) - 1} other pairs, by less" if len(apart) > 2 else "; so does one other pair" if len(apart) == 2 else ""
        )
        # Where nobody measured two, nothing says how unlike knives are, and E_n is that of the two figures alone.
        each_one = sum(len(k.contributors) for k in s.by_specimen) == len(s.contributors)
        on = "on one knife each" if each_one else "on different specimens"
        lines.append(_disagreement(apart[0], f"{on} (it may be the knives)", escape, "differ" if each_one else "disagree") + others)
    return lines


def _disagreement(d: Comparison, on: str, escape: Escape, say: str = "disagree") -> str:
    a, b = (rounding.format_value(x, u) for x, u in zip(d.figures_mm, d.u_mm, strict=True))
    return f"{escape(d.contributors[0])} and {escape(d.contributors[1])} {say}: {a} and {b} mm {on}, E_n = {d.e_n:.2f}, above 1"


def post(s: Summary) -> str:
    """A short text of one model for a post; safe where Markdown or HTML is shown."""
    lines = [
        f"{markdown(s.maker)} {markdown(s.model)}: {figure(s)} behind the edge",
        f"({s.specimens} specimen{'s' * (s.specimens > 1)}, {markdown(s.group.name)}; {what_follows(s)}).",
    ]
    if s.specimens > 1:
        lines.append(f"They lie {specimens_lie(s)}; {next_one(s)}.")
    else:
        lines.append("One specimen says nothing about the next.")
    if len(s.variants) > 1:
        lines.append(f"Variants averaged together: {_some(s.variants, markdown)}.")
    if s.remarked:
        lines.append(f"{remarked(s).capitalize()}.")
    if s.disagreements:
        lines.append("; ".join(disagreements(s, markdown)) + ".")
    if s.left_out:
        count = left_out_count(s)
        what = "1 measurement that is" if count == 1 else f"{count} measurements that are"
        lines.append(f"Left out: {what} not comparable or not usable.")
    return " ".join(lines)


def as_given(r: Record) -> str:
    """A record's figure in mm and inch, and as it was given where that was inch."""
    shown = rounding.format_figure(r.thickness_mm, r.u_mm)
    return f"{shown}, given as {r.thickness:f} inch" if r.unit == "inch" else shown


def numbers(s: Summary) -> dict[str, object]:
    """The summary's keys for ``--json``; null where nothing can be said."""

    def finite(value: float) -> float | None:
        return value if math.isfinite(value) else None

    return {
        "maker": s.maker, "model": s.model, "edge": str(s.group.edge), "condition": str(s.group.condition), "method": s.group.method.name,
        "variants": list(s.variants), "contributors": list(s.contributors), "measurements": s.measurements, "remarked": s.remarked,
        "specimens": s.specimens, "mean_mm": s.mean_mm, "u_mm": s.u_mm, "low_mm": s.low_mm, "high_mm": s.high_mm, "min_mm": s.min_mm,
        "max_mm": s.max_mm, "spread_mm": finite(s.spread_mm), "next_low_mm": finite(s.next_low_mm), "next_high_mm": finite(s.next_high_mm),
        "left_out": [{"measurements": o.measurements, "why": o.why} for o in s.left_out],
    }  # fmt: skip


def _half(s: Summary) -> float:
    # The longer half of an interval that need not lie evenly about the mean; its lower end may have been cut off at nothing.
    return max(s.high_mm - s.mean_mm, s.mean_mm - s.low_mm)
