"""Small drawings that explain what a field asks for, as SVG; dark ink on a white ground, legible in either theme.

Angles are drawn larger than they are on a knife, so that they can be seen.
"""

from __future__ import annotations

import math

_INK, _STEEL, _MARK, _PAPER = "#222222", "#c9ced6", "#b3400a", "#4a4a4a"
# Drawn angles per side: bevel 20, cheek 6 degrees.
_BEVEL, _CHEEK = math.radians(20.0), math.radians(6.0)

LIE_ALT = (
    "Two blades in section over the printed strip. Left, level: the blade is held so that its centre line is parallel to the strip. "
    "Right, cheek-down: the blade lies on its lower cheek, so that its centre line is tilted by the cheek angle."
)
ANGLE_ALT = (
    "A blade in section, edge at the left. The included angle is between both bevel faces at the apex; half of it is the angle per side. "
    "The bevel ends at the shoulder, where the cheek begins; the thickness behind the edge is from shoulder to shoulder."
)
CALIPER_ALT = (
    "A blade in section with both jaws of a caliper across the two shoulders, brought from the spine side. "
    "A jaw placed higher on the cheek reads too much; a jaw on the apex harms both."
)


def lie() -> str:
    """Level beside cheek-down."""
    left = _blade(30, 70, 0.0) + _line(20, 112, 220, 112, _PAPER, 3) + _line(30, 70, 225, 70, _MARK, 1, "6 4")
    # The lower cheek is parallel to the strip: the blade is turned by the cheek angle.
    right = _blade(280, 88, _CHEEK) + _line(270, 112, 470, 112, _PAPER, 3)
    tip = (280 + 195 * math.cos(_CHEEK), 88 - 195 * math.sin(_CHEEK))
    right += _line(280, 88, *tip, _MARK, 1, "6 4")
    words = _text(120, 20, "level") + _text(370, 20, "cheek-down") + _text(120, 130, "strip") + _text(370, 130, "strip")
    return _svg(490, 140, left + right + words)


def angle() -> str:
    """What the included angle, the shoulder and the thickness behind the edge are."""
    x, y, long = 40, 80, 120
    s = (x + long * math.cos(_BEVEL), long * math.sin(_BEVEL))
    body = _blade(x, y, 0.0, long=long, whole=330)
    near, off = 60 * math.cos(_BEVEL), 60 * math.sin(_BEVEL)
    arc = f"M {x + near:.1f} {y - off:.1f} A 60 60 0 0 1 {x + near:.1f} {y + off:.1f}"
    body += f'<path d="{arc}" fill="none" stroke="{_MARK}" stroke-width="2"/>'
    body += _line(s[0], y - s[1], s[0], y + s[1], _MARK, 2)
    body += (
        _line(x + 58, y + 8, x + 30, y + 44, _MARK, 1)
        + _text(x - 30, y + 60, "included angle", "start")
        + _text(s[0] + 6, y + 24, "thickness behind the edge", "start")
    )
    body += _text(x - 4, y - 12, "apex") + _text(s[0], y - s[1] - 8, "shoulder") + _text(300, y - s[1] - 26, "cheek")
    return _svg(400, 160, body)


def caliper() -> str:
    """Where the jaws go."""
    x, y, long = 40, 92, 110
    s = (x + long * math.cos(_BEVEL), long * math.sin(_BEVEL))
    body = _blade(x, y, 0.0, long=long, whole=330)
    for side in (-1, 1):
        tip = y + side * s[1]
        jaw = (
            f"{s[0] - 3:.1f},{tip:.1f} {s[0] + 3:.1f},{tip:.1f} {s[0] + 16:.1f},{tip + side * 44:.1f} {s[0] - 16:.1f},{tip + side * 44:.1f}"
        )
        body += f'<polygon points="{jaw}" fill="#8d99a8" stroke="{_INK}" stroke-width="1.5"/>'
    body += _text(s[0] + 22, 18, "jaws on the shoulders, from the spine side", "start") + _text(x - 2, y + 28, "not here")
    return _svg(500, 184, body)


def _blade(x: float, y: float, turn: float, long: float = 60.0, whole: float = 195.0) -> str:
    """Section with its apex at (x, y), spine to the right, its centre line turned up by `turn`."""
    corner = (long * math.cos(_BEVEL), long * math.sin(_BEVEL))
    spine = (whole, corner[1] + (whole - corner[0]) * math.tan(_CHEEK))
    points = [(0.0, 0.0), (corner[0], -corner[1]), (spine[0], -spine[1]), spine, corner]
    turned = [(x + u * math.cos(turn) + v * math.sin(turn), y - u * math.sin(turn) + v * math.cos(turn)) for u, v in points]
    text = " ".join(f"{u:.1f},{v:.1f}" for u, v in turned)
    return f'<polygon points="{text}" fill="{_STEEL}" stroke="{_INK}" stroke-width="1.5" stroke-linejoin="round"/>'


def _line(x1: float, y1: float, x2: float, y2: float, colour: str, width: float, dash: str = "") -> str:
    dashed = f' stroke-dasharray="{dash}"' if dash else ""
    return f'<line x1="{x1:.1f}" y1="{y1:.1f}" x2="{x2:.1f}" y2="{y2:.1f}" stroke="{colour}" stroke-width="{width}"{dashed}/>'


def _text(x: float, y: float, text: str, anchor: str = "middle") -> str:
    return f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}" font-family="sans-serif" font-size="14" fill="{_INK}">{text}</text>'


def _svg(width: int, height: int, body: str) -> str:
    ground = f'<rect width="{width}" height="{height}" fill="#ffffff"/>'
    return f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}" width="{width}" height="{height}">{ground}{body}</svg>'
