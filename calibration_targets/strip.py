"""The printed strip: its one definition, and the raster and vector drawings made from it.

Board frame (OpenCV's): mm, x along the strip from the 0 mark, y *down* the page from the strip's side nearest the edge.
Sheet frame (design): X = x, Y = -y, Z toward the camera.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from reportlab.lib.units import mm
from reportlab.pdfgen.canvas import FILL_EVEN_ODD, Canvas


@dataclass(frozen=True)
class Board:
    """A ChArUco board as a value.

    Attributes
    ----------
    columns, rows : int
        Chessboard squares along x and y.
    square_mm, marker_mm : float
        Side of a square and of the marker inside each white square.
    dictionary : str
        Name of the predefined ArUco dictionary, such as ``"DICT_4X4_250"``.
    """

    columns: int
    rows: int
    square_mm: float
    marker_mm: float
    dictionary: str

    def __post_init__(self) -> None:
        if min(self.columns, self.rows) < 2:
            raise ValueError(f"columns and rows must be at least 2, got {self.columns} x {self.rows}")
        if not 0 < self.marker_mm < self.square_mm:
            raise ValueError(f"marker_mm must lie between 0 and square_mm = {self.square_mm}, got {self.marker_mm}")
        if not self.dictionary.startswith("DICT_") or not hasattr(cv2.aruco, self.dictionary):
            raise ValueError(f"dictionary must name a predefined ArUco dictionary, got {self.dictionary!r}")

    @property
    def length_mm(self) -> float:
        """Extent along x."""
        return self.columns * self.square_mm

    @property
    def height_mm(self) -> float:
        """Extent along y."""
        return self.rows * self.square_mm

    @property
    def marker_count(self) -> int:
        """Markers on the board: one in each white square (the top left square is black)."""
        return self.columns * self.rows // 2

    @property
    def corner_count(self) -> int:
        """Inner chessboard corners."""
        return (self.columns - 1) * (self.rows - 1)

    @property
    def corners_mm(self) -> np.ndarray:
        """(corner_count, 2) float64: x, y of the inner corners in the board frame, in order of their id."""
        y, x = np.mgrid[1 : self.rows, 1 : self.columns]
        return np.stack([x, y], axis=-1).reshape(-1, 2) * float(self.square_mm)

    def charuco(self) -> cv2.aruco.CharucoBoard:
        """The board for OpenCV's detector, in its current (not legacy) pattern."""
        words = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, self.dictionary))
        return cv2.aruco.CharucoBoard((self.columns, self.rows), self.square_mm, self.marker_mm, words)

    @property
    def _grid(self) -> tuple[cv2.aruco.Dictionary, np.ndarray]:
        """The dictionary, and the (bits + 5,) mm of the module lines across one square: margin, border, bits, border, margin."""
        words = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, self.dictionary))
        across = words.markerSize + 2
        margin = (self.square_mm - self.marker_mm) / 2
        lines = margin + self.marker_mm * np.arange(across + 1) / across
        return words, np.concatenate([[0.0], lines, [self.square_mm]])

    def modules(self) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """The board as black and white cells.

        Returns
        -------
        x_mm, y_mm : (nx + 1,), (ny + 1,) float64
            Cell borders in the board frame.
        black : (ny, nx) bool
        """
        words, lines = self._grid
        n = len(lines) - 1
        black = np.zeros((self.rows * n, self.columns * n), bool)
        marker = 0
        for row in range(self.rows):
            for column in range(self.columns):
                cell = black[row * n : (row + 1) * n, column * n : (column + 1) * n]
                if (row + column) % 2 == 0:
                    cell[:] = True
                    continue
                side = n - 2
                cell[1:-1, 1:-1] = cv2.aruco.generateImageMarker(words, marker, side) == 0
                marker += 1
        x = np.concatenate([c * self.square_mm + lines[:-1] for c in range(self.columns)] + [[self.length_mm]])
        y = np.concatenate([r * self.square_mm + lines[:-1] for r in range(self.rows)] + [[self.height_mm]])
        return x, y, black


