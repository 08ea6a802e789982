"""The log's charts as Vega-Lite specifications: plain data, drawn by the browser, no other host. Names are data, never expressions."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

from app import log_view
from app.reference_log import bands, words
from app.reference_log.escape import visible
from app.reference_log.summary import Summary

Spec = dict[str, Any]
# Lines of names that one chart shows: at 20 px each, one screen of a phone scrolls through them.
PAGE = 40


@dataclass(frozen=True)
class Colours:
    """What the page's own scheme calls for: each stands out on it by 4.5 to 1 or more."""

    mark: str
    light: str
    text: str


LIGHT, DARK = Colours("#0a5ea8", "#7aa5cc", "#31333f"), Colours("#6cb8ff", "#3f6c94", "#e6e9ef")


# Room at the ends, or the first label is pushed off its line to stay inside the drawing.
_NAMES: Spec = {"field": "name", "type": "nominal", "sort": None, "scale": {"paddingOuter": 0.5},
                "axis": {"title": None, "labelLimit": 150, "grid": False}}  # fmt: skip


def all_models(summaries: Sequence[Summary], colours: Colours) -> Spec:
    """Every model as one thin line, in the order given: range of its specimens, mean as a dot as large as their number."""
    rows = _rows(summaries)
    x = {"field": "rank", "type": "quantitative", "axis": {"title": "models, in the order chosen", "tickMinStep": 1, "format": "d"}}
    x["scale"] = {"domain": [0, len(rows) + 1], "nice": False}
    size = {"field": "specimens", "type": "quantitative", "legend": None, "scale": {"range": _dot_px2(len(rows)), "type": "sqrt"}}
    return {
        "height": 380,
        "data": {"values": rows},
        "encoding": {"x": x, "tooltip": _tooltip()},
        "layer": [
            {"mark": {"type": "rule", "color": colours.light, "strokeWidth": _line_px(len(rows))},
             "encoding": {"y": _thickness("min", "y"), "y2": {"field": "max"}}},
            {"mark": {"type": "circle", "color": colours.mark, "opacity": 0.9},
             "encoding": {"y": _thickness("mean", "y"),
                          "size": size}},
        ],
    }  # fmt: skip


def top_mm(summaries: Sequence[Summary]) -> float:
    """End of a scale from nothing on which all of them fit, with room for the numbers at its border."""
    return 1.06 * max(row["high"] for row in _rows(summaries))


def by_name(summaries: Sequence[Summary], top_mm: float, colours: Colours) -> Spec:
    """Up to `PAGE` models by name, on a scale from nothing to `top_mm`: range as a bar, mean as a dot, their number behind.

    A thin line carries the range on by the outermost specimens' own 95 % bands.
    """
    rows = _rows(summaries)
    y = _NAMES
    count = {"type": "text", "align": "right", "color": colours.text, "fontSize": 12}
    return {
        "height": {"step": 20},
        "data": {"values": rows},
        "encoding": {"y": y, "tooltip": _tooltip()},
        "layer": [
            {"mark": {"type": "rule", "color": colours.light, "strokeWidth": 1},
             "encoding": {"x": _thickness("low", "x", top_mm), "x2": {"field": "high"}}},
            {"mark": {"type": "rule", "color": colours.light, "strokeWidth": 7},
             "encoding": {"x": _thickness("min", "x", top_mm), "x2": {"field": "max"}}},
            {"mark": {"type": "circle", "color": colours.mark, "size": 55, "opacity": 1},
             "encoding": {"x": _thickness("mean", "x", top_mm)}},
            {"mark": count, "encoding": {"text": {"field": "specimens"}, "x": {"value": "width"}}},
        ],
    }  # fmt: skip


