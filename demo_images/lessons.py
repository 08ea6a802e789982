"""Six photographs of one edge that show what a good photo is: one is good, each of the others has one fault.

They are looked at, not measured: small, and in the folder ``lesson_photos``.
"""

from __future__ import annotations

from dataclasses import replace

from demo_images import scenarios as s
from demo_images.scene import Blade, Camera, Declared, Light, Scene

# A 12-megapixel phone like the demos'; this much of its size is rendered for the screen.
SCALE = 0.3
# Each pixel rendered stands for eleven of the sensor and gathers their light.
_FULL_WELL = Camera().full_well / SCALE**2
# A bevel that leans 15 degrees toward the strip mirrors what stands 30 degrees off the camera's axis on that side.
_BARE_LAMP = Light((24.0, -118.0, 200.0), (34.0, 34.0), (260.0, 258.0, 250.0), (24.0, 4.0, 0.4))


def _lessons() -> list[Scene]:
    blade = Blade(
        length_mm=98,
        x0_mm=5.0,
        y0_mm=4.4,
        half_angle=((0, 15.2),),
        thickness_mm=0.46,
        curvature=((58, 100, 0.0125),),
        cheek_length_mm=23,
        tip_taper_mm=40,
        bevel=s.MEDIUM,
        cheek=s.SATIN_ALONG,
        seed=51,
    )
    camera = Camera(aim=(30.0, 3.6, 0.4), full_well=_FULL_WELL, jpeg_quality=68)
    lamps = (s.WINDOW, s.OVERHEAD)
    good = Scene("lesson-good", blade, s.WHITE, camera, lamps, declared=Declared(30, 1.5, seed=51, session=51))
    # The bevel is 33 px wide at full size instead of 80: whatever the lines are off by counts more than twice as much.
    far = replace(camera, distance_mm=230.0, aim=(52.0, 6.0, 0.4))
    # 22 degrees off square: one end of the edge leaves the depth that is sharp, and the scale changes across the photo.
    tilted = replace(camera, tilt_deg=(22.0, 12.0), aperture_radius_mm=1.1)
    # A lens that focuses on something 20 mm behind the edge.
    soft = replace(camera, focus_offset_mm=20.0, aperture_radius_mm=1.8)
    # The edge 12 mm above the strip, and sharp: the strip is not, and looks smaller by 12 mm in 107.
    high = replace(blade, edge_height_mm=12.0)
    above = replace(camera, aim=(30.0, 3.6, 12.0), aperture_radius_mm=1.8)
    return [
        good,
        replace(good, name="lesson-too-far", camera=far),
        replace(good, name="lesson-tilted", camera=tilted),
        replace(good, name="lesson-glare", lights=(_BARE_LAMP,), ambient=(0.12, 0.12, 0.12)),
        replace(good, name="lesson-soft", camera=soft),
        replace(good, name="lesson-target-too-low", blade=high, camera=above),
    ]


LESSON_SCENES: dict[str, Scene] = {scene.name: scene for scene in _lessons()}