STRIP = Board(48, 5, 3.0, 2.25, "DICT_4X4_250")

PAGES_MM = {"a4": (297.0, 210.0), "letter": (279.4, 215.9)}
"""Width and height of each paper, landscape."""
PRINTER_MARGIN_MM = 8.0
LANE_HEIGHT_MM = 25.0
SCALE_HEIGHT_MM = 3.0
"""Depth of the numbered scale between strip and blank lane."""
CHECK_BAR_MM = 100.0
CHECK_BAR_THICK_MM = 3.0
CARD_MARGIN_MM = 6.0
"""White paper kept around the strip: markers at the rim need it to be read."""

_BLOCK_MM = (258.0, 192.0)
_INK, _SOFT, _PALE = 0.0, 0.35, 0.88

TITLE = "Measuring strip for knife edges"
_STEPS = (
    ("Print at 100 %", "Actual size, not “fit to page”. Matt paper, black ink, best quality."),
    (
        "Measure both check bars",
        "End to end, with a steel rule or caliper, to 0.1\u00a0mm. Write them down: you enter both with every photo.",
    ),
    ("Glue to flat card, then cut", "Along the dashed line, before any blade is near. The strip must lie flat, without waves or gloss."),
    ("Lay the edge in the lane", "Edge toward the numbers and 1 to 10\u00a0mm beyond them, heel at the 0 end, spine away from the strip."),
    (
        "Bring the strip level with the edge",
        "Pack card under strip or knife. Enter what is left: edge above the printed face counts as plus.",
    ),
    (
        "Photograph squarely from above",
        "About 90 to 100\u00a0mm away, soft light, strip and edge both sharp. Overlap photos of a long edge.",
    ),
)
_CAUTIONS = (
    "Keep the edge taped or in its guard until the photo is set up, and cover it again right after.",
    "Fix the knife so that it cannot roll, slip or fall. Keep fingers off the edge; cut the card away from yourself.",
    "Caliper jaws on an apex harm both: measure thickness at the shoulder, jaws flat on the cheeks, hands behind the spine.",
    "Rules of your workshop, school or country on knives come first.",
)


@dataclass(frozen=True)
class Layout:
    """Where things lie on a page; mm from the page's lower left corner, y up.

    Attributes
    ----------
    page_mm : (width, height)
    strip : (x, y)
        Board frame's origin: the strip's corner at its 0 mark, on the side nearest the edge.
    bar_x, bar_y : (x, y)
        Lower left corner of each check bar.
    block : (x, y)
        Lower left corner of everything printed.
    """

    page_mm: tuple[float, float]
    strip: tuple[float, float]
    bar_x: tuple[float, float]
    bar_y: tuple[float, float]
    block: tuple[float, float]

    def page_from_board(self, xy_mm: np.ndarray) -> np.ndarray:
        """(N, 2) board frame to (N, 2) page, y up."""
        return np.array(self.strip) + np.asarray(xy_mm) * (1.0, -1.0)


def layout(paper: str) -> Layout:
    """The page's plan; `paper` is ``"a4"`` or ``"letter"``."""
    if paper not in PAGES_MM:
        raise ValueError(f"paper must be one of {', '.join(PAGES_MM)}, got {paper!r}")
    width, height = PAGES_MM[paper]
    x, y = (width - _BLOCK_MM[0]) / 2, (height - _BLOCK_MM[1]) / 2
    return Layout(
        page_mm=(width, height), strip=(x + 10.0, y + 140.0), bar_x=(x + 10.0, y + 98.0), bar_y=(x + 182.0, y + 72.0), block=(x, y)
    )


