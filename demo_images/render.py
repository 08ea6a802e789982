"""Render photographs: ``python -m demo_images.render NAME... --out DIR [--scale 0.5] [--spp 24]``.

Needs the ``render`` extra. Each NAME gives NAME.jpg, NAME.truth.json and NAME.setup.json.
"""

from __future__ import annotations

import argparse
import json
import time
from dataclasses import replace
from pathlib import Path

import numpy as np

from demo_images.lessons import LESSON_SCENES
from demo_images.scenarios import DEMO_SCENES
from demo_images.scene import Camera, Scene
from demo_images.study import DRAWN_SCENES
from demo_images.study_cases import CASES, HALF, HELD, OPEN
from demo_images.study_lights import LIGHT_HALF, LIGHT_SETS
from demo_images.study_refused import REFUSED_SCENES
from demo_images.textures import seed_of
from demo_images.truth import setup, truth

STUDY_SCENES: dict[str, Scene] = {case.scene.name: case.scene for case in CASES}
LIGHT_SCENES: dict[str, Scene] = {scene.name: scene for photos in LIGHT_SETS.values() for scene in photos}
GROUPS: dict[str, tuple[str, ...]] = {
    "demo": tuple(DEMO_SCENES),
    "lessons": tuple(LESSON_SCENES),
    "study": tuple(STUDY_SCENES),
    "drawn": tuple(DRAWN_SCENES),
    "refused": tuple(REFUSED_SCENES),
    "lights": tuple(LIGHT_SCENES),
    **{half: tuple(name for name, its in HALF.items() if its == half) for half in (OPEN, HELD)},
    **{
        f"lights-{half}": tuple(p.name for n, photos in LIGHT_SETS.items() if LIGHT_HALF[n] == half for p in photos)
        for half in (OPEN, HELD)
    },
}


def library() -> dict[str, Scene]:
    """Every scenario that shows a blade, by name."""
    return {**DEMO_SCENES, **LESSON_SCENES, **STUDY_SCENES, **LIGHT_SCENES, **DRAWN_SCENES}


def scaled(camera: Camera, scale: float) -> Camera:
    """The same camera with fewer pixels (even numbers of them, as its mosaic needs)."""
    size = tuple(2 * round(n * scale / 2) for n in camera.size)
    return replace(camera, size=size, focal_px=camera.focal_px * size[0] / camera.size[0])


def write_facts(scene: Scene, out: Path) -> None:
    """Write the scenario's truth and what its owner declares, both from the scenario alone."""
    facts = truth(scene)
    rows = facts.pop("stations")
    body = json.dumps(facts, indent=1)[:-2] + ',\n "stations": [\n' + ",\n".join("  " + json.dumps(row) for row in rows) + "\n ]\n}\n"
    (out / f"{scene.name}.truth.json").write_text(body)
    (out / f"{scene.name}.setup.json").write_text(json.dumps(setup(scene, rows), indent=1) + "\n")


def photograph(scene: Scene, spp: int) -> np.ndarray:
    """(H, W, 3) uint8 upright picture."""
    from demo_images.develop import develop
    from demo_images.tracing import paper_mask, trace

    light = trace(scene, spp, seed_of(scene.name))
    x, y = paper_mask(scene).T
    white = float(np.median(light[y, x]))
    return develop(light * (scene.camera.paper_level / white), scene.camera, seed_of("sensor", scene.name))


def render(scene: Scene, out: Path, scale: float, spp: int) -> None:
    """Write photo (none where ``spp`` is 0), truth and setup into ``out``; the photo first, so that a truth tells that it is whole."""
    scene = replace(scene, camera=scaled(scene.camera, scale)) if scale != 1.0 else scene
    if spp:
        from demo_images.develop import save

        save(photograph(scene, spp), scene.camera, out / f"{scene.name}.jpg")
    write_facts(scene, out)


def main(arguments: list[str] | None = None) -> None:
    """Command line."""
    parser = argparse.ArgumentParser(prog="python -m demo_images.render", description=__doc__.splitlines()[0])
    parser.add_argument(
        "names",
        nargs="+",
        metavar="NAME",
        help=f"{', '.join(GROUPS)} (each a whole group), or any of: {', '.join({**DEMO_SCENES, **LESSON_SCENES, **STUDY_SCENES})}",
    )
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--scale", type=float, default=1.0, help="size of the picture, 1 = as the scenario says")
    parser.add_argument("--spp", type=int, default=24, help="paths a pixel")
    parser.add_argument("--facts-only", action="store_true", help="write truth and setup, no picture")
    options = parser.parse_args(arguments)
    known, names = library() | REFUSED_SCENES, [n for name in options.names for n in GROUPS.get(name, (name,))]
    unknown = [name for name in names if name not in known]
    if unknown:
        parser.error(f"no scenario named {', '.join(unknown)}")
    options.out.mkdir(parents=True, exist_ok=True)
    for name in names:
        start = time.monotonic()
        render(known[name], options.out, options.scale, 0 if options.facts_only else options.spp)
        print(f"{name}: {time.monotonic() - start:.0f} s", flush=True)


if __name__ == "__main__":
    main()
