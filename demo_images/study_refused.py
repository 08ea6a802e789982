"""Forty photographs that hold no measurement: no blade, no bevel, or no sharpness. Each is to be refused; none may yield a profile."""

from __future__ import annotations

from dataclasses import replace

from demo_images import scenarios as s
from demo_images.scene import Blade, Camera, Declared, Light, Scene, Target, Thing
from demo_images.study import FLASH, ONE_END, TENT

SOFT = (s.WINDOW, s.OVERHEAD)
CAMERA = Camera()
_WHITE, _BROWN, _STEEL, _BLACK = (0.78, 0.78, 0.77), (0.35, 0.22, 0.12), (0.6, 0.59, 0.57), (0.03, 0.03, 0.03)


def _empty() -> list[Scene]:
    """The lane with nothing in it."""
    dim = replace(CAMERA, full_well=700, paper_level=0.34)
    # Small lamps, so that a shadow has an edge; what throws it stays out of the picture.
    spine, end = Light((10, 170, 110), (12, 12), (420.0,) * 3), Light((-190, 30, 80), (15, 15), (300.0,) * 3)
    over = Thing("slab", (20, 72, 20), (160, 70, 1), made_of="gloss", reflectance=_BLACK)
    hand = replace(over, at=(-40, 36, 25), size_mm=(30, 46, 1), turn_deg=12)
    return [
        Scene("empty-white", None, s.WHITE, CAMERA, SOFT),
        Scene("empty-wood", None, s.WOOD, CAMERA, SOFT),
        Scene("empty-black-cloth", None, s.BLACK, CAMERA, (s.EDGE_SIDE,)),
        Scene("empty-green-dim", None, s.GREEN, dim, (s.LAMP_LEFT,), (0.18,) * 3),
        Scene("empty-grey-flash", None, s.GREY, CAMERA, (FLASH,), (0.05,) * 3),
        Scene("empty-white-into-wood", None, Target(lane=(0.33, 0.20, 0.11), lane_kind="wood", lane_from_mm=8.0), CAMERA, SOFT),
        Scene("shadow-only", None, s.WHITE, CAMERA, (spine,), (0.15,) * 3, things=(over,)),
        Scene("shadow-of-hand", None, s.GREY, CAMERA, (end,), (0.2,) * 3, things=(hand,)),
    ]


def _other_things() -> list[Scene]:
    """Something in the lane that is no blade."""

    def lying(name: str, thing: Thing, target: Target = s.WHITE, lights: tuple = SOFT) -> Scene:
        return Scene(name, None, target, CAMERA, lights, things=(thing,))

    return [
        lying("paper-scrap", Thing("slab", (20, 12, 0.06), (90, 14, 0.12), "paper", (0.82, 0.81, 0.78))),
        lying("paper-scrap-skewed", Thing("slab", (24, 13, 0.06), (110, 14, 0.12), "paper", (0.7, 0.6, 0.4), turn_deg=4), s.GREY),
        lying("card-edge", Thing("slab", (20, 14, 0.2), (100, 18, 0.4), "gloss", (0.1, 0.2, 0.5))),
        lying("card-white-on-wood", Thing("slab", (22, 13.5, 0.3), (120, 18, 0.6), "paper", _WHITE), s.WOOD),
        lying("board-edge", Thing("slab", (20, 20, 2), (140, 30, 4), "wood", _BROWN)),
        lying("board-edge-dark", Thing("slab", (20, 19, 1.0), (140, 30, 2), "wood", (0.12, 0.07, 0.04), turn_deg=-1.5), s.GREEN),
        lying("steel-rule", Thing("slab", (25, 15, 0.25), (150, 20, 0.5), "rule", _STEEL)),
        lying("steel-rule-end-light", Thing("slab", (30, 14, 0.4), (150, 20, 0.8), "rule", _STEEL, turn_deg=1), s.GREY, (ONE_END,)),
        lying("steel-bar", Thing("slab", (20, 13, 1.5), (140, 16, 3), "steel", _STEEL)),
        lying("steel-rod", Thing("rod", (20, 8.0, 3), (140, 6, 6), "steel", _STEEL)),
        lying("pen", Thing("rod", (20, 9.5, 4.5), (140, 9, 9), "gloss", (0.05, 0.08, 0.35)), s.WHITE, (s.EDGE_SIDE,)),
        lying("pencil-on-cloth", Thing("rod", (20, 8.4, 3.6), (140, 7, 7), "gloss", (0.7, 0.5, 0.05)), s.BLACK),
        lying("spoon", Thing("dome", (20, 19, 0), (50, 30, 10), "steel", _STEEL)),
        lying("cloth-fold", Thing("rod", (20, 12, 0), (160, 16, 5), "cloth", (0.35, 0.10, 0.10))),
        lying("cloth-fold-grey", Thing("rod", (20, 11, -1), (160, 15, 6), "cloth", (0.3, 0.3, 0.32), turn_deg=2), s.WHITE, (s.SPINE_SIDE,)),
        lying("card-black", Thing("slab", (20, 14, 0.15), (110, 18, 0.3), "gloss", _BLACK)),
        lying("card-black-spine", Thing("slab", (22, 14, 0.4), (110, 18, 0.8), "gloss", _BLACK, turn_deg=2), s.WHITE, (s.SPINE_SIDE,)),
        lying("card-black-on-wood", Thing("slab", (20, 13, 1.0), (120, 18, 2.0), "gloss", _BLACK), s.WOOD, (s.EDGE_SIDE,)),
        lying("hose-black", Thing("rod", (20, 8.5, 3.5), (140, 7, 7), "gloss", _BLACK), s.GREY, (s.LAMP_LEFT,)),
        lying("hose-black-end-light", Thing("rod", (20, 8.0, 3), (140, 6, 6), "gloss", _BLACK), s.WHITE, (ONE_END,)),
        lying("tape", Thing("slab", (20, 12, 0.03), (140, 12, 0.06), "gloss", (0.45, 0.44, 0.40))),
    ]