def draw_raster(board: Board, px_per_mm: float, margin_mm: float = 0.0) -> np.ndarray:
    """The board as an image.

    Parameters
    ----------
    board : Board
    px_per_mm : float
    margin_mm : float
        White margin on all four sides.

    Returns
    -------
    (H, W) uint8
        Exact area coverage of each pixel. A board point (x, y) mm lies at pixel ``(x + margin_mm) * px_per_mm - 0.5``: the first
        pixel's centre is (0, 0), its outer corner is the margin's.
    """
    x, y, black = board.modules()
    along = _overlap(x + margin_mm, board.length_mm + 2 * margin_mm, px_per_mm)
    down = _overlap(y + margin_mm, board.height_mm + 2 * margin_mm, px_per_mm)
    cover = down @ black.astype(np.float64) @ along.T
    return np.rint(255.0 * (1.0 - cover)).astype(np.uint8)


def _overlap(borders_mm: np.ndarray, extent_mm: float, px_per_mm: float) -> np.ndarray:
    """(n_px, n_cells): the part of each pixel that each cell covers."""
    borders = borders_mm * px_per_mm
    pixel = np.arange(int(np.ceil(extent_mm * px_per_mm - 1e-9)))[:, None]
    return np.clip(np.minimum(borders[1:], pixel + 1) - np.maximum(borders[:-1], pixel), 0.0, None)


def outlines(black: np.ndarray) -> list[np.ndarray]:
    """Closed outlines of the black cells, so that no seam can show between neighbours.

    Parameters
    ----------
    black : (ny, nx) bool

    Returns
    -------
    list of (M, 2) int
        Grid corners (ix, iy) of each loop, only where it turns; to be filled together by the even-odd rule.
    """
    padded = np.pad(black, 1).astype(np.int8)
    right = np.diff(padded, axis=0)[:, 1:-1]  # +1: black begins below this border
    down = np.diff(padded, axis=1)[1:-1]
    follow: dict[tuple[int, int], list[tuple[int, int]]] = {}
    for iy, ix in np.argwhere(right):
        ends = ((ix, iy), (ix + 1, iy))
        start, end = ends if right[iy, ix] > 0 else ends[::-1]
        follow.setdefault((int(start[0]), int(start[1])), []).append((int(end[0]), int(end[1])))
    for iy, ix in np.argwhere(down):
        ends = ((ix, iy + 1), (ix, iy))
        start, end = ends if down[iy, ix] > 0 else ends[::-1]
        follow.setdefault((int(start[0]), int(start[1])), []).append((int(end[0]), int(end[1])))
    loops = []
    while follow:
        first = here = next(iter(follow))
        loop = []
        while True:
            loop.append(here)
            ahead = follow[here].pop()
            if not follow[here]:
                del follow[here]
            here = ahead
            if here == first:
                break
        loops.append(_turns(np.array(loop)))
    return loops


def _turns(loop: np.ndarray) -> np.ndarray:
    """Only those points where the closed loop changes direction."""
    before, after = loop - np.roll(loop, 1, axis=0), np.roll(loop, -1, axis=0) - loop
    return loop[np.any(before != after, axis=1)]


def draw_pdf(path: str | Path, paper: str = "a4") -> None:
    """Write the page as a vector PDF, true to scale; the same input always gives the same bytes.

    Parameters
    ----------
    path : str or Path
    paper : str
        ``"a4"`` or ``"letter"``, printed landscape.

    Raises
    ------
    ValueError
        For another paper.
    """
    plan = layout(paper)
    canvas = Canvas(str(path), pagesize=(plan.page_mm[0] * mm, plan.page_mm[1] * mm), invariant=1)
    canvas.setTitle(f"{TITLE} ({paper})")
    canvas.setAuthor("Shoulderline")
    # Without this, viewers offer "fit to page" first.
    canvas.setViewerPreference("PrintScaling", "None")
    _draw_heading(canvas, plan, paper)
    _draw_card(canvas, plan)
    _draw_strip(canvas, STRIP, plan)
    _draw_scale(canvas, plan)
    _draw_bars(canvas, plan)
    _draw_steps(canvas, plan)
    _draw_cautions(canvas, plan)
    _draw_sketch(canvas, plan)
    canvas.showPage()
    canvas.save()


