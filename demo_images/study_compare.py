"""A measured profile beside a photograph's truth: errors, flags and stated uncertainty, per photo and pooled. Arrays only."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
from scipy.spatial import cKDTree

NEAR_MM = 0.3  # a station of the truth counts as seen when one was measured within this of it along the edge
WILD_UM = 40.0  # farther off than this must carry a flag (issue 4)
COVERAGE_FACTOR = 2.0
NO_WIDTH = ("serrated", "corner")  # marks of true stations that have no bevel width
_EMPTY = np.zeros(0)


@dataclass(frozen=True, eq=False)
class Measured:
    """What the tool gave at N stations: apex (N, 2) px, width, its standard uncertainty (mm, NaN where not measured) and flag bits."""

    apex_px: np.ndarray
    width_mm: np.ndarray
    width_u_mm: np.ndarray
    flags: np.ndarray
    facet_mm: np.ndarray | None = None


@dataclass(frozen=True, eq=False)
class Outcome:
    """One photograph, or one setting under moved light, beside its truth.

    ``error_um`` and ``u_um``: (M,) at the true stations that have a width, NaN where none was measured; ``flagged``: (M,) bool.
    ``reason``: why there is no profile, empty where there is one. ``apart_flagged``: share of the stations without a true width (serrated,
    corner) that are flagged or left out; NaN where there are none. ``facet_um``: median error of a micro-bevel's facet, NaN where none was
    reported or none is there. ``elsewhere``: stations measured where there is no edge, farther than `NEAR_MM` from the true one.
    """

    name: str
    cause: str
    half: str
    error_um: np.ndarray = field(default_factory=lambda: _EMPTY)
    u_um: np.ndarray = field(default_factory=lambda: _EMPTY)
    flagged: np.ndarray = field(default_factory=lambda: _EMPTY.astype(bool))
    reason: str = ""
    apart_flagged: float = math.nan
    facet_um: float = math.nan
    elsewhere: int = 0

    @property
    def stations(self) -> int:
        """True stations that have a width."""
        return self.error_um.size


@dataclass(frozen=True)
class Figures:
    """Pooled over stations: um, shares 0 to 1, NaN where there is nothing to pool."""

    photos: int
    without_profile: int
    seen: float
    median_um: float
    p95_um: float
    bias_um: float
    wild: int
    wild_flagged: float
    covered: float
    worst_median_um: float
    elsewhere: int


def compare(name: str, cause: str, half: str, truth: Sequence[dict], measured: Measured) -> Outcome:
    """Each true station beside the measured one nearest to it by the apex's place on the photo."""
    apex = np.array([s["apex_px"] for s in truth], float)
    width = np.array([s["bevel_width"] for s in truth], float)
    counted = np.array([not s.keys() & set(NO_WIDTH) for s in truth])
    px_per_mm = np.median(np.linalg.norm(np.diff(apex, axis=0), axis=1) / np.diff([s["s"] for s in truth]))
    placed = np.flatnonzero(np.isfinite(measured.apex_px).all(axis=1))
    if placed.size == 0:
        return Outcome(name, cause, half, np.full(int(counted.sum()), np.nan), reason="no station has a place on the photo")
    away, nearest = cKDTree(measured.apex_px[placed]).query(apex)
    at = placed[nearest]
    there = (away / px_per_mm <= NEAR_MM) & np.isfinite(measured.width_mm[at])
    error = np.where(there, measured.width_mm[at] - width, np.nan) * 1000
    u = np.where(there, measured.width_u_mm[at], np.nan) * 1000
    flagged = there & (measured.flags[at] != 0)
    apart = (~there | flagged)[~counted]
    facet = _facet(truth, measured, at, there & counted)
    share = float(apart.mean()) if apart.size else math.nan
    return Outcome(name, cause, half, error[counted], u[counted], flagged[counted], "", share, facet, _elsewhere(apex, measured, px_per_mm))


def _elsewhere(apex: np.ndarray, measured: Measured, px_per_mm: float) -> int:
    # Beyond the first and last true station the edge goes on, only its truth does not.
    placed = np.isfinite(measured.apex_px).all(axis=1) & np.isfinite(measured.width_mm)
    if not placed.any():
        return 0
    away, nearest = cKDTree(apex).query(measured.apex_px[placed])
    return int(((away / px_per_mm > NEAR_MM) & (nearest > 0) & (nearest < len(apex) - 1)).sum())


def _facet(truth: Sequence[dict], measured: Measured, at: np.ndarray, there: np.ndarray) -> float:
    if measured.facet_mm is None or "facet_width" not in truth[0]:
        return math.nan
    errors = measured.facet_mm[at] - np.array([s["facet_width"] for s in truth])
    errors = errors[there & np.isfinite(errors)]
    return float(np.median(errors)) * 1000 if errors.size else math.nan