def _blades() -> list[Scene]:
    """A blade that the photo cannot show."""
    blade = Blade(thickness_mm=0.48, bevel=s.MEDIUM, cheek=s.SATIN_ALONG, seed=301)
    # One flat ground to nothing: no second facet, so no shoulder; 12 um is the width of the cut itself.
    single = replace(
        blade, half_angle=((0, 3.2),), cheek_angle_deg=3.0, thickness_mm=0.0013, rounding_mm=0.004, bevel=s.SATIN_ALONG, seed=302
    )
    declared = Declared(30, 2.0)

    def seen(name: str, its: Blade, camera: Camera, target: Target = s.WHITE, lights: tuple = SOFT) -> Scene:
        return Scene(name, its, target, camera, lights, declared=declared)

    return [
        seen("defocused", blade, replace(CAMERA, focus_offset_mm=-18, aperture_radius_mm=2.5)),
        seen(
            "defocused-grey", replace(blade, seed=303), replace(CAMERA, focus_offset_mm=25, aperture_radius_mm=2.5), s.GREY, (s.EDGE_SIDE,)
        ),
        seen("shaken-across", replace(blade, seed=304), replace(CAMERA, motion_px=(12, 110))),
        seen("shaken-slantwise", replace(blade, seed=305), replace(CAMERA, motion_px=(70, -80)), s.GREEN),
        seen("far-too-far", replace(blade, seed=306), replace(CAMERA, distance_mm=1100, focal_px=9050), lights=()),
        seen("blade-out-of-frame", replace(blade, y0_mm=24.0, seed=307), CAMERA),
        seen("no-bevel", single, CAMERA),
        # What is coated dark from its edge on: a shadow at its foot must not pass for a bevel.
        seen("no-bevel-coated", replace(single, seed=309, cheek=s.COATED, bevel=s.COATED), CAMERA),
        seen("no-bevel-coated-spine", replace(single, seed=310, cheek=s.COATED, bevel=s.COATED), CAMERA, s.GREY, (s.SPINE_SIDE,)),
        Scene("no-bevel-coated-tent", replace(single, seed=311, cheek=s.COATED, bevel=s.COATED), s.WHITE, CAMERA, (), TENT, declared),
        Scene("no-bevel-tent", replace(single, seed=308, cheek=s.TUMBLED, bevel=s.TUMBLED), s.GREY, CAMERA, (), TENT, declared),
    ]


REFUSED_SCENES: dict[str, Scene] = {
    f"refused-{scene.name}": replace(scene, name=f"refused-{scene.name}") for scene in (*_empty(), *_other_things(), *_blades())
}