def _text(canvas: Canvas, xy: tuple[float, float], words: str, size: float, bold: bool = False, grey: float = _INK) -> None:
    canvas.setFillGray(grey)
    canvas.setFont("Helvetica-Bold" if bold else "Helvetica", size)
    canvas.drawString(xy[0] * mm, xy[1] * mm, words)


def _paragraph(canvas: Canvas, xy: tuple[float, float], words: str, size: float, width_mm: float) -> float:
    """Words broken to `width_mm`; returns the y of the next line."""
    x, y = xy
    line = ""
    for word in [*words.split(" "), ""]:
        longer = f"{line} {word}".strip()
        if word and canvas.stringWidth(longer, "Helvetica", size) <= width_mm * mm:
            line = longer
            continue
        _text(canvas, (x, y), line, size, grey=0.15)
        y, line = y - size * 1.28 / mm, word
    return y


def _draw_heading(canvas: Canvas, plan: Layout, paper: str) -> None:
    x, y = plan.block
    _text(canvas, (x, y + 185), TITLE, 17, bold=True)
    sheet = {"a4": "A4", "letter": "US Letter"}[paper]
    facts = f"{sheet} landscape  ·  {STRIP.columns} × {STRIP.rows} squares of {STRIP.square_mm:g} mm  ·  print at 100 %"
    canvas.setFillGray(_SOFT)
    canvas.setFont("Helvetica", 9)
    canvas.drawRightString((x + _BLOCK_MM[0]) * mm, (y + 185) * mm, facts)
    canvas.setStrokeGray(_INK)
    canvas.setLineWidth(0.3 * mm)
    canvas.line(x * mm, (y + 181.5) * mm, (x + _BLOCK_MM[0]) * mm, (y + 181.5) * mm)


def _draw_card(canvas: Canvas, plan: Layout) -> None:
    """The dashed line to cut along, and names at the card's left and right rim, outside the lane's length."""
    x, y = plan.strip
    left, bottom = x - CARD_MARGIN_MM, y - STRIP.height_mm - CARD_MARGIN_MM
    width = STRIP.length_mm + 2 * CARD_MARGIN_MM
    height = STRIP.height_mm + SCALE_HEIGHT_MM + LANE_HEIGHT_MM + CARD_MARGIN_MM
    canvas.setStrokeGray(_SOFT)
    canvas.setLineWidth(0.2 * mm)
    canvas.setDash([1.5 * mm, 1.2 * mm])
    canvas.rect(left * mm, bottom * mm, width * mm, height * mm, stroke=1, fill=0)
    canvas.setDash()
    for turned_x, words in ((x - 2.2, "HEEL"), (x + STRIP.length_mm + 4.2, "TIP")):
        canvas.saveState()
        canvas.translate(turned_x * mm, (y + 3.5) * mm)
        canvas.rotate(90)
        _text(canvas, (0, 0), words, 6.5, bold=True, grey=_SOFT)
        canvas.restoreState()


def _draw_strip(canvas: Canvas, board: Board, plan: Layout) -> None:
    x, y, black = board.modules()
    path = canvas.beginPath()
    for loop in outlines(black):
        points = plan.page_from_board(np.stack([x[loop[:, 0]], y[loop[:, 1]]], axis=1)) * mm
        path.moveTo(*points[0])
        for point in points[1:]:
            path.lineTo(*point)
        path.close()
    canvas.setFillGray(_INK)
    canvas.drawPath(path, stroke=0, fill=1, fillMode=FILL_EVEN_ODD)


def _draw_scale(canvas: Canvas, plan: Layout) -> None:
    """Ticks and numbers between strip and lane: read right beside the edge, never under the blade, and the lane stays blank."""
    x, y = plan.strip
    canvas.setStrokeGray(_INK)
    canvas.setFillGray(_INK)
    canvas.setLineWidth(0.12 * mm)
    # 0.35 mm off the strip: about one module, so that ticks do not touch the black squares.
    for position in range(int(STRIP.length_mm) + 1):
        tall = 1.15 if position % 10 == 0 else 0.95 if position % 5 == 0 else 0.65
        at = (x + position) * mm
        canvas.line(at, (y + 0.35) * mm, at, (y + 0.35 + tall) * mm)
        if position % 10 == 0:
            canvas.setFont("Helvetica-Bold", 5.2)
            canvas.drawCentredString(at, (y + 1.68) * mm, str(position))


