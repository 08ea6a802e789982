"""One picture of a result for sharing, 1200 x 630 px: the headline in mm and inch, the edge with both lines, the thickness along it.

Letters are 26 px high and more, so that they can still be read where the picture is shown 390 px wide, on a phone.
"""

from __future__ import annotations

import io
import math

import cv2
import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure as Chart
from matplotlib.ticker import MaxNLocator

from app import charts
from app.headline import headline, readings_remark, split_readings
from app.overlay import APEX_RGB, SHOULDER_RGB
from vision import rounding
from vision.results import Measurement

WIDTH_PX, HEIGHT_PX = 1200, 630
_DPI = 100
_VIEW_PX = (1160, 190)
# A bevel of half a millimetre is then 36 px high in the view.
_VIEW_MM = 16.0
_SMALL_PX, _FIGURE_PX = 26, 54
_GREY = "#444444"


def png(measurement: Measurement, photo: np.ndarray, index: int = 0) -> bytes:
    """The picture as PNG bytes.

    Parameters
    ----------
    measurement : Measurement
    photo : (H, W, 3) uint8
        The upright photo number `index` of the measurement.
    """
    sheet = Chart(figsize=(WIDTH_PX / _DPI, HEIGHT_PX / _DPI), dpi=_DPI)
    FigureCanvasAgg(sheet)  # widths of words are asked of it
    _words(sheet, measurement)
    view = _view(measurement, photo, index)
    # Pixel for pixel: a resampled line would blur.
    sheet.figimage(view, xo=(WIDTH_PX - view.shape[1]) // 2, yo=HEIGHT_PX - 148 - view.shape[0])
    _curve(sheet.add_axes((118 / WIDTH_PX, 112 / HEIGHT_PX, 1060 / WIDTH_PX, 172 / HEIGHT_PX)), measurement)
    out = io.BytesIO()
    sheet.savefig(out, format="png", dpi=_DPI, metadata={"Software": None})
    return out.getvalue()


def photo_to_show(m: Measurement) -> int:
    """Index of the photo that shows the middle of the main stretch."""
    known = np.flatnonzero(np.isfinite(m.thickness.thickness_mm))
    if not known.size:
        return 0
    at = m.widths.position_mm[known]
    return int(m.widths.photo[known[np.argmin(np.abs(at - _middle(m, at)))]])


def _middle(m: Measurement, at_mm: np.ndarray) -> float:
    main = m.zones.main if m.zones is not None else None
    return (main.start_mm + main.end_mm) / 2 if main is not None and math.isfinite(main.start_mm) else float(np.median(at_mm))


def method_line(m: Measurement) -> str:
    """What the figure rests on: photos, readings, angle, date."""
    count, used = len(m.photos), len(split_readings(m)[0])
    angle = m.thickness.angle_per_side_deg
    known = np.isfinite(angle) & np.isfinite(m.thickness.thickness_mm)
    parts = [f"{count} photo{'s' * (count != 1)}", f"{used} caliper reading{'s' * (used != 1)}" if used else "no caliper reading used"]
    if known.any():
        u = float(m.thickness.angle_u_deg[known].mean())
        parts.append(f"included angle {rounding.format_angle(2 * float(angle[known].mean()), 2 * u)}")
    return " · ".join([*parts, m.created[:10]])


def _words(sheet: Chart, m: Measurement) -> None:
    figures = headline(m)
    mm, _, inch = figures[0].text.partition(" (") if figures else ("no headline figure could be had", "", "")
    label = f"Thickness behind the edge, {figures[0].label}" if figures else "Thickness behind the edge"
    remark = readings_remark(m)
    _text(sheet, (20, 30), label, _SMALL_PX, 1160)
    _text(sheet, (20, 88), mm, _FIGURE_PX, 800, weight="bold")
    _text(sheet, (1180, 92), inch.removesuffix(")"), 34, 380, ha="right")
    if remark:
        _text(sheet, (20, 130), remark, _SMALL_PX, 1160, color=charts.WIDTH_COLOUR)
    _text(sheet, (20, 610), f"{method_line(m)} · ± is k = 2", _SMALL_PX, 1160, color=_GREY)


def _text(sheet: Chart, xy_px: tuple[int, int], words: str, size_px: int, room_px: int, **how: str) -> None:
    """Words at a place counted from the upper left corner, made smaller where they would not fit."""
    drawn = sheet.text(xy_px[0] / WIDTH_PX, 1 - xy_px[1] / HEIGHT_PX, words, fontsize=size_px * 72 / _DPI, va="center", **how)
    wide = drawn.get_window_extent().width
    if wide > room_px:
        drawn.set_fontsize(drawn.get_fontsize() * room_px / wide)


def _curve(axes: Axes, m: Measurement) -> None:
    t = m.thickness
    for index in range(len(m.photos)):
        mine = m.widths.photo == index
        x = m.widths.position_mm[mine]
        axes.fill_between(x, t.low_mm[mine], t.high_mm[mine], color=charts.THICKNESS_COLOUR, alpha=0.22, linewidth=0)
        axes.plot(x, t.thickness_mm[mine], color=charts.THICKNESS_COLOUR, linewidth=3)
    live = [r for r in charts.near_readings(m) if not r.set_aside]
    axes.plot([r.position_mm for r in live], [r.thickness_mm for r in live], "o", color=charts.READING_COLOUR, markersize=8)
    axes.spines[["top", "right"]].set_visible(False)
    axes.grid(True, color="#dddddd", linewidth=0.8)
    axes.set_axisbelow(True)
    axes.tick_params(labelsize=_SMALL_PX * 72 / _DPI)
    axes.yaxis.set_major_locator(MaxNLocator(3))
    axes.xaxis.set_major_locator(MaxNLocator(8, integer=True, steps=[1, 2, 5, 10]))
    words = {"fontsize": _SMALL_PX * 72 / _DPI, "transform": axes.transAxes}
    axes.text(0.01, 0.86, "mm thick, 95 % band", ha="left", va="center", **words)
    axes.text(1.0, -0.29, f"mm along the {'drawn line' if m.scale_declared else 'printed scale'}", ha="right", va="center", **words)


def _view(m: Measurement, photo: np.ndarray, index: int) -> np.ndarray:
    """The photo around both lines in the middle of the main stretch, turned so that the edge runs level and the bevel is up."""
    w = m.widths_of(index)
    mine = np.flatnonzero((w.photo == index) & np.isfinite(w.apex_px).all(axis=1) & np.isfinite(w.shoulder_px).all(axis=1))
    if mine.size < 3:
        return cv2.resize(photo, _VIEW_PX, interpolation=cv2.INTER_AREA)
    at = w.position_mm[mine]
    # The other side has positions of its own.
    middle = _middle(m, at) if w is m.widths else float(np.median(at))
    # Where several photos meet, as much of the view as there is shows this photo's own lines.
    half = min(_VIEW_MM, float(np.ptp(at))) / 2
    middle = min(max(middle, float(at.min()) + half), float(at.max()) - half)
    near = mine[np.abs(at - middle) <= max(_VIEW_MM / 2, np.abs(at - middle).min() + 1.0)]
    apex, shoulder = w.apex_px[near], w.shoulder_px[near]
    turn = _turn(apex, shoulder, _VIEW_PX[0] / (_VIEW_MM * m.photos[index].px_per_mm))
    # Pixel centres keep their place (design.md section 2).
    view = cv2.warpAffine(photo, turn, _VIEW_PX, flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    all_lines = ((w.shoulder_px[mine], SHOULDER_RGB, "shoulder", -18), (w.apex_px[mine], APEX_RGB, "apex", 38))
    for points, colour, word, off in all_lines:
        placed = points @ turn[:, :2].T + turn[:, 2]
        # A gap is not bridged.
        for piece in np.split(placed, np.flatnonzero(np.diff(mine) > 1) + 1):
            cv2.polylines(view, [np.round(piece * 16).astype(np.int32)], False, colour, 3, cv2.LINE_AA, shift=4)
        level = float(np.interp(90.0, *placed[np.argsort(placed[:, 0])].T))
        _label(view, word, (12, round(level + off)))
    return view


def _label(view: np.ndarray, word: str, foot: tuple[int, int]) -> None:
    """A word on a plain ground, which reads on any blade and lane."""
    (wide, high), below = cv2.getTextSize(word, cv2.FONT_HERSHEY_SIMPLEX, 0.95, 2)
    cv2.rectangle(view, (foot[0] - 6, foot[1] - high - 5), (foot[0] + wide + 6, foot[1] + below), (255, 255, 255), -1)
    cv2.putText(view, word, foot, cv2.FONT_HERSHEY_SIMPLEX, 0.95, (0, 0, 0), 2, cv2.LINE_AA)


def _turn(apex: np.ndarray, shoulder: np.ndarray, scale: float) -> np.ndarray:
    """(2, 3) photo px to view px: the edge level, its bevel up, its middle below the view's."""
    course = apex[-1] - apex[0]
    if np.median(course[0] * (shoulder - apex)[:, 1] - course[1] * (shoulder - apex)[:, 0]) > 0:
        # The bevel would hang down: turned by half a turn, heel and tip change sides and nothing is mirrored.
        course = -course
    c, s = scale * course / np.hypot(*course)
    turn = np.array([[c, s, 0.0], [-s, c, 0.0]])
    centre = (apex.mean(axis=0) + shoulder.mean(axis=0)) / 2
    turn[:, 2] = np.array(_VIEW_PX) / 2 - turn[:, :2] @ centre
    return turn