def specimens(s: Summary, colours: Colours) -> Spec:
    """One model: each specimen with its 95 % band, the mean's interval as a line, the next one's as a broad band."""
    rows = [
        {"name": name, "value": k.mean_mm, "low": max(k.mean_mm - 2.0 * k.u_mm, 0.0), "high": k.mean_mm + 2.0 * k.u_mm, "shown": shown}
        for k, name, shown in zip(
            sorted(s.by_specimen, key=lambda k: k.mean_mm),
            log_view.specimens(s)["specimen"],
            log_view.specimens(s)["thickness"],
            strict=True,
        )
    ]
    _unlike(rows)
    tooltip = [{"field": "name", "title": "specimen"}, {"field": "shown", "title": "thickness"}]
    y = _NAMES
    layers: list[Spec] = []
    if s.specimens > 1:
        next_one = {"values": [{"low": s.next_low_mm, "high": s.next_high_mm}]}
        encoding = {"x": _thickness("low", "x"), "x2": {"field": "high"}}
        layers.append({"mark": {"type": "rect", "color": colours.light, "opacity": 0.25}, "data": next_one, "encoding": encoding})
    layers += [
        {"mark": {"type": "rule", "color": colours.text, "strokeDash": [6, 3]}, "data": {"values": [{"mean": s.mean_mm}]},
         "encoding": {"x": _thickness("mean", "x")}},
        {"mark": {"type": "rule", "color": colours.mark, "strokeWidth": 2},
         "encoding": {"y": y, "x": _thickness("low", "x"), "x2": {"field": "high"}, "tooltip": tooltip}},
        {"mark": {"type": "circle", "color": colours.mark, "size": 60, "opacity": 1},
         "encoding": {"y": y, "x": _thickness("value", "x"), "tooltip": tooltip}},
    ]  # fmt: skip
    return {"height": {"step": 22}, "data": {"values": rows}, "layer": layers}


def among_bands(s: Summary, colours: Colours) -> Spec:
    """Where a figure stands among what is common: the bands as bars, the figure across them, the interval of a mean of several."""
    rows = [{"name": name, "low": low, "high": high} for name, low, high in bands.BANDS]
    own = {"values": [{"mean": s.mean_mm, "low": s.low_mm, "high": s.high_mm}]}
    y, of = _NAMES, {"x": _thickness("low", "x"), "x2": {"field": "high"}}
    layers: list[Spec] = [{"mark": {"type": "bar", "color": colours.light, "height": 12}, "encoding": {"y": y, **of}}]
    if s.specimens > 1:
        # One specimen says nothing of where the model's mean lies.
        layers.append({"mark": {"type": "rect", "color": colours.mark, "opacity": 0.2}, "data": own, "encoding": of})
    line = {"mark": {"type": "rule", "color": colours.mark, "strokeWidth": 2}, "data": own, "encoding": {"x": _thickness("mean", "x")}}
    return {"height": {"step": 22}, "data": {"values": rows}, "layer": [*layers, line]}


def _rows(summaries: Sequence[Summary]) -> list[dict[str, Any]]:
    rows = [
        {"rank": i, "name": visible(log_view.title(s), 40), "mean": s.mean_mm, "min": s.min_mm, "max": s.max_mm,
         "low": min(k.mean_mm - 2.0 * k.u_mm for k in s.by_specimen), "high": max(k.mean_mm + 2.0 * k.u_mm for k in s.by_specimen),
         "specimens": s.specimens, "figure": words.figure(s), "lie": words.specimens_lie(s)}
        for i, s in enumerate(summaries, start=1)
    ]  # fmt: skip
    _unlike(rows)
    return rows


def _unlike(rows: list[dict[str, Any]]) -> None:
    """Number names that look alike, or one line would stand for two."""
    seen: Counter[str] = Counter()
    for row in rows:
        seen[row["name"]] += 1
        if seen[row["name"]] > 1:
            row["name"] = f"{row['name']} ({seen[row['name']]})"


def _thickness(field: str, axis: str, top_mm: float | None = None) -> Spec:
    # A distance from nothing is read by its length, so the whole list starts at 0; one model's specimens lie too close for that.
    scale: Spec = {"zero": axis == "y" or top_mm is not None}
    if top_mm is not None:
        scale = {"domain": [0.0, top_mm], "nice": False, "clamp": True}
    return {
        "field": field,
        "type": "quantitative",
        "scale": scale,
        "axis": {"title": "mm" if axis == "y" else "thickness behind the edge, mm"},
    }


def _tooltip() -> list[Spec]:
    names = (("name", "model"), ("figure", "mean"), ("lie", "specimens lie"), ("specimens", "specimens"))
    return [{"field": field, "title": name} for field, name in names]


def _dot_px2(count: int) -> list[int]:
    # Dots that overlap hide the ranges behind them.
    return [8, 90] if count <= 60 else [4, 30] if count <= 200 else [2, 14]


def _line_px(count: int) -> float:
    # On a phone 500 models have less than a pixel each: thinner lines, not an even block.
    return 4.0 if count <= 60 else 2.0 if count <= 200 else 1.0