def scale_ink(x_mm: np.ndarray, y_mm: np.ndarray) -> np.ndarray:
    """True on and close to what the printed scale may ink, at X from its 0 mark and Y from the strip's side nearest the edge, mm."""
    # Ticks are 0.12 mm thick and end 1.5 mm up; three bold figures of 5.2 pt are 3.1 mm wide, two 2.0 mm.
    within = (x_mm > -1.0) & (x_mm < STRIP.length_mm + 1.0)
    ticks = (np.abs(x_mm - np.round(x_mm)) < 0.2) & (y_mm > 0.2) & (y_mm < 1.7)
    from_number = np.abs(x_mm - 10.0 * np.round(x_mm / 10.0))
    numbers = (from_number < np.where(x_mm > 95.0, 1.8, 1.3)) & (y_mm > 1.5) & (y_mm < SCALE_HEIGHT_MM + 0.15)
    return within & (ticks | numbers)


def _draw_bars(canvas: Canvas, plan: Layout) -> None:
    """Solid ends, so that the length is outside to outside, in both directions."""
    for origin, upright, label in ((plan.bar_x, False, "X"), (plan.bar_y, True, "Y")):
        canvas.saveState()
        canvas.translate(origin[0] * mm, origin[1] * mm)
        if upright:
            canvas.rotate(90)
            canvas.translate(0, -CHECK_BAR_THICK_MM * mm)
        path = canvas.beginPath()
        path.rect(0, 0, CHECK_BAR_MM * mm, CHECK_BAR_THICK_MM * mm)
        for part in range(1, 9):
            # Windows in turn above and below the middle line; the first and last 10 mm stay solid.
            path.rect((part * 10) * mm, (0.3 if part % 2 else 1.65) * mm, 10 * mm, 1.05 * mm)
        canvas.setFillGray(_INK)
        canvas.drawPath(path, stroke=0, fill=1, fillMode=FILL_EVEN_ODD)
        low = -4.0 if not upright else CHECK_BAR_THICK_MM + 1.6
        _text(canvas, (0, low), f"Check bar {label}: 100 mm, end to end", 8, bold=True)
        canvas.setFont("Helvetica", 8)
        canvas.drawRightString(CHECK_BAR_MM * mm, low * mm, "measured: ____________ mm")
        canvas.restoreState()


def _draw_steps(canvas: Canvas, plan: Layout) -> None:
    x, y = plan.block
    for k, (head, words) in enumerate(_STEPS):
        column, row = divmod(k, 3)
        left, top = x + 4 + column * 84, y + 78 - row * 27
        canvas.setFillGray(_INK)
        canvas.circle((left + 3.2) * mm, (top + 1.1) * mm, 3.2 * mm, stroke=0, fill=1)
        canvas.setFillGray(1)
        canvas.setFont("Helvetica-Bold", 10)
        canvas.drawCentredString((left + 3.2) * mm, (top - 0.1) * mm, str(k + 1))
        _text(canvas, (left + 9, top), head, 10.5, bold=True)
        _paragraph(canvas, (left + 9, top - 5.2), words, 9, 66)


def _draw_cautions(canvas: Canvas, plan: Layout) -> None:
    x, y = plan.block[0] + 176, plan.block[1]
    canvas.setFillGray(0.94)
    canvas.roundRect(x * mm, (y + 5) * mm, 82 * mm, 60 * mm, 2 * mm, stroke=0, fill=1)
    _text(canvas, (x + 5, y + 57), "Blades cut", 12, bold=True)
    line = y + 50
    for words in _CAUTIONS:
        canvas.setFillGray(_INK)
        canvas.circle((x + 6) * mm, (line + 1) * mm, 0.6 * mm, stroke=0, fill=1)
        line = _paragraph(canvas, (x + 9, line), words, 8.5, 68) - 1.6


