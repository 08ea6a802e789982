"""Render and score the study set: ``python -m demo_images.study_score --out DIR [--half open|held|both] [--jobs N]``.

Renders what is missing or out of date into DIR (about 25 s of one core a photo; needs the ``render`` extra), measures every photo with what
its owner declares, and prints a table by cause and totals. Not part of CI.
"""

from __future__ import annotations

import argparse
import json
import subprocess
import sys
from collections.abc import Iterable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import asdict, dataclass, replace
from multiprocessing import get_context
from pathlib import Path

import cv2
import numpy as np

from demo_images.owner import declared
from demo_images.render import scaled
from demo_images.scene import Scene
from demo_images.study_cases import CASES, HALF, HELD, OPEN
from demo_images.study_compare import Measured, Outcome, compare, lines, markdown, pooled, summary, table
from demo_images.study_lights import LIGHT_HALF, LIGHT_SETS
from demo_images.study_refused import REFUSED_SCENES
from vision.errors import ShoulderlineError
from vision.measure import Side, measure_sides
from vision.photo import open_photo
from vision.results import Measurement

PARTS = ("singles", "lights", "refused")


@dataclass(frozen=True)
class Quality:
    """How a group of photos is rendered: size against the scenario's, paths a pixel."""

    scale: float
    spp: int


SINGLE, LIGHTS, REFUSED = Quality(0.7, 12), Quality(0.7, 8), Quality(0.5, 6)


@dataclass(frozen=True)
class Task:
    """One thing to measure: a photo, or the photos of one setting under moved light (``together``)."""

    name: str
    cause: str
    half: str
    folder: Path
    scenes: tuple[Scene, ...]
    quality: Quality
    together: bool = False


def tasks(out: Path, parts: Sequence[str], halves: Sequence[str]) -> list[Task]:
    """All that is to be measured, in order of part and cause."""
    found: list[Task] = []
    if "singles" in parts:
        cases = sorted(CASES, key=lambda c: c.cause)
        found += [
            Task(c.scene.name, c.cause, HALF[c.scene.name], out / HALF[c.scene.name], (c.scene,), SINGLE)
            for c in cases
            if HALF[c.scene.name] in halves
        ]
    if "lights" in parts:
        for name, photos in LIGHT_SETS.items():
            if LIGHT_HALF[name] in halves:
                folder = out / "lights" / LIGHT_HALF[name]
                found += [Task(p.name, "moved light, one photo", LIGHT_HALF[name], folder, (p,), LIGHTS) for p in photos]
                found.append(Task(name, "moved light, together", LIGHT_HALF[name], folder, photos, LIGHTS, True))
    if "refused" in parts:
        found += [Task(s.name, "to be refused", "", out / "refuse", (s,), REFUSED) for s in REFUSED_SCENES.values()]
    return found


def is_current(scene: Scene, quality: Quality, folder: Path) -> bool:
    """Whether the folder holds this photo as its scenario is now; its truth file holds the scenario it was made from."""
    try:
        made = json.loads((folder / f"{scene.name}.truth.json").read_text(encoding="utf-8"))["scene"]
    except FileNotFoundError:
        return False
    wanted = replace(scene, camera=scaled(scene.camera, quality.scale))
    return made == json.loads(json.dumps(asdict(wanted))) and (folder / f"{scene.name}.jpg").is_file()


def render_missing(all_tasks: Iterable[Task]) -> None:
    """Render what is missing, by a process of its own for each quality and folder: the tracer keeps its memory."""
    wanted: dict[tuple[Path, Quality], list[str]] = {}
    for task in all_tasks:
        names = wanted.setdefault((task.folder, task.quality), [])
        names += [s.name for s in task.scenes if s.name not in names and not is_current(s, task.quality, task.folder)]
    for (folder, quality), names in wanted.items():
        if names:
            size = ["--scale", str(quality.scale), "--spp", str(quality.spp)]
            subprocess.run([sys.executable, "-m", "demo_images.render", *names, "--out", str(folder), *size], check=True)


def measured(result: Measurement) -> Measured:
    """The stations of the first photo, or of all photos taken together."""
    w = result.widths
    return Measured(w.apex_px, w.width_mm, w.width_u_mm, w.flags)


