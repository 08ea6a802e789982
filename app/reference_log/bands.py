"""Where a figure stands among what is common. General practice, no source, and no claim about safety, strength or quality."""

from __future__ import annotations

# From memory of general practice; plausibility only. The bands overlap, as the practice does. mm.
BANDS = (
    ("fine slicers", 0.10, 0.25),
    ("kitchen knives", 0.20, 0.40),
    ("folders", 0.30, 0.60),
    ("outdoor knives", 0.60, 1.00),
    ("choppers", 1.00, 2.00),
)
CAVEAT = "general practice, no source; says nothing about safety, strength or quality"


def among(thickness_mm: float) -> str:
    """``"as is common for kitchen knives and folders (general practice, ...)"``."""
    names = [name for name, low, high in BANDS if low <= thickness_mm <= high]
    if names:
        return f"as is common for {' and '.join(names)} ({CAVEAT})"
    beyond = "thinner" if thickness_mm < BANDS[0][1] else "thicker" if thickness_mm > BANDS[-1][2] else "between"
    return f"{beyond} {'what is common' if beyond == 'between' else 'than what is common'} ({CAVEAT})"
