"""The path tracer's side: a scenario becomes Mitsuba surfaces and lamps, and those a linear picture.

Rays start from this module rather than from a Mitsuba sensor: so the radial term and the thin lens are exactly the ones that
``truth.project`` states, and the pixel convention is ours.
"""

from __future__ import annotations

import glob
import os

import numpy as np

from demo_images import textures, things
from demo_images.mesh import Patch, blade_patches
from demo_images.scene import Blade, Camera, Finish, Scene
from demo_images.section import cut
from demo_images.truth import camera_axes, project

VARIANTS = ("llvm_ad_rgb", "scalar_rgb")


def load_mitsuba():
    """Mitsuba with the fastest variant that works here (LLVM 15 is known to crash it; Debian's libllvm19 works)."""
    libraries = sorted(glob.glob("/usr/lib/*/libLLVM-19.so*")) + sorted(glob.glob("/usr/lib/*/libLLVM.so.19*"))
    if libraries and "DRJIT_LIBLLVM_PATH" not in os.environ:
        os.environ["DRJIT_LIBLLVM_PATH"] = libraries[0]
    import mitsuba as mi

    mi.set_variant(VARIANTS[0] if "DRJIT_LIBLLVM_PATH" in os.environ else VARIANTS[1])
    return mi


def _bitmap(mi, array: np.ndarray, wrap: str = "repeat") -> dict:
    return {"type": "bitmap", "bitmap": mi.Bitmap(np.ascontiguousarray(array, np.float32)), "raw": True, "wrap_mode": wrap}


def _etched(mi, blade: Blade, size_mm: tuple[float, float], metal: dict) -> dict:
    """The cheek's metal, matt and dark where the mark's strokes are."""
    mark = blade.mark
    start = cut(blade, np.array([mark.s_mm + mark.size_mm[0] / 2])).shoulder[0, :2]
    heading, lines = np.radians(blade.heading_deg), np.radians(blade.cheek.direction_deg)
    x0 = start[0] * np.cos(heading) + start[1] * np.sin(heading) - mark.size_mm[0] / 2
    y0 = -start[0] * np.sin(heading) + start[1] * np.cos(heading) + mark.gap_mm
    # The cheek's texture places are turned to its grind lines and counted in tiles: back to mm, then to parts of the mark.
    c, s = np.cos(lines), np.sin(lines)
    to_mm = np.array([[c, -s, 0], [s, c, 0], [0, 0, 1]]) @ np.diag([*size_mm, 1.0])
    to_mark = np.diag([1 / mark.size_mm[0], 1 / mark.size_mm[1], 1]) @ np.array([[1, 0, -x0], [0, 1, -y0], [0, 0, 1]])
    strokes = {**_bitmap(mi, textures.strokes(mark)[..., None], "clamp"), "to_uv": mi.ScalarTransform3f(to_mark @ to_mm)}
    dark = {"type": "diffuse", "reflectance": {"type": "rgb", "value": [mark.reflectance] * 3}}
    return {"type": "blendbsdf", "weight": strokes, "first": metal, "second": dark}


def _finish_bsdf(mi, finish: Finish, tile: tuple, blade: Blade, marked: bool) -> dict:
    slopes, reflectance, size_mm = tile
    if finish.kind == "coating":
        inner = {
            "type": "roughplastic",
            "distribution": "ggx",
            "alpha": finish.alpha_across,
            "diffuse_reflectance": _bitmap(mi, reflectance),
            "specular_reflectance": 0.6,
        }
    else:
        inner = {
            "type": "roughconductor",
            "material": "none",
            "distribution": "ggx",
            "alpha_u": finish.alpha_along,
            "alpha_v": finish.alpha_across,
            "specular_reflectance": _bitmap(mi, reflectance),
        }
    if marked:
        inner = _etched(mi, blade, size_mm, inner)
    return {"type": "twosided", "bsdf": {"type": "normalmap", "normalmap": _bitmap(mi, textures.normal_map(slopes)), "bsdf": inner}}


def _mesh(mi, patch: Patch, bsdf: dict, uv_size: tuple[float, float]):
    props = mi.Properties()
    props["mesh_bsdf"] = mi.load_dict(bsdf)
    mesh = mi.Mesh(patch.name, len(patch.points), len(patch.faces), props=props, has_vertex_normals=True, has_vertex_texcoords=True)
    params = mi.traverse(mesh)
    params["vertex_positions"] = np.ravel(patch.points).astype(np.float32)
    params["vertex_normals"] = np.ravel(patch.normals).astype(np.float32)
    params["vertex_texcoords"] = np.ravel(patch.uv_mm / np.array(uv_size)).astype(np.float32)
    params["faces"] = np.ravel(patch.faces).astype(np.uint32)
    params.update()
    return mesh