def score(task: Task) -> Outcome:
    """Measure one task and set it beside its truth; a photo that is refused, or breaks the program, is an outcome without a profile."""
    cv2.setNumThreads(1)  # the pool already keeps every core busy
    paths = [task.folder / f"{s.name}.jpg" for s in task.scenes]
    truths = [json.loads((task.folder / f"{s.name}.truth.json").read_text(encoding="utf-8"))["stations"] for s in task.scenes]
    rows = truths[0]
    counted = sum(not {"serrated", "corner"} & row.keys() for row in rows)
    nothing = Outcome(task.name, task.cause, task.half, np.full(counted, np.nan))
    facts = declared([p.with_suffix(".setup.json") for p in paths])
    try:
        side = Side(tuple(open_photo(p) for p in paths), facts, moved_light=task.together)
        result = measure_sides((side,))
    except ShoulderlineError as error:
        return replace(nothing, reason=f"refused: {error.why}")
    except Exception as error:  # the study goes on, and says so
        return replace(nothing, reason=f"BROKE: {type(error).__name__}: {error}")
    if not rows:
        return replace(nothing, error_um=np.full(int(np.isfinite(result.widths.width_mm).sum()), np.nan))
    # Photos taken together are measured in the pixels of one of them, and its truth is the one to compare with.
    return compare(task.name, task.cause, task.half, truths[int(result.widths.photo[0])], measured(result))


def moved_light(outcomes: Sequence[Outcome]) -> list[str]:
    """One line a setting: the best single photo's median error beside that of the photos taken together."""
    out = []
    for together in (o for o in outcomes if o.cause == "moved light, together"):
        singles = [pooled([o]).median_um for o in outcomes if o.cause == "moved light, one photo" and o.name[:-2] == together.name]
        best, both = float(np.nanmin(singles)) if np.isfinite(singles).any() else np.nan, pooled([together]).median_um
        each = ", ".join(f"{v:.1f}" for v in singles)
        out.append(
            f"{together.name} ({together.half}): each {each}; best {best:.1f}; together {both:.1f} um; change {both / best - 1:+.0%}"
        )
    return out


def report(outcomes: Sequence[Outcome], halves: Sequence[str], by_cause: bool) -> str:
    """The whole text: table by cause, totals of each half, moved light, refusals."""
    text = []
    singles = [o for o in outcomes if o.half and not o.cause.startswith("moved light")]
    lights = [o for o in outcomes if o.cause.startswith("moved light")]
    if by_cause and singles + lights:
        text += [lines(table(singles + lights)), ""]
    text += [summary(f"{half} half", pooled([o for o in singles if o.half == half])) for half in halves if singles]
    for half in halves if lights else ():
        for cause in ("moved light, one photo", "moved light, together"):
            text.append(summary(f"{half} half, {cause}", pooled([o for o in lights if o.half == half and o.cause == cause])))
    text += moved_light(lights) if by_cause else []
    to_refuse = [o for o in outcomes if not o.half]
    if to_refuse:
        kept = [o for o in to_refuse if not o.reason]
        text.append(f"to be refused: {len(to_refuse)} photos, {len(kept)} gave a profile")
        text += [f"  gave a profile: {o.name} ({o.stations} stations)" for o in kept]
        text += [f"  {o.name}: {o.reason}" for o in to_refuse if o.reason.startswith("BROKE")]
    return "\n".join(text)


def main(arguments: list[str] | None = None) -> None:
    """Command line."""
    parser = argparse.ArgumentParser(prog="python -m demo_images.study_score", description=__doc__.splitlines()[0])
    parser.add_argument("--out", type=Path, required=True, help="folder that keeps the pictures")
    parser.add_argument("--half", choices=(OPEN, HELD, "both"), default=OPEN, help="the held half is for the end of the work")
    parser.add_argument("--parts", nargs="+", choices=PARTS, default=PARTS)
    parser.add_argument("--only", nargs="+", metavar="NAME", help="these photos or settings alone")
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--totals", action="store_true", help="no table by cause")
    parser.add_argument("--markdown", action="store_true", help="the table by cause as the docs carry it, single photos only")
    options = parser.parse_args(arguments)
    halves = (OPEN, HELD) if options.half == "both" else (options.half,)
    wanted = tasks(options.out, options.parts, halves)
    if options.only:
        wanted = [t for t in wanted if {t.name, *(s.name for s in t.scenes)} & set(options.only)]
        if not wanted:
            parser.error(f"nothing named {', '.join(options.only)} in this half and these parts")
    render_missing(wanted)
    with ProcessPoolExecutor(options.jobs, mp_context=get_context("spawn")) as pool:
        outcomes = list(pool.map(score, wanted))
    if options.markdown:
        print(markdown([o for o in outcomes if o.half and not o.cause.startswith("moved light")], halves))
    print(report(outcomes, halves, not (options.totals or options.markdown)))


if __name__ == "__main__":
    main()
