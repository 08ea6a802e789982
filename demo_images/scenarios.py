"""Finishes, lamps and the demo photographs.

All invented: maker "Ostrel Works", knife "Quern 9", phone "Orrin Optical Quill 7". Figures are plausible, not those of any product.
"""

from __future__ import annotations

from dataclasses import replace

from demo_images.scene import Blade, Camera, Declared, Finish, Light, Scene, Target

# Bevels: as a belt, a stone or a strop leaves them.
MEDIUM = Finish(90, 0.10, 0.22, 0.060, 0.030, 2.5, 0.35)
COARSE = Finish(90, 0.12, 0.28, 0.110, 0.055, 2.5, 0.60, mottle=0.08)
SKEWED = replace(COARSE, direction_deg=62.0)
POLISHED = Finish(90, 0.06, 0.10, 0.020, 0.020, 2.0, 0.30)
ALONG = Finish(0, 0.09, 0.22, 0.070, 0.030, 6.0, 0.40)
# Cheeks.
SATIN_ALONG = Finish(0, 0.09, 0.26, 0.060, 0.035, 12.0, 0.40, (0.56, 0.55, 0.54), 0.05)
SATIN_ACROSS = Finish(90, 0.10, 0.28, 0.060, 0.040, 9.0, 0.40, (0.55, 0.54, 0.53), 0.05)
TUMBLED = Finish(0, 0.30, 0.30, 0.090, 0.10, 0.10, 0.50, (0.50, 0.49, 0.48), 0.10)
MIRROR = Finish(0, 0.03, 0.05, 0.004, 0.040, 8.0, 0.30, (0.64, 0.63, 0.62), 0.01)
COATED = Finish(0, 0.35, 0.35, 0.050, 0.06, 0.06, 0.30, (0.035, 0.036, 0.038), 0.10, "coating")

WINDOW = Light((-70, -140, 150), (150, 130), (3.6, 3.6, 3.65))
EDGE_SIDE = Light((20, -170, 90), (200, 90), (6.0, 6.0, 6.0))
OVERHEAD = Light((60, 40, 260), (120, 120), (4.5, 4.4, 4.2))
SPINE_SIDE = Light((10, 170, 110), (180, 90), (7.0, 7.0, 6.8), (20, 8, 0))
LAMP_LEFT = Light((-120, -45, 120), (50, 50), (14.0, 12.5, 10.0))

WHITE = Target()
GREEN = Target(lane=(0.10, 0.34, 0.20))
GREY = Target(lane=(0.30, 0.30, 0.31))
WOOD = Target(lane=(0.33, 0.20, 0.11), lane_kind="wood")
BLACK = Target(lane=(0.03, 0.03, 0.032), lane_kind="cloth")


def _demo() -> list[Scene]:
    plain = Scene(
        "plain-edge",
        Blade(half_angle=((0, 15.6),), thickness_mm=0.46, bevel=MEDIUM, cheek=SATIN_ALONG, seed=11),
        WHITE,
        Camera(),
        (WINDOW, OVERHEAD),
        declared=Declared(30, 1.5, seed=21, session=21),
    )
    belly = Scene(
        "belly-thickens",
        Blade(
            length_mm=58,
            half_angle=((0, 16.4), (26, 16.7), (56, 18.2)),
            thickness_mm=0.44,
            thicken=(27.0, 0.019),
            curvature=((17, 60, 0.0165),),
            bevel=SKEWED,
            cheek=TUMBLED,
            seed=12,
        ),
        Target(print_scale=(0.996, 0.998)),
        Camera(aim=(21, 6.5, 0.4), tilt_deg=(2.5, 1.5)),
        (WINDOW, OVERHEAD),
        declared=Declared(34, 2.5, seed=22, session=22),
    )
    coated = Scene(
        "coated-cheek-down",
        Blade(
            half_angle=((0, 19.2),),
            cheek_angle_deg=4.0,
            thickness_mm=0.68,
            lie="cheek-down",
            edge_height_mm=None,
            bevel=COARSE,
            cheek=COATED,
            seed=13,
        ),
        GREEN,
        Camera(size=(3000, 4000), paper_level=0.5, aim=(24, 1.5, 0.3), tilt_deg=(-2, 1), roll_deg=-1.0, orientation=6),
        (EDGE_SIDE, OVERHEAD),
        declared=Declared(38, 1.5, 4.0, edge_height=0.3, seed=23, session=23),
    )
    dim = Scene(
        "dim-noisy",
        Blade(half_angle=((0, 17.3),), thickness_mm=0.58, waviness=0.02, bevel=MEDIUM, cheek=SATIN_ACROSS, seed=14),
        GREY,
        Camera(
            size=(3264, 2448),
            focal_px=7100,
            tilt_deg=(-3.5, 3),
            roll_deg=-2.5,
            full_well=700,
            paper_level=0.34,
            warmth=(1.06, 1.0, 0.86),
            denoise=0.6,
            jpeg_quality=86,
            orientation=3,
        ),
        (LAMP_LEFT,),
        (0.18, 0.18, 0.18),
        declared=Declared(34, 1.5, seed=24, session=24),
    )
    return [plain, belly, coated, dim, *_whole_edge()]


def _whole_edge() -> list[Scene]:
    """One blade of the Quern 9, photographed three times as the phone is moved along the strip."""
    blade = Blade(
        length_mm=98,
        x0_mm=5.0,
        y0_mm=4.4,
        half_angle=((0, 15.2), (60, 15.5), (98, 17.0)),
        thickness_mm=0.43,
        thicken=(66.0, 0.012),
        curvature=((58, 100, 0.0125),),
        cheek_length_mm=23,
        tip_taper_mm=40,
        bevel=MEDIUM,
        cheek=SATIN_ACROSS,
        seed=15,
    )
    shots = ((1, 24.0, 4.0, (1.0, -1.2)), (2, 55.0, 4.0, (0.5, 1.0)), (3, 84.0, 7.5, (1.8, 0.6)))
    return [
        Scene(
            f"whole-edge-{i}",
            blade,
            WHITE,
            Camera(aim=(x, y, 0.4), tilt_deg=tilt, roll_deg=0.3 * i - 0.5),
            (replace(WINDOW, at=(x - 90, -140, 150), facing=(x, 3, 0)), replace(OVERHEAD, at=(x + 40, 40, 260), facing=(x, 3, 0))),
            declared=Declared(32, 2.0, seed=25 + i, session=25),
        )
        for i, x, y, tilt in shots
    ]


DEMO_SCENES: dict[str, Scene] = {scene.name: scene for scene in _demo()}