def _rectangle(mi, x: tuple[float, float], y: tuple[float, float], z: float, bsdf: dict) -> dict:
    place = mi.ScalarTransform4f().translate([(x[0] + x[1]) / 2, (y[0] + y[1]) / 2, z])
    return {"type": "rectangle", "to_world": place @ mi.ScalarTransform4f().scale([(x[1] - x[0]) / 2, (y[1] - y[0]) / 2, 1]), "bsdf": bsdf}


def _lamps(mi, scene: Scene) -> dict:
    items = {"room": {"type": "constant", "radiance": {"type": "rgb", "value": list(scene.ambient)}}}
    for i, light in enumerate(scene.lights):
        up = [0, 1, 0] if abs(light.at[1] - light.facing[1]) < abs(light.at[2] - light.facing[2]) else [0, 0, 1]
        turn = mi.ScalarTransform4f().look_at(list(light.at), list(light.facing), up)
        items[f"lamp{i}"] = {
            "type": "rectangle",
            "to_world": turn @ mi.ScalarTransform4f().scale([light.size[0] / 2, light.size[1] / 2, 1]),
            "emitter": {"type": "area", "radiance": {"type": "rgb", "value": list(light.radiance)}},
        }
    return items


def seen_range(camera: Camera) -> tuple[tuple[float, float], tuple[float, float]]:
    """X and Y extent of the sheet that the photo shows, with 2 mm to spare."""
    axes, centre = camera_axes(camera)
    half = np.array(camera.size) / 2 / camera.focal_px * 1.02
    corners = np.array([[sx * half[0], sy * half[1], 1.0] for sx in (-1, 1) for sy in (-1, 1)]) @ axes
    points = centre - corners * (centre[2] / corners[:, 2:])
    low, high = points[:, :2].min(axis=0) - 2, points[:, :2].max(axis=0) + 2
    return (float(low[0]), float(high[0])), (float(low[1]), float(high[1]))


def _sheet(mi, scene: Scene) -> dict:
    x, y = seen_range(scene.camera)
    split = scene.target.lane_from_mm

    def paper(part: tuple[float, float], per_mm: float) -> dict:
        # Whole texels, since the print must not be stretched, counted from the seam, since a gap there would show.
        size = round((part[1] - part[0]) * per_mm) / per_mm
        part = (split - size, split) if part[1] == split else (split, split + size)
        wide = (x[0], x[0] + round((x[1] - x[0]) * per_mm) / per_mm)
        image = textures.sheet_texture(scene.target, wide, part, per_mm)
        return _rectangle(mi, wide, part, 0.0, {"type": "diffuse", "reflectance": _bitmap(mi, image[::-1], "clamp")})

    # From far away the sheet shown is large: four texels a px of the photo are enough, and fit into memory.
    most = 4.0 * scene.camera.focal_px / scene.camera.distance_mm
    items = {"strip": paper((y[0], split), min(textures.SHEET_PX_PER_MM, most)), "lane": paper((split, y[1]), min(40, most))}
    beyond = {"type": "diffuse", "reflectance": {"type": "rgb", "value": list(scene.target.lane)}}
    items["beyond"] = _rectangle(mi, (x[0] - 150, x[1] + 150), (y[0] - 150, y[1] + 150), -0.05, beyond)
    return items


def build(mi, scene: Scene):
    """The Mitsuba scene of a photograph: sheet, blade, lamps, and the phone itself (it is what a polished cheek mirrors)."""
    items = {"type": "scene", **_lamps(mi, scene), **_sheet(mi, scene)}
    _, centre = camera_axes(scene.camera)
    phone = {"type": "diffuse", "reflectance": {"type": "rgb", "value": [0.03, 0.03, 0.032]}}
    items["phone"] = _rectangle(mi, (centre[0] - 25, centre[0] + 125), (centre[1] - 36, centre[1] + 36), centre[2] + 2.5, phone)
    for i, thing in enumerate(scene.things):
        items[f"thing{i}"] = things.shape(mi, thing)
    for patch in blade_patches(scene.blade) if scene.blade else ():
        if patch.finish is None:
            steel = {"type": "twosided", "bsdf": {"type": "diffuse", "reflectance": {"type": "rgb", "value": [0.12, 0.12, 0.12]}}}
            items[patch.name] = _mesh(mi, patch, steel, (1.0, 1.0))
            continue
        tile = textures.finish_tile(patch.finish, textures.seed_of(patch.name, scene.blade.seed))
        marked = patch.name == "cheek" and scene.blade.mark is not None
        items[patch.name] = _mesh(mi, patch, _finish_bsdf(mi, patch.finish, tile, scene.blade, marked), tile[2])
    return mi.load_dict(items)


