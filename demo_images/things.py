"""What lies beside the strip and is no blade: slabs, rods and domes as Mitsuba shapes, for photographs that hold no measurement."""

from __future__ import annotations

import numpy as np
from PIL import Image, ImageDraw, ImageFont

from demo_images.scene import Thing
from demo_images.textures import grain

_PX_PER_MM = 40
_TILE_MM = 40.0  # the grains' own tile: a longer thing repeats it


def surface(thing: Thing) -> np.ndarray:
    """(rows, columns, 3) float32 reflectance of its upper face."""
    if thing.made_of == "rule":
        return _rule(thing)
    tile, _ = grain(thing.made_of if thing.made_of in ("wood", "cloth") else "paper", thing.seed)
    return np.clip(tile[..., None] * np.array(thing.reflectance), 0.01, 0.95).astype(np.float32)


def _rule(thing: Thing) -> np.ndarray:
    """A steel rule: a tick every half millimetre from its near edge, a number every ten."""
    length, width, _ = thing.size_mm
    board = Image.new("L", (round(length * _PX_PER_MM), round(width * _PX_PER_MM)), 255)
    draw, font = ImageDraw.Draw(board), ImageFont.load_default(size=2.2 * _PX_PER_MM)
    for half in range(2 * int(length)):
        x, tall = half * _PX_PER_MM / 2, 6.0 if half % 20 == 0 else 4.5 if half % 10 == 0 else 3.2 if half % 2 == 0 else 2.0
        draw.rectangle([x - 0.05 * _PX_PER_MM, 0, x + 0.05 * _PX_PER_MM, tall * _PX_PER_MM], fill=0)
        if half % 20 == 0:
            draw.text((x + 0.3 * _PX_PER_MM, 4.2 * _PX_PER_MM), str(half // 2), fill=0, font=font)
    clear = np.asarray(board, np.float32)[..., None] / 255
    return (clear * np.array(thing.reflectance, np.float32) + (1 - clear) * 0.02).astype(np.float32)


def _material(mi, thing: Thing, uv_tiles: tuple[float, float]) -> dict:
    image = np.ascontiguousarray(surface(thing))
    place = mi.ScalarTransform3f() if thing.made_of == "rule" else mi.ScalarTransform3f(np.diag([*uv_tiles, 1.0]))
    colour = {"type": "bitmap", "bitmap": mi.Bitmap(image), "raw": True, "wrap_mode": "repeat", "to_uv": place}
    if thing.made_of in ("steel", "rule"):
        inner = {"type": "roughconductor", "material": "none", "alpha_u": 0.12, "alpha_v": 0.25, "specular_reflectance": colour}
    elif thing.made_of == "gloss":
        inner = {"type": "roughplastic", "alpha": 0.08, "diffuse_reflectance": colour}
    else:
        inner = {"type": "diffuse", "reflectance": colour}
    return {"type": "twosided", "bsdf": inner}


def shape(mi, thing: Thing) -> dict:
    """The Mitsuba shape of a thing."""
    half = np.array(thing.size_mm) / 2
    t = mi.ScalarTransform4f()
    place = t.translate(list(thing.at)) @ t.rotate([0, 0, 1], thing.turn_deg)
    tiles = float(thing.size_mm[0] / _TILE_MM), float(thing.size_mm[1] / _TILE_MM)
    bsdf = _material(mi, thing, tiles)
    if thing.shape == "slab":
        return {"type": "cube", "to_world": place @ t.scale(half.tolist()), "bsdf": bsdf}
    if thing.shape == "dome":
        return {"type": "sphere", "to_world": place @ t.scale(half.tolist()), "bsdf": bsdf}
    if thing.shape == "rod":
        along = t.translate([-half[0], 0, 0]) @ t.rotate([0, 1, 0], 90) @ t.scale([float(half[2]), float(half[1]), thing.size_mm[0]])
        return {"type": "cylinder", "to_world": place @ along, "bsdf": bsdf}
    raise ValueError(f"no shape {thing.shape!r}: slab, rod or dome")
