"""Both sides of one blade, rendered and measured: ``python -m demo_images.study_sides --out DIR``.

The sides have unlike angles and shoulders at unequal depth; the blade is turned over for the second photo, so its strip runs the other
way. Prints the error of the thickness with readings and without. About a minute and a half; needs the ``render`` extra; not part of CI.
"""

from __future__ import annotations

import argparse
import json
import math
from dataclasses import replace
from pathlib import Path

import numpy as np

from demo_images.render import render
from demo_images.scenarios import DEMO_SCENES
from demo_images.scene import Scene
from vision.declared import Declared, Reading
from vision.measure import Side, measure_sides
from vision.photo import open_photo
from vision.results import Measurement

PLAIN = DEMO_SCENES["plain-edge"]
# Angle per side in degrees and twice the half thickness in mm: shoulders 0.82 and 0.89 mm deep.
FIRST, OTHER = (15.6, 0.46), (17.5, 0.56)
# One point of the blade, on each side's printed scale.
LANDMARKS_MM = (2.0, 40.0)
# A caliper that reads this much too much everywhere, and shows hundredths.
CALIPER_OFF_MM, PLACES_MM = 0.012, (8.0, 14.5, 20.0, 27.0, 34.0)


def scene(name: str, side: tuple[float, float], seed: int) -> Scene:
    """One side as a blade of its own, alike on both."""
    blade = replace(PLAIN.blade, half_angle=((0, side[0]),), thickness_mm=side[1], seed=seed)
    return replace(PLAIN, name=name, blade=blade)


def true_thickness(out: Path, at_mm: np.ndarray) -> np.ndarray:
    """(N,) thickness behind the edge at positions of the first side's scale, the shallower shoulder carried up its cheek."""
    halves, depths = [], []
    for name, (angle, _), where in (("side-first", FIRST, at_mm), ("side-other", OTHER, sum(LANDMARKS_MM) - at_mm)):
        rows = json.loads((out / f"{name}.truth.json").read_text(encoding="utf-8"))["stations"]
        width = np.interp(where, [r["position_mm"] for r in rows], [r["bevel_width"] for r in rows])
        halves.append(width * math.sin(math.radians(angle)))
        depths.append(width * math.cos(math.radians(angle)))
    climb = math.tan(math.radians(PLAIN.blade.cheek_angle_deg))
    out_mm: np.ndarray = halves[0] + halves[1] + climb * np.abs(depths[0] - depths[1])
    return out_mm


def measured(out: Path, readings: tuple[Reading, ...]) -> Measurement:
    """Both photos measured with angles declared 1.2 and 1 degree off, within their tolerance."""
    facts = Declared(included_angle_deg=30.0, angle_tolerance_deg=1.5, edge_height_mm=0.4, printed_bar_mm=(100.0, 100.0))
    first, other = (open_photo(out / f"{name}.jpg") for name in ("side-first", "side-other"))
    turned = replace(facts, included_angle_deg=34.0, angle_tolerance_deg=2.0)
    sides = (Side((first,), replace(facts, readings=readings), LANDMARKS_MM[0]), Side((other,), turned, LANDMARKS_MM[1]))
    return measure_sides(sides)


def line(name: str, m: Measurement, out: Path) -> str:
    """One row of the table: errors in micrometres, share of the truth in the band."""
    truth, t = true_thickness(out, m.widths.position_mm), m.thickness
    ok = np.isfinite(t.thickness_mm)
    error = 1000 * (t.thickness_mm - truth)[ok]
    inside = np.mean((t.low_mm[ok] <= truth[ok]) & (truth[ok] <= t.high_mm[ok]))
    half = 500 * np.median((t.high_mm - t.low_mm)[ok])
    size = np.percentile(np.abs(error), 95)
    return f"{name:17s} {ok.sum():4d} stations, error {np.median(error):+6.1f} µm, p95 {size:5.1f}, band ± {half:4.1f} holds {inside:4.0%}"


def main(arguments: list[str] | None = None) -> None:
    """Command line."""
    parser = argparse.ArgumentParser(prog="python -m demo_images.study_sides", description=__doc__.splitlines()[0])
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--scale", type=float, default=0.4, help="size of the pictures, 1 = as the scenario says")
    options = parser.parse_args(arguments)
    options.out.mkdir(parents=True, exist_ok=True)
    for each in (scene("side-first", FIRST, PLAIN.blade.seed), scene("side-other", OTHER, PLAIN.blade.seed + 66)):
        render(each, options.out, options.scale, 16)
    read = np.round(true_thickness(options.out, np.array(PLACES_MM)) + CALIPER_OFF_MM, 2)
    readings = tuple(Reading(p, float(v)) for p, v in zip(PLACES_MM, read, strict=True))
    for name, given in (("with readings", readings), ("without readings", ())):
        m = measured(options.out, given)
        print(line(name, m, options.out))
        for note in m.notes:
            print(f"  {note.severity}: {note.text}")


if __name__ == "__main__":
    main()
