"""Ten settings of the study photographed three times each, with only the lamp moved; in half of them the phone, held by hand, moved too."""

from __future__ import annotations

from dataclasses import replace

from demo_images import scenarios as s
from demo_images.scene import Blade, Camera, Declared, Light, Scene
from demo_images.study import FLASH, ONE_END, TENT
from demo_images.study_cases import HELD, OPEN, OTHER_END
from demo_images.textures import seed_of

# Broad and close, so that no face is without light: what a window with a curtain or a shaded lamp gives.
SOFT_EDGE = Light((20, -110, 120), (260, 160), (2.4, 2.4, 2.4), (20, 3, 0))
SOFT_SPINE = Light((20, 120, 130), (260, 160), (2.4, 2.4, 2.4), (20, 3, 0))
SOFT_LEFT = Light((-130, 10, 110), (160, 220), (2.8, 2.8, 2.8), (20, 3, 0))
SOFT_RIGHT = Light((170, 0, 110), (160, 220), (2.8, 2.8, 2.8), (20, 3, 0))
LAMP_RIGHT = Light((150, -60, 110), (50, 50), (13.0, 12.8, 12.5), (20, 3, 0))
LAMP_FRONT = Light((25, -130, 110), (60, 60), (12.0, 12.0, 12.0), (20, 3, 0))
LAMP_BACK = Light((25, 140, 120), (60, 60), (12.0, 12.0, 12.0), (20, 3, 0))

# How a hand moves between two photos: aim (mm), tilt and roll (degrees), distance (mm).
_HAND = (
    ((0.0, 0.0), (0.0, 0.0), 0.0, 0.0),
    ((1.8, -0.6), (1.2, -0.8), 0.7, 1.5),
    ((-1.3, 0.7), (-0.9, 1.1), -0.9, -2.0),
)


def _photos(first: Scene, lamps: tuple[tuple[Light, ...], ...], by_hand: bool) -> tuple[Scene, ...]:
    """The setting under each group of lamps, as ``NAME-1``, ``NAME-2``, ..."""
    out = []
    for i, lights in enumerate(lamps):
        camera = first.camera
        if by_hand:
            (dx, dy), (tx, ty), roll, away = _HAND[i]
            x, y, z = camera.aim
            tilt = (camera.tilt_deg[0] + tx, camera.tilt_deg[1] + ty)
            camera = replace(
                camera, aim=(x + dx, y + dy, z), tilt_deg=tilt, roll_deg=camera.roll_deg + roll, distance_mm=camera.distance_mm + away
            )
        out.append(replace(first, name=f"{first.name}-{i + 1}", camera=camera, lights=lights))
    return tuple(out)


def _settings() -> list[tuple[Scene, tuple[tuple[Light, ...], ...], bool]]:
    base = Blade(thickness_mm=0.48, half_angle=((0, 15.4),), bevel=s.MEDIUM, cheek=s.SATIN_ALONG)
    camera, soft, dull = Camera(), Declared(30, 2.0), tuple(0.6 * v for v in TENT)
    round_ = replace(base, rounding_mm=0.05, seed=201), replace(base, rounding_mm=0.05, bevel=s.POLISHED, half_angle=((0, 17.6),), seed=202)
    less = (
        replace(base, rounding_mm=0.03, cheek=s.TUMBLED, bevel=s.COARSE, seed=203),
        replace(base, rounding_mm=0.03, thickness_mm=0.62, seed=204),
    )
    alike = replace(base, cheek=s.SATIN_ACROSS, half_angle=((0, 13.5),), thickness_mm=0.42, seed=205)
    mirror = replace(base, cheek=s.MIRROR, seed=206), replace(base, bevel=s.POLISHED, cheek=s.MIRROR, half_angle=((0, 16.4),), seed=207)
    coated = replace(base, cheek=s.COATED, bevel=s.SKEWED, thickness_mm=0.6, half_angle=((0, 18.2),), seed=208)
    convex = replace(base, convex_mm=0.012, bevel=s.POLISHED, seed=209)
    dark = replace(base, bevel=s.ALONG, half_angle=((0, 19.0),), seed=210)
    dim = replace(camera, full_well=700, paper_level=0.34, denoise=0.6)
    softly = (SOFT_EDGE,), (SOFT_SPINE,), (SOFT_LEFT,)
    lamps = (s.LAMP_LEFT,), (LAMP_RIGHT,), (LAMP_FRONT,)
    return [
        (Scene("lights-rounded-soft", round_[0], s.WHITE, camera, ambient=dull, declared=soft), softly, False),
        (Scene("lights-rounded-polished", round_[1], s.GREY, camera, ambient=dull, declared=Declared(35, 2)), softly[::-1], True),
        (Scene("lights-rounded-coarse", less[0], s.GREEN, camera, declared=soft), ((SOFT_RIGHT,), (SOFT_EDGE,), (s.SPINE_SIDE,)), True),
        (Scene("lights-rounded-lamps", less[1], s.WHITE, camera, ambient=(0.3,) * 3, declared=soft), lamps, False),
        (Scene("lights-alike-soft", alike, s.WHITE, camera, ambient=dull, declared=Declared(27, 2)), softly, True),
        (Scene("lights-mirror-cheek", mirror[0], s.WHITE, camera, declared=soft), ((s.WINDOW,), (ONE_END,), (s.OVERHEAD, FLASH)), False),
        (
            Scene("lights-mirror-polished", mirror[1], s.GREY, camera, declared=Declared(33, 2)),
            ((LAMP_FRONT,), (LAMP_BACK,), (SOFT_LEFT,)),
            True,
        ),
        (Scene("lights-coated", coated, s.WOOD, camera, declared=Declared(36, 2)), ((s.EDGE_SIDE,), (OTHER_END,), (s.OVERHEAD,)), False),
        (Scene("lights-convex", convex, s.WHITE, camera, declared=soft), ((s.EDGE_SIDE,), (s.WINDOW, s.OVERHEAD), (ONE_END,)), True),
        (Scene("lights-dark-dim", dark, s.WHITE, dim, ambient=(0.2,) * 3, declared=Declared(38, 2)), (*lamps[:2], (LAMP_BACK,)), False),
    ]


LIGHT_SETS: dict[str, tuple[Scene, ...]] = {first.name: _photos(first, lamps, by_hand) for first, lamps, by_hand in _settings()}
# By a checksum of the names, smaller half open: no choice of ours.
LIGHT_HALF: dict[str, str] = {
    name: (OPEN, HELD)[rank >= len(LIGHT_SETS) // 2] for rank, name in enumerate(sorted(LIGHT_SETS, key=lambda n: seed_of("lights", n)))
}
