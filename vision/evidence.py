"""All that speaks for a shoulder at each distance from the apex: faces that differ, and grind lines that end."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from vision.faces import BLOCK_COLUMNS, Evidence, face_evidence
from vision.grain import grain
from vision.straighten import StraightStrip
from vision.threads import side_by_side

# Most that grind lines can say against a row (natural log): they may be worn, burnt out or wiped over in a place.
_GRAIN_SAYS = 8.0


def shoulder_evidence(strip: StraightStrip, apex: np.ndarray, blur_px: float, px_per_mm: float) -> Evidence:
    """Evidence of both kinds, for arguments as in `face_evidence` and `grain`: the faces' less what speaks against a row because
    the grind lines end elsewhere."""
    grey = strip.grey
    faces, lines = side_by_side(
        lambda: face_evidence(strip, apex, blur_px),
        lambda: grain(grey, apex, blur_px, px_per_mm, BLOCK_COLUMNS, strip.valid, strip.enlarged),
    )
    rows, blocks = (min(a, b) for a, b in zip(faces.score.shape, lines.short.shape, strict=True))
    score = faces.score.copy()
    score[:rows, :blocks] += np.maximum(lines.short, -_GRAIN_SAYS)[:rows, :blocks] * lines.trust[:blocks]
    return replace(faces, score=score, lines=lines)