def pooled(outcomes: Sequence[Outcome]) -> Figures:
    """Figures over all stations of several outcomes."""
    error = np.concatenate([o.error_um for o in outcomes]) if outcomes else _EMPTY
    with_profile = [o for o in outcomes if not o.reason]
    u = np.concatenate([o.u_um for o in with_profile]) if with_profile else _EMPTY
    flagged = np.concatenate([o.flagged for o in with_profile]) if with_profile else _EMPTY.astype(bool)
    known = np.concatenate([o.error_um for o in with_profile]) if with_profile else _EMPTY
    seen = np.isfinite(known)
    off, wild = np.abs(known[seen]), np.abs(known[seen]) > WILD_UM
    return Figures(
        photos=len(outcomes),
        without_profile=len(outcomes) - len(with_profile),
        seen=float(seen.sum() / error.size) if error.size else math.nan,
        median_um=_percentile(off, 50),
        p95_um=_percentile(off, 95),
        bias_um=_percentile(known[seen], 50),
        wild=int(wild.sum()),
        wild_flagged=float(flagged[seen][wild].mean()) if wild.any() else math.nan,
        covered=float((off < COVERAGE_FACTOR * u[seen]).mean()) if off.size else math.nan,
        elsewhere=sum(o.elsewhere for o in outcomes),
        worst_median_um=max((_percentile(np.abs(o.error_um[np.isfinite(o.error_um)]), 50) for o in with_profile), default=math.nan),
    )


def _percentile(values: np.ndarray, share: float) -> float:
    return float(np.percentile(values, share)) if values.size else math.nan


def _number(value: float, form: str) -> str:
    return format(value, form) if math.isfinite(value) else "-"


def _cells(f: Figures) -> list[str]:
    return [
        _number(f.seen, ".0%"),
        _number(f.median_um, ".1f"),
        _number(f.p95_um, ".1f"),
        _number(f.bias_um, "+.1f"),
        f"{f.wild}",
        _number(f.wild_flagged, ".0%"),
        _number(f.covered, ".0%"),
    ]


HEAD = ("cause", "photo", "half", "seen", "median", "p95", "bias", ">40 um", "flagged", "< 2u", "remark")


def table(outcomes: Sequence[Outcome]) -> list[tuple[str, ...]]:
    """Rows of text under `HEAD`, one an outcome, in order of cause."""
    rows = []
    for o in outcomes:
        remark = [o.reason] if o.reason else []
        if o.elsewhere:
            remark.append(f"{o.elsewhere} stations measured where there is no edge")
        if math.isfinite(o.apart_flagged):
            remark.append(f"no true width: {o.apart_flagged:.0%} flagged or left out")
        if math.isfinite(o.facet_um):
            remark.append(f"facet {o.facet_um:+.0f} um")
        rows.append((o.cause, o.name, o.half, *_cells(pooled([o])), "; ".join(remark)))
    return rows


def summary(title: str, f: Figures) -> str:
    """One line of totals."""
    seen, median, p95, bias, wild, flagged, covered = _cells(f)
    return (
        f"{title}: {f.photos} photos, {f.without_profile} without a profile; {seen} of the stations seen; |error| median {median}, "
        f"p95 {p95} um, bias {bias}, worst photo's median {_number(f.worst_median_um, '.1f')}; {wild} stations > {WILD_UM:.0f} um off, "
        f"{flagged} of them flagged; {f.elsewhere} measured where there is no edge; {covered} within 2u"
    )


def markdown(outcomes: Sequence[Outcome], halves: Sequence[str]) -> str:
    """A table by cause for the docs: for each half seen, median, p95, share of the wild stations flagged, coverage."""
    heads = [f"{half}: {what}" for half in halves for what in ("seen", "median", "p95", "flagged", "< 2u")]
    text = ["| " + " | ".join(("cause", *heads)) + " |", "|---" + "|---" * len(heads) + "|"]
    for cause in dict.fromkeys(o.cause for o in outcomes):
        row = [cause]
        for half in halves:
            seen, median, p95, _, _, flagged, covered = _cells(pooled([o for o in outcomes if (o.cause, o.half) == (cause, half)]))
            row += [seen, median, p95, flagged, covered]
        text.append("| " + " | ".join(row) + " |")
    return "\n".join(text)


def lines(rows: Sequence[tuple[str, ...]]) -> str:
    """A table as text, columns aligned."""
    wide = [max(len(row[k]) for row in (HEAD, *rows)) for k in range(len(HEAD))]
    return "\n".join("  ".join(cell.ljust(n) for cell, n in zip(row, wide, strict=True)).rstrip() for row in (HEAD, *rows))
