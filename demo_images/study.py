"""Hard cases for the work on the vision core: rendered when wanted, not shipped."""

from __future__ import annotations

from dataclasses import replace

from demo_images import scenarios as s
from demo_images.scene import Blade, Camera, Chip, Declared, Finish, Light, Scene, Target

FLASH = Light((34, -6, 96), (7, 7), (900.0, 900.0, 950.0))
ONE_END = Light((-190, 0, 80), (70, 110), (12.0, 12.0, 12.0))
TENT = (1.2, 1.2, 1.2)


def _cases() -> list[Scene]:
    base = Blade(thickness_mm=0.48, bevel=s.MEDIUM, cheek=s.SATIN_ALONG)
    camera = Camera()
    dark = replace(base, half_angle=((0, 19.0),), seed=31)
    wide = replace(base, thickness_mm=1.35, half_angle=((0, 15.5),), bevel=s.ALONG, cheek=s.SATIN_ACROSS, seed=38)
    recurve = replace(base, curvature=((6, 20, 0.012), (20, 40, -0.02)), y0_mm=2.4, heading_deg=-2, cheek=s.TUMBLED, seed=37)
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
        Scene("wide-250px", wide, s.WHITE, replace(camera, aim=(21, 3.5, 0.4)), (s.WINDOW, s.OVERHEAD), declared=soft),
        Scene(
            "clipped", replace(base, bevel=s.POLISHED, seed=39), s.GREY, replace(camera, paper_level=0.85), (s.EDGE_SIDE,), declared=soft
        ),
        Scene("blur-3px", replace(base, seed=40), s.WHITE, replace(camera, blur_px=3.0), (s.WINDOW, s.OVERHEAD), declared=soft),
        Scene("chips-burr", chipped, s.WHITE, camera, (s.WINDOW, s.OVERHEAD), declared=soft),
        Scene(
            "edge-8mm-high",
            low,
            s.WHITE,
            replace(camera, aim=(21, 1, 8.0), distance_mm=100),
            (s.WINDOW,),
            declared=Declared(40, 2, edge_height=8.0),
        ),
        Scene("rounded-50um-tent", rounded, s.WHITE, camera, (), TENT, soft),
        Scene("convex-polished", convex, s.GREY, camera, (s.EDGE_SIDE, s.OVERHEAD), declared=soft),
        Scene("micro-bevel", micro, s.WHITE, camera, (s.WINDOW, s.OVERHEAD), declared=soft),
        Scene("hairline-8px", hairline, s.WOOD, replace(camera, distance_mm=92), (s.WINDOW,), declared=soft),
        Scene("tilt-12deg", replace(base, seed=47), s.GREEN, replace(camera, tilt_deg=(9, -8)), (s.WINDOW, s.OVERHEAD), declared=soft),
    ]


STUDY_SCENES: dict[str, Scene] = {scene.name: scene for scene in _cases()}

__all__ = ["STUDY_SCENES", "Finish", "Target"]
