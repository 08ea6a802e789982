"""The first hard cases, and many drawn at random: rendered when wanted, not shipped. `study_cases.py` holds the study set."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from demo_images import scenarios as s
from demo_images.scene import Blade, Camera, Chip, Declared, Light, Scene
from demo_images.section import edge_height

FLASH = Light((34, -6, 96), (7, 7), (900.0, 900.0, 950.0))
ONE_END = Light((-190, 0, 80), (70, 110), (12.0, 12.0, 12.0))
TENT = (1.2, 1.2, 1.2)


def _cases() -> list[Scene]:
    base = Blade(thickness_mm=0.48, bevel=s.MEDIUM, cheek=s.SATIN_ALONG)
    camera = Camera()
    dark = replace(base, half_angle=((0, 19.0),), seed=31)
    wide = replace(base, thickness_mm=1.35, half_angle=((0, 15.5),), bevel=s.ALONG, cheek=s.SATIN_ACROSS, seed=38)
    recurve = replace(base, curvature=((6, 20, 0.012), (20, 40, -0.02)), y0_mm=5.0, heading_deg=-2, cheek=s.TUMBLED, seed=37)
    chipped = replace(base, chips=(Chip(12.0, 0.6, 0.12), Chip(20.4, 0.25, 0.06), Chip(33.0, 1.4, 0.2)), burr_mm=0.01, seed=41)
    low = replace(base, edge_height_mm=8.0, half_angle=((0, 20.0),), bevel=s.SKEWED, seed=42)
    rounded = replace(base, rounding_mm=0.05, bevel=s.POLISHED, seed=43)
    convex = replace(base, convex_mm=0.012, bevel=s.POLISHED, seed=44)
    micro = replace(base, micro_mm=0.12, micro_extra_deg=5.0, seed=45)
    hairline = replace(base, thickness_mm=0.052, half_angle=((0, 15.3),), cheek_angle_deg=1.7, rounding_mm=0.004, bevel=s.COARSE, seed=46)
    soft = Declared(30, 2.0)
    return [
        Scene("black-lane-dark-bevel", dark, s.BLACK, camera, (s.SPINE_SIDE,), declared=Declared(38, 2)),
        Scene("mirror-cheek", replace(base, cheek=s.MIRROR, seed=32), s.WHITE, camera, (s.WINDOW, s.OVERHEAD), declared=soft),
        Scene(
            "wood-coarse",
            replace(base, bevel=s.COARSE, cheek=s.SATIN_ACROSS, seed=33),
            s.WOOD,
            camera,
            (s.WINDOW, s.OVERHEAD),
            declared=soft,
        ),
        Scene("spine-side", replace(base, cheek=s.SATIN_ACROSS, seed=34), s.WHITE, camera, (s.SPINE_SIDE,), declared=soft),
        Scene("flash", replace(base, seed=35), s.WHITE, camera, (FLASH,), (0.05, 0.05, 0.05), Declared(30, 2)),
        Scene("one-end", replace(base, bevel=s.SKEWED, seed=36), s.GREY, camera, (ONE_END,), declared=soft),
        Scene("recurve", recurve, s.WHITE, camera, (s.WINDOW, s.OVERHEAD), declared=soft),
        Scene("wide-250px", wide, s.WHITE, replace(camera, aim=(21, 4.5, 0.4)), (s.WINDOW, s.OVERHEAD), declared=soft),
        Scene("clipped", replace(base, seed=39), s.GREY, replace(camera, paper_level=0.85), (s.WINDOW, s.OVERHEAD), declared=soft),
        Scene("blur-3px", replace(base, seed=40), s.WHITE, replace(camera, blur_px=3.0), (s.WINDOW, s.OVERHEAD), declared=soft),
        Scene("chips-burr", chipped, s.WHITE, camera, (s.WINDOW, s.OVERHEAD), declared=soft),
        Scene(
            "edge-8mm-high",
            low,
            s.WHITE,
            replace(camera, aim=(21, 3, 8.0), distance_mm=100),
            (s.WINDOW,),
            declared=Declared(40, 2, edge_height=8.0),
        ),
        Scene("rounded-50um-tent", rounded, s.WHITE, camera, (), TENT, soft),
        Scene("convex-polished", convex, s.GREY, camera, (s.EDGE_SIDE, s.OVERHEAD), declared=soft),
        Scene("micro-bevel", micro, s.WHITE, camera, (s.WINDOW, s.OVERHEAD), declared=soft),
        Scene("hairline-8px", hairline, s.WOOD, replace(camera, distance_mm=92, focal_px=10800), (s.WINDOW,), declared=soft),
        Scene("tilt-12deg", replace(base, seed=47), s.GREEN, replace(camera, tilt_deg=(9, -8)), (s.WINDOW, s.OVERHEAD), declared=soft),
    ]


_LIGHTS = {
    "edge": (s.EDGE_SIDE,),
    "spine": (s.SPINE_SIDE,),
    "window": (s.WINDOW, s.OVERHEAD),
    "lamp": (s.LAMP_LEFT,),
    "end": (ONE_END,),
    "flash": (FLASH,),
    "tent": (),
}
_BEVELS = (s.MEDIUM, s.COARSE, s.SKEWED, s.POLISHED, s.ALONG)
_CHEEKS = (s.SATIN_ALONG, s.SATIN_ACROSS, s.TUMBLED, s.MIRROR, s.COATED)
_LANES = (s.WHITE, s.WHITE, s.GREY, s.GREEN, s.WOOD, s.BLACK)
_CURVES = ((), (), ((15.0, 60.0, 0.016),), ((6.0, 20.0, 0.01), (20.0, 42.0, -0.016)))


def _drawn_blade(rng: np.random.Generator) -> Blade:
    half = float(rng.uniform(12, 22))
    cheek = float(rng.uniform(1.5, 4.5))
    width_mm = float(np.exp(rng.uniform(np.log(0.10), np.log(2.2))))  # 9 to 200 px
    down = rng.random() < 0.25
    return Blade(
        length_mm=54,
        half_angle=((0.0, round(half, 2)), (54.0, round(half + float(rng.choice([0.0, 0.0, 1.5])), 2))),
        cheek_angle_deg=round(cheek, 2),
        thickness_mm=round(2 * width_mm * np.sin(np.radians(half)), 4),
        waviness=float(rng.choice([0.01, 0.02, 0.03])),
        thicken=(28.0, 0.02 * width_mm) if rng.random() < 0.3 else None,
        curvature=_CURVES[rng.integers(len(_CURVES))],
        rounding_mm=min(float(rng.choice([0.004, 0.01, 0.02, 0.05])), width_mm / 8),
        lie="cheek-down" if down else "level",
        edge_height_mm=None if down else float(rng.choice([0.0, 0.4, 0.8, 3.0])),
        convex_mm=width_mm * float(rng.choice([0.0, 0.0, 0.0, 0.008])),
        burr_mm=float(rng.choice([0.0, 0.0, 0.0, 0.008])),
        chips=(Chip(14.0, 0.5, width_mm / 8), Chip(31.0, 0.3, width_mm / 12)) if rng.random() < 0.15 else (),
        bevel=_BEVELS[rng.integers(len(_BEVELS))],
        cheek=_CHEEKS[rng.integers(len(_CHEEKS))],
        seed=int(rng.integers(1, 10**6)),
    )


def drawn(number: int) -> Scene:
    """A scenario drawn at random, the same for the same ``number``."""
    rng = np.random.default_rng([2026, number])
    blade, lane = _drawn_blade(rng), _LANES[rng.integers(len(_LANES))]
    light = list(_LIGHTS)[rng.integers(len(_LIGHTS))]
    height = edge_height(blade)
    camera = Camera(
        aim=(21.0, 4.0, height),
        distance_mm=float(rng.uniform(85, 115)),
        focal_px=float(rng.choice([7800.0, 9050.0, 10400.0])),
        tilt_deg=(float(rng.uniform(-5, 5)), float(rng.uniform(-5, 5))),
        roll_deg=float(rng.uniform(-4, 4)),
        k1=float(rng.uniform(-0.02, 0.03)),
        blur_px=float(rng.choice([0.6, 0.8, 1.2, 2.0])),
        full_well=float(rng.choice([900.0, 3000.0, 6000.0])),
        paper_level=float(rng.choice([0.35, 0.55, 0.75])),
        jpeg_quality=int(rng.choice([82, 88, 93])),
    )
    included = float(np.round(2 * blade.half_angle[0][1]))
    cheek = blade.cheek_angle_deg if blade.lie == "cheek-down" else None
    declared = Declared(included, 2.0, cheek, round(height, 1), seed=number, session=number)
    ambient = {"tent": TENT, "flash": (0.05, 0.05, 0.05)}.get(light, (0.35, 0.355, 0.365))
    scale = (float(rng.choice([1.0, 1.0, 0.995])), float(rng.choice([1.0, 1.0, 1.004])))
    return Scene(f"drawn-{number:02d}", blade, replace(lane, print_scale=scale), camera, _LIGHTS[light], ambient, declared)


KNOWN_SCENES: dict[str, Scene] = {scene.name: scene for scene in _cases()}
DRAWN_SCENES: dict[str, Scene] = {scene.name: scene for scene in map(drawn, range(366))}
