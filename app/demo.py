"""The demo photos, measured with what their owner declares and set beside their truth."""

from __future__ import annotations

import json
import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

import demo_images
from app import outputs
from app.make import make_result
from app.progress import Report
from demo_images.owner import declared
from vision import job
from vision.declared import Declared
from vision.errors import ShoulderlineError
from vision.results import Measurement

FOLDER = Path(demo_images.__file__).parent
# A station of the truth counts as seen when one was measured within this of it; both lie 0.1 to 0.2 mm apart.
_NEAR_MM = 0.3


@dataclass(frozen=True)
class Demo:
    """One demo: its photos, and what the blade's owner declares. Several photos show one edge along one strip."""

    name: str
    photos: tuple[Path, ...]
    declared: Declared


@dataclass(frozen=True)
class Row:
    """One demo's outcome. Widths and thicknesses in mm, means over the stations seen; `refused` says why there are none."""

    name: str
    seen: int
    stations: int
    width_mm: float = math.nan
    true_width_mm: float = math.nan
    width_error_mm: float = math.nan
    thickness_mm: float = math.nan
    half_band_mm: float = math.nan
    true_thickness_mm: float = math.nan
    inside: float = math.nan
    refused: str = ""


def load() -> tuple[Demo, ...]:
    """Every demo, photos of one edge (``NAME-1``, ``NAME-2``, ...) together."""
    found: dict[str, list[Path]] = {}
    for path in sorted(FOLDER.glob("*.setup.json")):
        found.setdefault(re.sub(r"-\d+$", "", path.name.removesuffix(".setup.json")), []).append(path)
    return tuple(Demo(name, tuple(_photo(p) for p in paths), declared(paths)) for name, paths in found.items())


def run(folder: Path, report: Report | None = None) -> tuple[Row, ...]:
    """Measure every demo into ``folder/NAME`` and compare each with its truth."""
    demos = load()
    outputs.check_folder(folder)
    for demo in demos:
        outputs.check_folder(folder / demo.name)
    rows = []
    for i, demo in enumerate(demos):
        if report:
            report(f"measure {demo.name}", i / len(demos))
        rows.append(_run_one(demo, folder / demo.name))
    return tuple(rows)


def table(rows: Sequence[Row]) -> str:
    """Measured beside true, one line a demo; widths and thicknesses are means over the stations seen, in mm."""
    head = ("photo", "stations", "width", "true", "|error|", "thickness", "true", "in band")
    cells = [head]
    for r in rows:
        band = f"{_number(r.thickness_mm)} ± {_number(r.half_band_mm)}"
        cells.append(
            (r.name, f"{r.seen}/{r.stations}", _number(r.width_mm), _number(r.true_width_mm), _number(r.width_error_mm), band,
             _number(r.true_thickness_mm), f"{r.inside:.0%}" if math.isfinite(r.inside) else "-")
        )  # fmt: skip
    wide = [max(len(row[k]) for row in cells) for k in range(len(head))]
    lines = ["  ".join(c.ljust(n) for c, n in zip(row, wide, strict=True)).rstrip() for row in cells]
    lines += [f"{r.name} refused: {r.refused}" for r in rows if r.refused]
    lines.append("mm; |error|: median over the stations; ±: median half-width of the 95 % band; in band: true thicknesses inside it")
    return "\n".join(lines)


def _run_one(demo: Demo, folder: Path) -> Row:
    truth = _truth(demo)
    side = job.JobSide(tuple(job.JobPhoto(path.name) for path in demo.photos), demo.declared)
    try:
        result, _ = make_result(job.Job((side,)), FOLDER, folder, picture=True)
    except ShoulderlineError as error:
        return Row(demo.name, 0, truth.shape[1], refused=str(error))
    return compare(demo.name, result, truth)


def compare(name: str, m: Measurement, truth: np.ndarray) -> Row:
    """Set a measurement beside ``truth``: (4, N) rows position on the printed scale, photo index, width, thickness."""
    w, t = m.widths, m.thickness
    known = np.isfinite(w.width_mm)
    errors, inside, pairs = [], [], []
    for position, _, true_width, true_thickness in truth.T:
        # Where photos overlap, the merged profile keeps one of them: the same edge, so either stands for both.
        distance = np.where(known, np.abs(w.position_mm - position), np.inf)
        if distance.size == 0 or distance.min() > _NEAR_MM:
            continue
        j = int(distance.argmin())
        errors.append(abs(w.width_mm[j] - true_width))
        inside.append(t.low_mm[j] <= true_thickness <= t.high_mm[j])
        pairs.append((w.width_mm[j], true_width, t.thickness_mm[j], true_thickness, (t.high_mm[j] - t.low_mm[j]) / 2))
    if not pairs:
        return Row(name, 0, truth.shape[1])
    width, true_width, thickness, true_thickness, _ = np.mean(pairs, axis=0)
    half = float(np.median([p[4] for p in pairs]))
    return Row(
        name, len(pairs), truth.shape[1], float(width), float(true_width), float(np.median(errors)), float(thickness), half,
        float(true_thickness), float(np.mean(inside)),
    )  # fmt: skip


def _truth(demo: Demo) -> np.ndarray:
    rows = []
    for i, photo in enumerate(demo.photos):
        facts = json.loads((FOLDER / f"{photo.stem}.truth.json").read_text(encoding="utf-8"))
        rows += [(s["position_mm"], i, s["bevel_width"], s["thickness"]) for s in facts["stations"]]
    return np.array(rows, float).reshape(-1, 4).T


def _photo(setup: Path) -> Path:
    return setup.with_name(json.loads(setup.read_text(encoding="utf-8"))["photo"])


def _number(value: float) -> str:
    # Three decimals: the truth is exact, and a micrometre is the finest step at which the two differ in meaning.
    return f"{value:.3f}" if math.isfinite(value) else "-"
