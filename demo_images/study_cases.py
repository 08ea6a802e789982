"""The study set: single photographs by cause, half of them open while the core is worked on, half held back until the end.

The split is a rule, not a choice (`halves`): within a cause, those known before there was a split come first, the rest by a checksum
of their names, and they go to the open and the held half in turn. So each cause stands in both halves, with other figures.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from demo_images import scenarios as s
from demo_images.scene import Blade, Camera, Chip, Corner, Declared, Light, Mark, Scallops, Scene, Target
from demo_images.study import FLASH, KNOWN_SCENES, ONE_END, TENT
from demo_images.textures import seed_of

OPEN, HELD = "open", "held"


@dataclass(frozen=True)
class Case:
    """One photograph of the study and the cause it is there for; ``known``: rendered and looked at before there was a split."""

    cause: str
    scene: Scene
    known: bool = False


BASE = Blade(thickness_mm=0.48, bevel=s.MEDIUM, cheek=s.SATIN_ALONG)
CAMERA = Camera()
SOFT = (s.WINDOW, s.OVERHEAD)
KRAFT = Target(lane=(0.42, 0.29, 0.17))
BLUE = Target(lane=(0.06, 0.12, 0.30), lane_kind="cloth")
SLATE = Target(lane=(0.10, 0.10, 0.11))
OTHER_END = Light((210, 20, 70), (70, 100), (11.0, 11.0, 11.5), (20, 5, 0))
# Beside the lens on the spine's side, small as a phone's own lamp.
FLASH_ABOVE = Light((12, 18, 94), (6, 6), (1100.0, 1100.0, 1150.0))
# A face at 15 degrees mirrors what stands 30 degrees off the vertical on the edge's side. There these two coloured panels meet, so that
# a polished convex face shows the one near its apex and the other near its shoulder. No brighter than the paper: else both burn out.
WARM_LOW = Light((20, -141, 141), (220, 107), (0.62, 0.48, 0.31), (20, 3, 0))
COOL_HIGH = Light((20, -86, 182), (220, 38), (0.20, 0.32, 0.55), (20, 3, 0))
BRIGHT = replace(s.POLISHED, alpha_along=0.025, alpha_across=0.08, slope_rms=0.015)

KNOWN_CAUSES = {
    "black-lane-dark-bevel": "dark bevel",
    "mirror-cheek": "mirror cheek",
    "wood-coarse": "coarse bevel",
    "spine-side": "light from the spine",
    "flash": "flash beside the lens",
    "one-end": "light from one end",
    "recurve": "recurve",
    "wide-250px": "wide bevel",
    "clipped": "clipped highlights",
    "blur-3px": "blur",
    "chips-burr": "chips and burr",
    "edge-8mm-high": "strip below the edge",
    "rounded-50um-tent": "rounded shoulder",
    "convex-polished": "convex bevel",
    "micro-bevel": "micro-bevel",
    "hairline-8px": "hairline",
    "tilt-12deg": "tilt",
}


def _blade(seed: int, **changes: object) -> Blade:
    # An owner declares what the maker says; the true angle is another, by up to 0.7 degrees a side unless a case states it.
    half = round(15.0 + float(np.random.default_rng(seed).uniform(-0.7, 0.7)), 2)
    return replace(BASE, seed=seed, **{"half_angle": ((0.0, half),), **changes})


def _partners() -> list[tuple[str, Scene]]:
    """One more case for each cause that had one already."""
    soft = Declared(30, 2.0)
    dark = _blade(131, half_angle=((0, 17.2),), bevel=s.POLISHED, cheek=s.TUMBLED)
    burr = _blade(141, thickness_mm=0.62, half_angle=((0, 16.1),), burr_mm=0.018, chips=(Chip(9.0, 0.9, 0.3), Chip(27.5, 0.4, 0.1)))
    wide = _blade(138, thickness_mm=1.52, half_angle=((0, 16.2),), bevel=s.SKEWED, cheek=s.SATIN_ALONG)
    close = replace(CAMERA, focal_px=12600, aim=(21, 4.6, 0.4))
    reverse = _blade(137, curvature=((4, 18, -0.016), (18, 44, 0.02)), y0_mm=5.2, heading_deg=3, bevel=s.COARSE)
    low = _blade(142, edge_height_mm=6.5, half_angle=((0, 14.4),), cheek=s.SATIN_ACROSS)
    round_edge = _blade(143, thickness_mm=0.7, half_angle=((0, 18.3),), rounding_mm=0.05)
    convex = _blade(144, thickness_mm=0.66, half_angle=((0, 17.0),), convex_mm=0.016, cheek=s.TUMBLED)
    micro = _blade(145, thickness_mm=0.6, half_angle=((0, 14.8),), micro_mm=0.2, micro_extra_deg=4.0, bevel=s.COARSE)
    hair = _blade(146, thickness_mm=0.068, half_angle=((0, 16.4),), cheek_angle_deg=2.0, rounding_mm=0.004, cheek=s.SATIN_ACROSS)
    return [
        ("dark bevel", Scene("dark-bevel-slate", dark, SLATE, CAMERA, (OTHER_END,), declared=Declared(34, 2))),
        (
            "mirror cheek",
            Scene("mirror-cheek-kraft", _blade(132, cheek=s.MIRROR, bevel=s.COARSE), KRAFT, CAMERA, (s.LAMP_LEFT,), declared=soft),
        ),
        ("coarse bevel", Scene("coarse-skewed-blue", _blade(133, bevel=s.SKEWED, cheek=s.TUMBLED), BLUE, CAMERA, SOFT, declared=soft)),
        ("light from the spine", Scene("spine-side-grey", _blade(134, bevel=s.COARSE), s.GREY, CAMERA, (s.SPINE_SIDE,), declared=soft)),
        (
            "flash beside the lens",
            Scene("flash-spine-green", _blade(135, bevel=s.SKEWED), s.GREEN, CAMERA, (FLASH_ABOVE,), (0.05, 0.05, 0.05), Declared(30, 2)),
        ),
        ("light from one end", Scene("other-end", _blade(136, cheek=s.SATIN_ACROSS), s.WHITE, CAMERA, (OTHER_END,), declared=soft)),
        ("recurve", Scene("recurve-reversed", reverse, s.GREY, CAMERA, SOFT, declared=soft)),
        ("wide bevel", Scene("wide-skewed", wide, s.WHITE, close, SOFT, declared=Declared(32, 2))),
        (
            "clipped highlights",
            Scene("clipped-white", _blade(139, bevel=s.ALONG), s.WHITE, replace(CAMERA, paper_level=0.92), SOFT, declared=soft),
        ),
        ("blur", Scene("blur-4px", _blade(140, bevel=s.COARSE), s.GREEN, replace(CAMERA, blur_px=4.0), SOFT, declared=soft)),
        ("chips and burr", Scene("chip-300um-burr", burr, s.WHITE, CAMERA, (s.EDGE_SIDE,), declared=Declared(32, 2))),
        (
            "strip below the edge",
            Scene(
                "edge-6mm-high", low, s.GREY, replace(CAMERA, aim=(21, 3, 6.5)), (s.OVERHEAD,), declared=Declared(29, 2, edge_height=6.5)
            ),
        ),
        ("rounded shoulder", Scene("rounded-50um-window", round_edge, s.GREEN, CAMERA, SOFT, declared=Declared(36, 2))),
        ("convex bevel", Scene("convex-medium", convex, s.WHITE, CAMERA, (s.WINDOW,), declared=Declared(34, 2))),
        ("micro-bevel", Scene("micro-bevel-wide", micro, s.GREY, CAMERA, (s.EDGE_SIDE, s.OVERHEAD), declared=soft)),
        ("hairline", Scene("hairline-grey", hair, s.GREY, CAMERA, SOFT, declared=Declared(33, 2))),
        ("tilt", Scene("tilt-11deg", _blade(147, bevel=s.COARSE), s.WHITE, replace(CAMERA, tilt_deg=(-8, 7.5)), SOFT, declared=soft)),
    ]


def _marks_and_shapes() -> list[tuple[str, Scene]]:
    soft = Declared(30, 2.0)
    etched = Mark(14.0, 0.25, (13.0, 2.6), seed=3), Mark(8.0, 0.12, (20.0, 1.6), 0.03, seed=9)
    split = _blade(153, thickness_mm=0.62, half_angle=((0, 15.2),), convex_mm=0.025, bevel=BRIGHT)
    split2 = replace(split, seed=154, convex_mm=0.018, thickness_mm=0.5, half_angle=((0, 14.8),), cheek=s.SATIN_ACROSS)
    tanto = _blade(155, corner=Corner(28.0, 38.0), y0_mm=4.0, thickness_mm=0.52)
    tanto2 = _blade(156, corner=Corner(17.0, 22.0), y0_mm=3.8, thickness_mm=0.44, bevel=s.COARSE, cheek=s.TUMBLED)
    teeth = _blade(157, scallops=Scallops(26.0, 60.0, 3.2, 0.55), thickness_mm=0.55)
    teeth2 = _blade(158, scallops=Scallops(-5.0, 16.0, 2.1, 0.30), thickness_mm=0.5, bevel=s.COARSE)
    belly = _blade(159, length_mm=58, curvature=((16, 60, 0.018),), thicken=(26, 0.018), thickness_mm=0.42)
    tip = _blade(
        160, length_mm=36, curvature=((14, 40, 0.022),), cheek_length_mm=20, tip_taper_mm=24, thickness_mm=0.45, cheek=s.SATIN_ACROSS
    )
    aim = replace(CAMERA, aim=(21, 6.0, 0.4))
    return [
        ("etched mark", Scene("etched-mark", _blade(151, mark=etched[0]), s.WHITE, CAMERA, SOFT, declared=soft)),
        ("etched mark", Scene("etched-mark-close", _blade(152, mark=etched[1], cheek=s.SATIN_ACROSS), s.WOOD, CAMERA, SOFT, declared=soft)),
        ("split reflection", Scene("split-half-dark", split2, s.GREY, CAMERA, (WARM_LOW,), (0.2,) * 3, soft)),
        ("split reflection", Scene("split-two-colours", split, s.WHITE, CAMERA, (WARM_LOW, COOL_HIGH), (0.25,) * 3, soft)),
        ("angular tip", Scene("angular-tip-38deg", tanto, s.WHITE, aim, SOFT, declared=soft)),
        ("angular tip", Scene("angular-tip-22deg", tanto2, s.GREEN, aim, (s.EDGE_SIDE, s.OVERHEAD), declared=soft)),
        ("plain beside serrated", Scene("serrated-deep", teeth, s.WHITE, CAMERA, SOFT, declared=soft)),
        ("plain beside serrated", Scene("serrated-fine", teeth2, s.GREY, CAMERA, (s.EDGE_SIDE,), declared=soft)),
        ("belly and tip", Scene("belly-white", belly, s.WHITE, replace(aim, roll_deg=-2), (s.EDGE_SIDE,), declared=soft)),
        ("belly and tip", Scene("tip-in-frame", tip, s.WHITE, aim, SOFT, declared=soft)),
    ]


def _camera_and_finish() -> list[tuple[str, Scene]]:
    soft = Declared(30, 2.0)
    halo = replace(CAMERA, sharpen=1.4, sharpen_px=2.4, contrast=0.25), replace(CAMERA, sharpen=1.0, sharpen_px=3.5, denoise=0.7)
    raised = _blade(163, edge_height_mm=3.0, cheek=s.SATIN_ACROSS), _blade(164, edge_height_mm=4.0, bevel=s.COARSE)
    far = replace(CAMERA, aim=(21, 3.6, 3.0), focus_offset_mm=3.2, aperture_radius_mm=1.1)
    near = replace(CAMERA, aim=(21, 3.6, 4.0), focus_offset_mm=0.0, aperture_radius_mm=1.0)
    fringe = replace(CAMERA, fringe=(0.0006, -0.0008)), replace(CAMERA, fringe=(-0.0010, 0.0007), aim=(21, 9.0, 0.4), distance_mm=92)
    dim = replace(CAMERA, full_well=600, paper_level=0.30, warmth=(1.08, 1.0, 0.82), denoise=0.6, jpeg_quality=85)
    dimmer = replace(dim, full_well=400, warmth=(1.0, 1.0, 1.0), denoise=0.3, tilt_deg=(3, -2))
    down = _blade(
        171,
        half_angle=((0, 18.4),),
        cheek_angle_deg=3.5,
        lie="cheek-down",
        edge_height_mm=None,
        thickness_mm=0.6,
        cheek=s.COATED,
        bevel=s.COARSE,
    )
    coated = _blade(172, half_angle=((0, 16.0),), thickness_mm=0.4, cheek=s.COATED, bevel=s.SKEWED)
    resting = _blade(
        173, half_angle=((0, 20.2),), cheek_angle_deg=2.5, lie="cheek-down", edge_height_mm=None, thickness_mm=0.5, cheek=s.TUMBLED
    )
    alike = _blade(174, cheek=s.SATIN_ACROSS, bevel=s.MEDIUM, half_angle=((0, 13.2),), thickness_mm=0.4)
    return [
        ("sharpening halo", Scene("halo-tight", _blade(161), s.WHITE, halo[0], SOFT, declared=soft)),
        ("sharpening halo", Scene("halo-broad", _blade(162, bevel=s.COARSE), s.GREEN, halo[1], SOFT, declared=soft)),
        ("edge out of focus", Scene("focus-on-strip", raised[0], s.WHITE, far, SOFT, declared=Declared(30, 2, edge_height=3.0))),
        ("edge out of focus", Scene("strip-out-of-focus", raised[1], s.GREY, near, SOFT, declared=Declared(30, 2, edge_height=4.0))),
        ("colour fringe", Scene("fringe-slight", _blade(165, bevel=s.COARSE), s.WHITE, fringe[0], SOFT, declared=soft)),
        ("colour fringe", Scene("fringe-strong", _blade(166, cheek=s.TUMBLED), s.GREY, fringe[1], (s.WINDOW,), declared=soft)),
        ("noise of a dim room", Scene("dim-warm", _blade(167, cheek=s.TUMBLED), s.WHITE, dim, (s.LAMP_LEFT,), (0.18,) * 3, soft)),
        ("noise of a dim room", Scene("dim-grainy", _blade(168, bevel=s.COARSE), s.GREY, dimmer, SOFT, declared=soft)),
        ("coating", Scene("coated-down-grey", down, s.GREY, CAMERA, SOFT, declared=Declared(37, 2, 3.5, edge_height=0.2))),
        ("coating", Scene("coated-black-lane", coated, s.BLACK, CAMERA, (s.EDGE_SIDE,), declared=Declared(32, 2))),
        ("lying on its cheek", Scene("cheek-down-tumbled", resting, s.WHITE, CAMERA, SOFT, declared=Declared(40, 2, 2.5, edge_height=0.3))),
        (
            "lying on its cheek",
            Scene(
                "cheek-down-wood",
                replace(resting, seed=175, cheek=s.SATIN_ALONG, bevel=s.POLISHED, half_angle=((0, 17.1),)),
                s.WOOD,
                CAMERA,
                (s.EDGE_SIDE, s.OVERHEAD),
                declared=Declared(34, 2, 2.5, edge_height=0.3),
            ),
        ),
        ("bevel like its cheek", Scene("alike-tent", alike, s.WHITE, CAMERA, (), TENT, Declared(26, 2))),
        (
            "bevel like its cheek",
            Scene("alike-edge-side", replace(alike, seed=176), s.GREEN, CAMERA, (s.EDGE_SIDE,), declared=Declared(26, 2)),
        ),
        ("polished bevel", Scene("polished-tent", _blade(177, bevel=s.POLISHED), s.GREY, CAMERA, (), TENT, soft)),
        (
            "polished bevel",
            Scene("polished-flash", _blade(178, bevel=s.POLISHED, cheek=s.TUMBLED), s.WHITE, CAMERA, (FLASH, ONE_END), declared=soft),
        ),
    ]


def halves(cases: list[Case]) -> dict[str, str]:
    """Name -> ``"open"`` or ``"held"``."""
    found: dict[str, str] = {}
    for cause in dict.fromkeys(c.cause for c in cases):
        group = sorted((c for c in cases if c.cause == cause), key=lambda c: (not c.known, seed_of(c.scene.name)))
        found |= {c.scene.name: (OPEN, HELD)[i % 2] for i, c in enumerate(group)}
    return found


CASES: list[Case] = [
    *(Case(KNOWN_CAUSES[scene.name], scene, True) for scene in KNOWN_SCENES.values()),
    *(Case(cause, scene) for cause, scene in (*_partners(), *_marks_and_shapes(), *_camera_and_finish())),
]
HALF: dict[str, str] = halves(CASES)
