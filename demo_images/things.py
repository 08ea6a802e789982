"""What lies beside the strip and is no blade: slabs, rods and domes as Mitsuba shapes, for photographs that hold no measurement."""

from __future__ import annotations

import numpy as np
from PIL import Image, ImageDraw, ImageFont

from demo_images.mesh import grid_faces
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
        draw.rectangle([x - 0.05 * _PX_PER_MM, board.height - tall * _PX_PER_MM, x + 0.05 * _PX_PER_MM, board.height], fill=0)
        if half % 20 == 0:
            draw.text((x + 0.3 * _PX_PER_MM, board.height - 4.6 * _PX_PER_MM), str(half // 2), fill=0, font=font, anchor="ls")
    clear = np.asarray(board, np.float32)[::-1, :, None] / 255  # texture places count from the near edge
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


def _round(thing: Thing, steps: int = 96) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Points and normals (N, 3) and triangles of a rod (an elliptic cylinder along X) or a dome (an ellipsoid) about the origin."""
    half = np.array(thing.size_mm) / 2
    turn = np.linspace(0, 2 * np.pi, steps)
    if thing.shape == "rod":
        along, radius = np.array([-1.0, 1.0]), np.ones(2)
    else:
        along = -np.cos(np.linspace(0.0, np.pi, steps))
        radius = np.sqrt(np.clip(1 - along**2, 0, None))
    unit = np.stack(np.broadcast_arrays(along[:, None], radius[:, None] * np.cos(turn), radius[:, None] * np.sin(turn)), axis=-1)
    outward = unit * ([0.0, 1.0, 1.0] if thing.shape == "rod" else [1.0, 1.0, 1.0]) / half
    outward /= np.maximum(np.linalg.norm(outward, axis=-1, keepdims=True), 1e-12)
    return (unit * half).reshape(-1, 3), outward.reshape(-1, 3), grid_faces(*unit.shape[:2])


def _box(thing: Thing) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """The same of a slab: its six sides, each with corners of its own."""
    points, normals = [], []
    for axis in range(3):
        for side in (-1.0, 1.0):
            corners = np.zeros((4, 3))
            others = [k for k in range(3) if k != axis]
            corners[:, axis], corners[:, others] = side, [(-1, -1), (1, -1), (1, 1), (-1, 1)]
            points.append(corners)
            normals.append(np.tile(np.eye(3)[axis] * side, (4, 1)))
    first = 4 * np.arange(6)[:, None]
    faces = np.concatenate([first + np.array([0, 1, 2]), first + np.array([0, 2, 3])])
    return np.concatenate(points) * np.array(thing.size_mm) / 2, np.concatenate(normals), faces


def _mesh(mi, thing: Thing, bsdf: dict):
    points, normals, faces = _box(thing) if thing.shape == "slab" else _round(thing)
    turn = np.radians(thing.turn_deg)
    about_z = np.array([[np.cos(turn), -np.sin(turn), 0], [np.sin(turn), np.cos(turn), 0], [0, 0, 1]])
    props = mi.Properties()
    props["mesh_bsdf"] = mi.load_dict(bsdf)
    mesh = mi.Mesh(thing.shape, len(points), len(faces), props=props, has_vertex_normals=True, has_vertex_texcoords=True)
    params = mi.traverse(mesh)
    params["vertex_positions"] = np.ravel(points @ about_z.T + np.array(thing.at)).astype(np.float32)
    params["vertex_normals"] = np.ravel(normals @ about_z.T).astype(np.float32)
    params["vertex_texcoords"] = np.ravel(points[:, :2] / np.array(thing.size_mm[:2]) + 0.5).astype(np.float32)
    params["faces"] = np.ravel(faces).astype(np.uint32)
    params.update()
    return mesh


def shape(mi, thing: Thing):
    """The Mitsuba shape of a thing."""
    bsdf = _material(mi, thing, (float(thing.size_mm[0] / _TILE_MM), float(thing.size_mm[1] / _TILE_MM)))
    if thing.shape not in ("slab", "rod", "dome"):
        raise ValueError(f"no shape {thing.shape!r}: slab, rod or dome")
    return _mesh(mi, thing, bsdf)  # Mitsuba's own cylinders and spheres are round only, its cube's texture places are its own
