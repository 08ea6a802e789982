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

from demo_images.scenarios import DEMO_SCENES
from demo_images.scene import Camera, Scene
from demo_images.study import DRAWN_SCENES, STUDY_SCENES
from demo_images.textures import seed_of
from demo_images.truth import setup, truth


def library() -> dict[str, Scene]:
    """Every scenario by name."""
    return {**DEMO_SCENES, **STUDY_SCENES, **DRAWN_SCENES}


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


def main(arguments: list[str] | None = None) -> None:
    """Command line."""
    parser = argparse.ArgumentParser(prog="python -m demo_images.render", description=__doc__.splitlines()[0])
    parser.add_argument(
        "names",
        nargs="+",
        metavar="NAME",
        help="demo, study, drawn (sixty of them), or any of: " + ", ".join({**DEMO_SCENES, **STUDY_SCENES}),
    )
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--scale", type=float, default=1.0, help="size of the picture, 1 = as the scenario says")
    parser.add_argument("--spp", type=int, default=24, help="paths a pixel")
    parser.add_argument("--facts-only", action="store_true", help="write truth and setup, no picture")
    options = parser.parse_args(arguments)
    names = [
        n for name in options.names for n in {"demo": DEMO_SCENES, "study": STUDY_SCENES, "drawn": DRAWN_SCENES}.get(name, {name: None})
    ]
    unknown = [name for name in names if name not in library()]
    if unknown:
        parser.error(f"no scenario named {', '.join(unknown)}")
    options.out.mkdir(parents=True, exist_ok=True)
    for name in names:
        scene, start = library()[name], time.monotonic()
        scene = replace(scene, camera=scaled(scene.camera, options.scale)) if options.scale != 1.0 else scene
        if not options.facts_only:
            from demo_images.develop import save

            save(photograph(scene, options.spp), scene.camera, options.out / f"{name}.jpg")
        write_facts(scene, options.out)
        print(f"{name}: {time.monotonic() - start:.0f} s", flush=True)


if __name__ == "__main__":
    main()
