"""All that speaks for a shoulder at each distance from the apex: faces that differ, and grind lines that end."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np

from vision.faces import BLOCK_COLUMNS, Evidence, face_evidence
from vision.grain import Grain, ends_of, pattern_along
from vision.roughness import Roughness, roughness
from vision.straighten import StraightStrip
from vision.threads import side_by_side

# Most that a pattern can say against a row (natural log): it may be worn, burnt out or wiped over in a place.
_MOST_SAID = 8.0


def shoulder_evidence(strip: StraightStrip, apex: np.ndarray, blur_px: float, px_per_mm: float) -> Evidence:
    """Evidence of all kinds, for arguments as in `face_evidence` and `grain`: the faces' less what speaks against a row because the grind
    lines end, or a smooth bevel does, elsewhere."""
    grey = strip.grey

    def along() -> tuple[Grain, Roughness]:
        columns_per_mm = px_per_mm / strip.column_px
        pattern = pattern_along(grey, apex, columns_per_mm, strip.valid)
        how = blur_px, columns_per_mm, BLOCK_COLUMNS, strip.enlarged, strip.column_px
        return ends_of(pattern, *how), roughness(pattern, _levels(strip, apex, len(pattern)), *how)

    faces, (lines, rough) = side_by_side(lambda: face_evidence(strip, apex, blur_px), along)
    rows, blocks = (min(a, b) for a, b in zip(faces.score.shape, lines.short.shape, strict=True))
    score = faces.score.copy()
    score[:rows, :blocks] += np.maximum(lines.short, -_MOST_SAID)[:rows, :blocks] * lines.trust[:blocks]
    against = np.zeros(score.shape)
    # Where lines tell, they tell more: a reflection within the bevel may be smooth, and its lines run on.
    trust = rough.trust * (1.0 - lines.trust)
    against[:rows, :blocks] = -np.maximum(rough.short, -_MOST_SAID)[:rows, :blocks] * trust[:blocks]
    return replace(faces, score=score, lines=lines, rough=against)


def _levels(strip: StraightStrip, apex: np.ndarray, reach: int) -> np.ndarray:
    """(reach, C) mean light of each block of columns, from the apex on."""
    grey = cv2.transform(strip.blocks, np.full((1, 3), 1 / 3, np.float32))
    columns = np.arange(grey.shape[1], dtype=np.float32)
    start = np.interp((columns + 0.5) * BLOCK_COLUMNS - 0.5, np.arange(len(apex)), apex)
    y = np.round(start).astype(np.float32) + np.arange(reach, dtype=np.float32)[:, None]
    return cv2.remap(grey, np.broadcast_to(columns, y.shape).copy(), y, cv2.INTER_NEAREST, borderMode=cv2.BORDER_REPLICATE)