def _draw_sketch(canvas: Canvas, plan: Layout) -> None:
    """Two small drawings to the right of the Y bar: from above, and along the edge."""
    x, y = plan.bar_y[0] + 16, plan.bar_y[1]
    _text(canvas, (x, y + 96), "Seen from above", 9, bold=True)
    blade = canvas.beginPath()
    blade.moveTo(x * mm, (y + 67.5) * mm)
    blade.lineTo((x + 38) * mm, (y + 67.5) * mm)
    blade.curveTo((x + 48) * mm, (y + 68) * mm, (x + 54) * mm, (y + 72) * mm, (x + 57) * mm, (y + 79) * mm)
    blade.lineTo((x + 54) * mm, (y + 88) * mm)
    blade.lineTo(x * mm, (y + 88) * mm)
    blade.close()
    canvas.setFillGray(_PALE)
    canvas.setStrokeGray(_SOFT)
    canvas.setLineWidth(0.25 * mm)
    canvas.drawPath(blade, stroke=1, fill=1)
    _text(canvas, (x + 3, y + 83), "spine", 7.5, grey=_SOFT)
    _text(canvas, (x + 3, y + 69.5), "heel          edge", 7.5, grey=_SOFT)
    canvas.setFillGray(_INK)
    for column in range(20):
        for row in range(3):
            if (row + column) % 2 == 0:
                canvas.rect((x + column * 2.85) * mm, (y + 51 + row * 2.85) * mm, 2.85 * mm, 2.85 * mm, stroke=0, fill=1)
    _text(canvas, (x, y + 60.5), "0   scale", 7.5)
    _draw_side(canvas, x, y)


def _draw_side(canvas: Canvas, x: float, y: float) -> None:
    """Section across the edge: the printed face level with the apex, the camera straight above."""
    _text(canvas, (x, y + 41), "Seen along the edge", 9, bold=True)
    canvas.setStrokeGray(_SOFT)
    canvas.setLineWidth(0.25 * mm)
    section = canvas.beginPath()
    section.moveTo((x + 27) * mm, (y + 10) * mm)
    section.lineTo((x + 31) * mm, (y + 11.3) * mm)
    section.lineTo((x + 57) * mm, (y + 13.2) * mm)
    section.lineTo((x + 57) * mm, (y + 6.8) * mm)
    section.lineTo((x + 31) * mm, (y + 8.7) * mm)
    section.close()
    canvas.setFillGray(_PALE)
    canvas.drawPath(section, stroke=1, fill=1)
    canvas.setFillGray(_INK)
    canvas.rect(x * mm, (y + 9.2) * mm, 23 * mm, 0.8 * mm, stroke=0, fill=1)
    canvas.setFillGray(0.75)
    canvas.rect(x * mm, (y + 3) * mm, 23 * mm, 6.2 * mm, stroke=0, fill=1)
    canvas.line(x * mm, (y + 3) * mm, (x + 57) * mm, (y + 3) * mm)
    canvas.setDash([0.8 * mm, 0.8 * mm])
    canvas.line((x - 1) * mm, (y + 10) * mm, (x + 34) * mm, (y + 10) * mm)
    canvas.line((x + 25) * mm, (y + 12) * mm, (x + 25) * mm, (y + 27) * mm)
    canvas.setDash()
    canvas.setFillGray(_INK)
    canvas.roundRect((x + 17) * mm, (y + 29) * mm, 16 * mm, 6 * mm, 1 * mm, stroke=0, fill=1)
    canvas.rect((x + 22.5) * mm, (y + 27) * mm, 5 * mm, 2 * mm, stroke=0, fill=1)
    _text(canvas, (x + 35.5, y + 30.8), "camera", 7.5, grey=_SOFT)
    _text(canvas, (x + 2, y + 11.5), "printed face", 7.5, grey=_SOFT)
    _text(canvas, (x + 4, y + 5), "card", 7.5)
    _text(canvas, (x + 42, y + 9), "blade", 7.5)
