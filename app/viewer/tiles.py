"""A photo as a pyramid of JPEG tiles in one file, so that twelve megapixels stay smooth under zoom and pan."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np

# About as many tiles as a screen shows at once, each small enough to be decoded within one frame.
TILE_PX = 512
# Blocks of this quality stay below the noise of a phone's own JPEG; colour at full resolution, since lines are judged by it.
_QUALITY = (cv2.IMWRITE_JPEG_QUALITY, 88, cv2.IMWRITE_JPEG_SAMPLING_FACTOR, cv2.IMWRITE_JPEG_SAMPLING_FACTOR_444)


@dataclass(frozen=True)
class Pack:
    """Every tile of one photo, one after another.

    Attributes
    ----------
    data : bytes
        JPEG tiles, level by level from the full size down, each level row by row.
    levels : tuple of (int, int, int)
        Halvings of the full size, columns and rows of tiles.
    ends : tuple of int
        Where each tile ends in `data`.
    size_px : (int, int)
        Width and height of the full size.
    """

    data: bytes
    levels: tuple[tuple[int, int, int], ...]
    ends: tuple[int, ...]
    size_px: tuple[int, int]

    def index(self) -> dict[str, Any]:
        """What the viewer needs to cut `data` up again."""
        return {"tile": TILE_PX, "levels": self.levels, "ends": self.ends, "width": self.size_px[0], "height": self.size_px[1]}


def pack(rgb: np.ndarray) -> Pack:
    """Tiles of an (H, W, 3) uint8 photo; each level is half the one before, the last fits one tile."""
    pieces: list[bytes] = []
    levels = []
    level = np.ascontiguousarray(rgb[:, :, ::-1])
    for halvings in range(32):
        height, width = level.shape[:2]
        columns, rows = -(-width // TILE_PX), -(-height // TILE_PX)
        levels.append((halvings, columns, rows))
        pieces += [
            _jpeg(level[y * TILE_PX : (y + 1) * TILE_PX, x * TILE_PX : (x + 1) * TILE_PX]) for y in range(rows) for x in range(columns)
        ]
        if columns == rows == 1:
            break
        level = cv2.resize(level, (-(-width // 2), -(-height // 2)), interpolation=cv2.INTER_AREA)
    ends = tuple(int(n) for n in np.cumsum([len(p) for p in pieces]))
    return Pack(b"".join(pieces), tuple(levels), ends, (rgb.shape[1], rgb.shape[0]))


def _jpeg(tile: np.ndarray) -> bytes:
    done, data = cv2.imencode(".jpg", tile, _QUALITY)
    if not done:
        raise ValueError(f"a tile of {tile.shape} could not be written as JPEG")
    return data.tobytes()
