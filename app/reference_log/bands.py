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


def among(thickness_mm: float, half_mm: float = 0.0) -> str:
    """``"common for kitchen knives and folders (general practice, ...)"``; what lies within ± `half_mm` of it is named too."""
    names = [name for name, low, high in BANDS if low <= thickness_mm <= high]
    near = [n for n, low, high in BANDS if n not in names and low <= thickness_mm + half_mm and high >= thickness_mm - half_mm]
    beyond = "thinner than" if thickness_mm < BANDS[0][1] else "thicker than" if thickness_mm > BANDS[-1][2] else "between"
    first = f"common for {_listed(names)}" if names else f"{beyond} what is common"
    also = f"; within its uncertainty also for {_listed(near)}" if near else ""
    return f"{first}{also} ({CAVEAT})"


def _listed(names: list[str]) -> str:
    return " and ".join(filter(None, (", ".join(names[:-1]), names[-1])))
