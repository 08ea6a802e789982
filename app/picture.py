"""One picture of a result, 1200 x 630 px: the edge with both lines, the thickness along it, the headline. Legible on a phone."""

from __future__ import annotations

import io

import numpy as np
from matplotlib.figure import Figure as Chart

from app import charts, overlay
from app.headline import headline
from vision.results import Measurement

WIDTH_PX, HEIGHT_PX = 1200, 630
_DPI = 100
# The part of the sheet that the photo fills; its lines are drawn one pixel wide at the size shown.
_PHOTO_PX = (1160, 270)


def png(measurement: Measurement, photo: np.ndarray, index: int = 0) -> bytes:
    """The picture as PNG bytes.

    Parameters
    ----------
    measurement : Measurement
    photo : (H, W, 3) uint8
        The upright photo number `index` of the measurement.
    """
    sheet = Chart(figsize=(WIDTH_PX / _DPI, HEIGHT_PX / _DPI), dpi=_DPI)
    figures = headline(measurement)
    text = figures[0].text if figures else "no headline figure could be had"
    sheet.text(0.017, 0.945, f"Thickness behind the edge  {text}", fontsize=19, weight="bold", va="center")
    view = _view(measurement, photo, index)
    height, width = view.shape[:2]
    # Pixel for pixel: a resampled line of one pixel would blur.
    sheet.figimage(view, xo=(WIDTH_PX - width) // 2, yo=round(0.9 * HEIGHT_PX) - height)
    axes = sheet.add_axes((0.075, 0.105, 0.905, (0.88 * HEIGHT_PX - height) / HEIGHT_PX - 0.13))
    charts.draw_thickness(axes, measurement)
    axes.set_ylabel("thickness, mm", fontsize=13)
    axes.set_xlabel("position along the edge, mm", fontsize=13)
    axes.tick_params(labelsize=12)
    out = io.BytesIO()
    sheet.savefig(out, format="png", dpi=_DPI, metadata={"Software": None})
    return out.getvalue()


def _view(m: Measurement, photo: np.ndarray, index: int) -> np.ndarray:
    """The photo around both lines, at most `_PHOTO_PX` large."""
    reduce = min(1.0, _PHOTO_PX[0] / photo.shape[1])
    margin_mm = 6.0
    while True:
        view = overlay.draw(photo, m, index, reduce=reduce, margin_mm=margin_mm, legend=False)
        if view.shape[0] <= _PHOTO_PX[1] or margin_mm < 1.0:
            return view[: _PHOTO_PX[1]]
        margin_mm *= 0.8