def _rays(mi, camera: Camera, pixel, jitter, lens):
    """Mitsuba rays from pixel (x, y), sub-pixel place in [0, 1)^2 and lens place in [0, 1)^2."""
    axes, centre = camera_axes(camera)
    width, height = camera.size
    x = (pixel[0] + jitter[0] - width / 2) / camera.focal_px  # pixel centre i <-> i + 0.5 here
    y = (pixel[1] + jitter[1] - height / 2) / camera.focal_px
    ux, uy = x, y
    for _ in range(5):  # invert r' = r (1 + k1 r^2); contracts by 3 k1 r^2 (< 0.01) a turn
        factor = 1.0 / (1.0 + camera.k1 * (ux * ux + uy * uy))
        ux, uy = x * factor, y * factor
    disk = mi.warp.square_to_uniform_disk_concentric(mi.Point2f(lens[0], lens[1])) * camera.aperture_radius_mm
    focus = camera.distance_mm + camera.focus_offset_mm
    right, down, view = (mi.Vector3f(*map(float, axis)) for axis in axes)
    offset = right * disk.x + down * disk.y
    direction = mi.Vector3f((right * ux + down * uy + view) * focus - offset)
    return mi.Ray3f(mi.Point3f(*map(float, centre)) + offset, direction / mi.Float(_norm(direction)))


def _norm(vector):
    import drjit as dr

    return dr.norm(vector)


def trace(scene: Scene, spp: int, seed: int = 0) -> np.ndarray:
    """(rows, columns, 3) float32 linear radiance of the upright photograph."""
    mi = load_mitsuba()
    world = build(mi, scene)
    integrator = mi.load_dict({"type": "path", "max_depth": 3})
    if mi.variant() == "scalar_rgb":
        return _trace_scalar(mi, world, integrator, scene.camera, spp)
    import drjit as dr

    width, height = scene.camera.size
    band = max(1, 3_000_000 // width)
    picture = np.zeros((height, width, 3), np.float32)
    for top in range(0, height, band):
        rows = min(band, height - top)
        index = dr.arange(mi.UInt32, rows * width)
        pixel = mi.Float(index % width), mi.Float(index // width + top)
        total = mi.Color3f(dr.zeros(mi.Float, rows * width))
        sampler = mi.load_dict({"type": "independent"})
        sampler.seed(textures.seed_of(seed, top) & 0x7FFFFFFF, rows * width)
        turn = sampler.next_1d(), sampler.next_1d()
        dr.eval(turn)
        for i in range(spp):
            sampler = mi.load_dict({"type": "independent"})
            sampler.seed(textures.seed_of(seed, top, i) & 0x7FFFFFFF, rows * width)
            # Sub-pixel places on a low-discrepancy lattice (the R2 sequence) turned by one random shift a pixel.
            shift = np.modf((i + 0.5) * np.array([0.7548776662466927, 0.5698402909980532]))[0]
            jitter = [turn[k] + float(shift[k]) for k in (0, 1)]
            jitter = [j - dr.floor(j) for j in jitter]
            spectrum, _, _ = integrator.sample(
                world, sampler, mi.RayDifferential3f(_rays(mi, scene.camera, pixel, jitter, sampler.next_2d()))
            )
            total += mi.Color3f(*(dr.minimum(spectrum[c], 40.0) for c in range(3)))  # a firefly would bleed through the mosaic
            dr.eval(total)
        picture[top : top + rows] = np.stack([np.array(total[c]) for c in range(3)], axis=-1).reshape(rows, width, 3) / spp
    return picture


def _trace_scalar(mi, world, integrator, camera: Camera, spp: int) -> np.ndarray:
    """The same without LLVM: one ray at a time, for small pictures."""
    width, height = camera.size
    picture = np.zeros((height, width, 3), np.float32)
    sampler = mi.load_dict({"type": "independent"})
    for row in range(height):
        for column in range(width):
            for _ in range(spp):
                ray = _rays(mi, camera, (float(column), float(row)), sampler.next_2d(), sampler.next_2d())
                spectrum, _, _ = integrator.sample(world, sampler, mi.RayDifferential3f(ray))
                picture[row, column] += np.minimum(np.array(spectrum), 40.0) / spp
    return picture


def paper_mask(scene: Scene) -> np.ndarray:
    """(M, 2) int pixels (x, y) that show white paper of the strip, for the exposure."""
    cells = textures.strip_cells()
    row, column = np.nonzero(cells > 127)
    x = (column + 0.5) * textures.CELL_MM * scene.target.print_scale[0]
    y = -(row + 0.5) * textures.CELL_MM * scene.target.print_scale[1]
    px = project(scene.camera, np.column_stack([x, y, np.zeros_like(x)]))
    keep = ((px > 4) & (px < np.array(scene.camera.size) - 5)).all(axis=1)
    return np.round(px[keep]).astype(int)
