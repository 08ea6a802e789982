"""``report.pdf``: two A4 pages that a reader can judge and repeat. Text by reportlab, charts by matplotlib as vectors."""

from __future__ import annotations

import io
import math
import threading
from collections.abc import Sequence
from functools import cache
from pathlib import Path
from xml.sax.saxutils import escape

import matplotlib
import numpy as np
import pypdfium2
from matplotlib.figure import Figure as Chart
from PIL import Image as Pictures
from reportlab.lib import colors
from reportlab.lib.enums import TA_CENTER
from reportlab.lib.pagesizes import A4
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import mm
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import Flowable, Frame, Image, KeepInFrame, Paragraph, Spacer, Table, TableStyle

from app import charts, overlay
from app.headline import (
    angle_row,
    checks_summary,
    cross_check_footnote,
    flag_lines,
    headline,
    readings_left_out,
    readings_remark,
    rise_start,
    seen_share,
    stretch_label,
    tip_end,
)
from vision import rounding
from vision.declared import Declared, Lie
from vision.results import CrossCheck, Measurement
from vision.sources import DRIFT_LENGTH_MM, DRIFT_U_DEG, PLACEMENT_MM

_MARGIN = 16 * mm
_TEXT_WIDTH = A4[0] - 2 * _MARGIN
_CHART_SIZE = (_TEXT_WIDTH, 112 * mm)
_CHART_FOOT = 14 * mm
_PICTURE_HEIGHT = 84 * mm
_PICTURE_GAP, _PICTURES_A_ROW = 2 * mm, 3
_PICTURE_MARGIN_MM = 9.0
_CAPTION = 10
# 200 px an inch on paper: lines of one pixel can still be seen, at a tenth of the photo's bytes.
_PICTURE_PX = 1400
# PDFium is not safe for use from two threads at once, and the app serves each session from its own.
PDFIUM = threading.Lock()
# A source below this share of the total moves the total by less than 0.02 % of itself.
_SMALL_SHARE = 0.02
_DEFAULT_MEANS = "assumed: nobody said otherwise, so the program's default stands."
CAUTION = (
    "Blades cut. Tape or guard the edge while you set up, cut away from yourself, and bring caliper jaws to the shoulder from the spine "
    "side: jaws on an apex harm both. Local rules come first."
)
_BY_STRIP = (
    "The blade lies beside a printed strip of coded squares. The strip's corners give the camera's place and the scale in the photo; "
)
_BY_SCALE = (
    "No printed strip is in the photo: the scale is declared, the view is taken as square, and a person showed roughly where the edge "
    "runs. Positions are lengths along the line they drew, from its first point. "
)
_METHOD = (
    "apex and shoulder are found along the edge as one line each, to a part of a pixel. Rays through both lines meet the plane of the "
    "edge and the plane of the bevel face (inclined by the angle per side), which gives the bevel width w along the face. Thickness "
    "behind the edge is T = 2 w sin a with the angle per side a, which takes the unseen side to be alike; where both sides were "
    "photographed it is the sum of both, each w sin a with its own angle, and what the cheek (its angle from the centre plane) adds from "
    "the shallower shoulder on to the depth of the deeper one. Declared angle, its tolerance (rectangular) and its slow change "
    f"along the edge ({DRIFT_U_DEG:g}° a side, one standard uncertainty, over {DRIFT_LENGTH_MM:g} mm), the widths' own errors, and the "
    "readings with an error common to all of them (the limit of error, rectangular, less the step), one of each (the step, and the seating "
    f"of the jaws to a step) and their places (± {PLACEMENT_MM:g} mm) form one joint Gaussian model, conditioned on the readings. Where "
    "the edge thickens is told by BIC between a flat and a flat-then-rising line, with the covariance of that model and the edge's "
    "waviness. Bands are expanded uncertainties with k = 2 (JCGM 100). Stations without a trustworthy line stay empty. job.toml, "
    "written beside this report, repeats the measurement from the same photos."
)


def pdf(measurement: Measurement, pictures: Sequence[np.ndarray], blade: str = "") -> bytes:
    """The report as PDF bytes.

    Parameters
    ----------
    measurement : Measurement
    pictures : sequence of (H, W, 3) uint8
        The upright photos, without lines, in the measurement's order.
    blade : str
        Which blade it was, in the person's words.
    """
    out = io.BytesIO()
    page = Canvas(out, pagesize=A4, invariant=1, pageCompression=1)
    page.setTitle("Thickness behind the edge: " + ", ".join(p.name for p in measurement.photos))
    page.setAuthor(measurement.program)
    _page(page, _first_page(measurement, pictures, blade), measurement, 1, _CHART_FOOT + _CHART_SIZE[1])
    _page(page, _second_page(measurement), measurement, 2, _CHART_FOOT)
    page.save()
    chart = charts.along_edge(measurement, tuple(v / 72.0 for v in _CHART_SIZE))
    return _with_chart(out.getvalue(), _chart_pdf(chart))


def _first_page(m: Measurement, pictures: Sequence[np.ndarray], blade: str) -> list[Flowable]:
    seen, stations = seen_share(m)
    figures = headline(m)
    story: list[Flowable] = [_text("Thickness behind the edge", "title")]
    story += [_text(blade, "label")] if blade else []
    story.append(_text(", ".join(p.name for p in m.photos) + f" · {seen} of {stations} stations measured · {m.created[:10]}", "small"))
    if figures:
        remark = readings_remark(m)
        label = f"{figures[0].label}, mean" + (f"; {remark}" if remark else "")
        story += [_text(figures[0].text, "figure"), _text(label, "label"), Spacer(0, 2 * mm)]
        angle = [list(angle_row(m))] if angle_row(m) else []
        story.append(_table([[line.label, line.text] for line in figures[1:]] + angle, (0.5, 0.5)))
    else:
        story.append(_text("No headline figure could be had; see the cautions on the next page.", "label"))
    story += [_text(rounding.COVERAGE, "small"), Spacer(0, 2 * mm), *_pictures(m, pictures)]
    return story


def _second_page(m: Measurement) -> list[Flowable]:
    story: list[Flowable] = []
    for title, part in (("Zones", _zones(m)), ("Uncertainty budget", _budget(m)), ("Cross-check of the readings", _cross_check(m))):
        story += [_text(title, "heading"), *part]
    story += [_text("Declared and assumed", "heading"), _table(_declared(m), (0.34, 0.66)), _text("Method", "heading"), _text(_method(m))]
    story += [_text("Cautions and notes", "heading"), _text(CAUTION)]
    story += [_text(f"{n.text}; {n.remedy}.") for n in m.notes]
    if found := flag_lines(m):
        story += [_text("Flagged stations", "heading"), *(_text(line) for line in found)]
    story += [_text("Photos", "heading"), _table(_photos(m), (0.26, 0.74))]
    return story


def _method(m: Measurement) -> str:
    return (_BY_SCALE + _METHOD[0].upper() + _METHOD[1:]) if m.scale_declared else _BY_STRIP + _METHOD


def _pictures(m: Measurement, pictures: Sequence[np.ndarray]) -> list[Flowable]:
    """Every photo with its lines, in rows of equal height: they show parts of one edge, so they belong side by side."""
    sizes = [overlay.size_px(m, i, _PICTURE_MARGIN_MM) for i in range(len(pictures))]
    aspects = [width / height for width, height in sizes]
    # As many a row as leave each picture largest; of equal heights the fewest rows.
    a_row = max(range(min(_PICTURES_A_ROW, len(pictures)), 0, -1), key=lambda n: _picture_height(aspects, n))
    height = _picture_height(aspects, a_row)
    cells = []
    for i, (rgb, aspect) in enumerate(zip(pictures, aspects, strict=True)):
        reduce = min(1.0, _PICTURE_PX / rgb.shape[1])
        printed = sizes[i][1] * reduce / (height / mm)
        drawn = overlay.draw(rgb, m, i, reduce=reduce, margin_mm=_PICTURE_MARGIN_MM, px_per_printed_mm=printed)
        cells.append((Image(_jpeg(drawn), height * aspect, height, hAlign="LEFT"), m.photos[i].name if len(pictures) > 1 else ""))
    return [*(_picture_row(cells[i : i + a_row]) for i in range(0, len(cells), a_row)), _key(m)]


def _picture_height(aspects: list[float], a_row: int) -> float:
    """Height of every picture, points, with `a_row` of them side by side."""
    rows = [aspects[i : i + a_row] for i in range(0, len(aspects), a_row)]
    room = _PICTURE_HEIGHT / len(rows) - _PICTURE_GAP - (_CAPTION if len(aspects) > 1 else 0.0)
    return min(room, *((_TEXT_WIDTH - _PICTURE_GAP * (len(row) - 1)) / sum(row) for row in rows))


def _picture_row(row: list[tuple[Image, str]]) -> Table:
    gaps = [_PICTURE_GAP] * (len(row) - 1) + [0.0]
    cells = [[picture for picture, _ in row], *([[_text(name, "small") for _, name in row]] if row[0][1] else [])]
    table = Table(cells, colWidths=[picture.drawWidth + gap for (picture, _), gap in zip(row, gaps, strict=True)], hAlign="CENTER")
    style = [(f"{side}PADDING", (0, 0), (-1, -1), 0) for side in ("LEFT", "RIGHT", "TOP", "BOTTOM")]
    style += [("TOPPADDING", (0, 1), (-1, 1), 1), ("BOTTOMPADDING", (0, -1), (-1, -1), _PICTURE_GAP)]
    table.setStyle(TableStyle(style))
    return table


def _key(m: Measurement) -> Paragraph:
    """What the lines in the pictures mean, as text of the page: letters in a picture shrink with it."""
    parts = []
    for words, rgb in overlay.key(m, range(len(m.photos)), "the next page"):
        mark = f'<font color="#{bytes(rgb).hex()}">\u2501\u2501</font> ' if rgb else ""
        parts.append(mark + escape(words))
    return Paragraph(" &nbsp; ".join(parts), _style("note"))


def _jpeg(picture: np.ndarray) -> io.BytesIO:
    data = io.BytesIO()
    Pictures.fromarray(picture).save(data, "JPEG", quality=88, subsampling=0)
    data.seek(0)
    return data


def _zones(m: Measurement) -> list[Flowable]:
    z = m.zones
    if z is None:
        return [_text("No zones could be told apart.")]
    rows = [[stretch_label("main stretch", z.main), rounding.format_figure(z.main.mean.value_mm, z.main.mean.u_mm)]]
    if z.rise is None:
        rows.append(["toward the tip", "no rise that could be told from the noise"])
    else:
        start = rise_start(z.rise)
        slope = " ± ".join(rounding.round_pair(z.rise.slope_mm_per_mm, 2 * z.rise.slope_u_mm_per_mm))
        ratio = " ± ".join(rounding.round_pair(z.rise.ratio, 2 * z.rise.ratio_u))
        rows.append(
            [
                "thickens toward the tip",
                f"from {start} mm on, by {slope} mm per mm; {ratio} times the main stretch at the {tip_end(z.rise)}",
            ]
        )
    rows += [[stretch_label(s.name, s), rounding.format_figure(s.mean.value_mm, s.mean.u_mm)] for s in z.stretches]
    return [_table(rows, (0.34, 0.66))]


def _budget(m: Measurement) -> list[Flowable]:
    if m.budget is None:
        return [_text("No budget could be had.")]
    two = rounding.two_digits
    rows = [["source", "standard uncertainty", "sensitivity, mm per unit", "contribution, µm"]]
    small = [r for r in m.budget.rows if r.contribution_mm < _SMALL_SHARE * m.budget.total_mm]
    # One row gathered from one would hide a name and save nothing.
    small = small if len(small) > 1 else []
    for r in m.budget.rows:
        if r not in small:
            rows.append([r.source, f"{two(r.u)} {r.unit}", two(r.sensitivity_mm_per_unit), two(1000 * r.contribution_mm)])
    if small:
        together = math.sqrt(math.fsum(r.contribution_mm**2 for r in small))
        rows.append([f"{len(small)} smaller sources together (measurement.json lists them)", "", "", two(1000 * together)])
    rows.append(["total (root of the sum of squares)", "", "", two(1000 * m.budget.total_mm)])
    return [_table(rows, (0.46, 0.2, 0.2, 0.14), head=True), _text("One standard uncertainty of the main stretch's mean.", "small")]


def _cross_check(m: Measurement) -> list[Flowable]:
    if not m.cross_checks:
        return [_text("No readings were given: the band rests on the declared angle and its tolerance alone.")]
    rows = [["position, mm", "reading, mm", "this caliper should read", "difference, mm", "E_n", ""]]
    for c in m.cross_checks:
        compared = [
            rounding.format_figure(c.predicted_mm, c.predicted_u_mm, inch=False),
            _signed(c.difference_mm, c.predicted_u_mm),
            f"{c.e_n:.2f}",
        ]
        row = compared if math.isfinite(c.e_n) else ["", "", ""]
        rows.append([f"{c.reading.position_mm:g}", f"{c.reading.thickness_mm:g}", *row, _verdict(c)])
    story = [_text("No reading was used: readings and photo contradict each other (see the cautions).")] if readings_left_out(m) else []
    return [*story, _table(rows, (0.13, 0.13, 0.25, 0.15, 0.08, 0.26), head=True), _text(cross_check_footnote(m), "small")]


def _signed(value_mm: float, u_mm: float) -> str:
    """A difference with its sign, to the place of the figure that it is the difference from."""
    text = rounding.format_value(value_mm, u_mm)
    return text if value_mm < 0 else f"+{text}"


def _verdict(c: CrossCheck) -> str:
    if not math.isfinite(c.e_n):
        return "set aside, not compared" if c.reading.set_aside else "not compared: no width near it"
    return "set aside" if c.reading.set_aside else "questioned" if c.questioned else "agrees"


def _declared(m: Measurement) -> list[list[str]]:
    d = m.declared
    height, height_tolerance = d.height_mm
    bars, bar_tolerance = d.bars_mm
    height_mark = _mark(d, "edge_height_tolerance_mm", "± ") if d.edge_height_mm is not None else " (not declared: taken as level)"
    bar_mark = _mark(d, "printed_bar_tolerance_mm", "± ") if d.printed_bar_mm else " (not measured)"
    above, scale = "strip", ["printed 100 mm bars, X and Y", f"{bars[0]:g} and {bars[1]:g} ± {bar_tolerance:g} mm{bar_mark}"]
    if m.scale_declared and (declared := m.photos[0].hints.scale):
        above, scale = "place of the scale", ["scale, square view assumed", f"{declared.px_per_mm:.2f} px/mm: {declared.source}"]
    rows = [
        ["included angle" if m.other is None else "twice this side's own angle", _angle(d)],
        ["lie", _lie(d)],
        [f"edge above the {above}", f"{height:g} ± {height_tolerance:g} mm{height_mark}"],
        *_distance(d),
        scale,
        *_other_side(m),
        *_caliper(m),
    ]
    marked = any("assumed)" in text for _, text in rows)
    return [*rows, *([["", _DEFAULT_MEANS]] if marked else [])]


def _caliper(m: Measurement) -> list[list[str]]:
    """Nothing rests on the caliper where no reading was set against a width."""
    if not any(math.isfinite(c.e_n) for c in m.cross_checks):
        return []
    d = m.declared
    limit, step = _mark(d, "caliper_accuracy_mm"), _mark(d, "caliper_resolution_mm")
    return [["caliper", f"limit of error {d.caliper.accuracy_mm:g} mm{limit}, step {d.caliper.resolution_mm:g} mm{step}"]]


def _angle(d: Declared) -> str:
    if d.included_angle_deg is None:
        return "none; found from the readings"
    return f"{d.included_angle_deg:g} ± {d.angle_tolerance_deg:g}°{_mark(d, 'angle_tolerance_deg', '± ')}"


def _lie(d: Declared) -> str:
    cheek = "" if d.cheek_angle_deg is None else f", cheek angle {d.cheek_angle_deg:g}°"
    unused = " (turns no width: the blade is taken as level)" if cheek and d.lie is Lie.LEVEL else ""
    return f"{d.lie.value}{_mark(d, 'lie')}{cheek}{unused}"


def _distance(d: Declared) -> list[list[str]]:
    if d.camera_distance_mm is None:
        return []
    tolerance = f"{d.camera_distance_tolerance_mm:g} mm{_mark(d, 'camera_distance_tolerance_mm', '± ')}"
    return [["lens to edge", f"{d.camera_distance_mm:g} ± {tolerance}"]]


def _mark(d: Declared, name: str, what: str = "") -> str:
    return f" ({what}assumed)" if name in (d.assumed or ()) else ""


def _other_side(m: Measurement) -> list[list[str]]:
    if m.other is None:
        return []
    d, (here, there) = m.other.declared, m.other.landmarks_mm
    angle = "from the readings" if d.included_angle_deg is None else f"twice its own angle {_angle(d)}"
    where = f"the landmark at {here:g} mm stands at {there:g} mm on its scale; thickness adds both sides"
    return [["other side", f"{angle}, {_lie(d)}; {where}"]]


def _photos(m: Measurement) -> list[list[str]]:
    out = []
    for p in m.photos:
        seen = f"{p.width_px} × {p.height_px} px, {p.px_per_mm:.1f} px/mm, blur {p.blur_px:.1f} px, "
        seen += "view taken as square" if p.hints.scale else f"tilt {p.tilt_deg:.1f}°"
        seen += f", distance {p.camera_distance_mm:.0f} mm ({p.focal_source})"
        seen += "" if p.hints.scale else f", {p.target_corners} corners, residual {p.target_residual_px:.2f} px"
        checked = f"{summary}; " if (summary := checks_summary(p)) else ""
        out.append([p.name, f"{seen}; {checked}SHA-256 {p.sha256[:16]}…"])
    return out


def _page(page: Canvas, story: list[Flowable], m: Measurement, number: int, foot: float) -> None:
    frame = Frame(_MARGIN, foot, _TEXT_WIDTH, A4[1] - foot - 12 * mm, leftPadding=0, rightPadding=0, topPadding=0, bottomPadding=0)
    # Shrinks a page that many notes or zones would otherwise push onto a third one.
    frame.addFromList([KeepInFrame(frame._width, frame._height, story, mode="shrink")], page)
    # The canvas opens each page in Helvetica; a line of text in it keeps that font listed when PDFium writes the page anew.
    page.setFont("Helvetica", 7)
    page.setFillColor(colors.HexColor("#555555"))
    page.drawString(_MARGIN, 8 * mm, f"{m.program} · {m.created}")
    page.drawRightString(A4[0] - _MARGIN, 8 * mm, f"page {number} of 2")
    page.showPage()


def _text(text: str, kind: str = "body") -> Paragraph:
    return Paragraph(escape(text), _style(kind))


def _style(kind: str) -> ParagraphStyle:
    plain, bold = _fonts()
    styles = {
        "title": ParagraphStyle("title", fontName=bold, fontSize=17, leading=21),
        "figure": ParagraphStyle("figure", fontName=bold, fontSize=15, leading=20, spaceBefore=5, textColor=colors.HexColor("#005f9e")),
        "label": ParagraphStyle("label", fontName=plain, fontSize=9, leading=12),
        "heading": ParagraphStyle("heading", fontName=bold, fontSize=10, leading=13, spaceBefore=7, spaceAfter=2),
        "small": ParagraphStyle("small", fontName=plain, fontSize=7, leading=9, textColor=colors.HexColor("#555555")),
        "note": ParagraphStyle("note", fontName=plain, fontSize=8, leading=10.5, alignment=TA_CENTER),
        "body": ParagraphStyle("body", fontName=plain, fontSize=8, leading=10.5, spaceAfter=2),
    }
    return styles[kind]


def _table(rows: list[list[str]], shares: tuple[float, ...], head: bool = False) -> Table:
    cells = [[_text(cell) for cell in row] for row in rows]
    table = Table(cells, colWidths=[s * _TEXT_WIDTH for s in shares], hAlign="LEFT")
    style = [("LINEBELOW", (0, 0), (-1, -1), 0.25, colors.HexColor("#cccccc")), ("VALIGN", (0, 0), (-1, -1), "TOP")]
    style += [("TOPPADDING", (0, 0), (-1, -1), 1), ("BOTTOMPADDING", (0, 0), (-1, -1), 1), ("LEFTPADDING", (0, 0), (-1, -1), 0)]
    if head:
        style.append(("LINEBELOW", (0, 0), (-1, 0), 0.8, colors.black))
    table.setStyle(TableStyle(style))
    return table


@cache
def _fonts() -> tuple[str, str]:
    """Names of the plain and bold face. matplotlib ships them: PDF's built-in fonts have no Greek or Cyrillic letters."""
    folder = Path(matplotlib.get_data_path()) / "fonts" / "ttf"
    for name, file in (("Text", "DejaVuSans.ttf"), ("TextBold", "DejaVuSans-Bold.ttf")):
        pdfmetrics.registerFont(TTFont(name, folder / file))
    return "Text", "TextBold"


def _chart_pdf(chart: Chart) -> bytes:
    out = io.BytesIO()
    # No date inside: the same measurement gives the same report.
    chart.savefig(out, format="pdf", metadata={"CreationDate": None})
    return out.getvalue()


def _with_chart(report: bytes, chart: bytes) -> bytes:
    """Set the chart's page, as vectors, into the foot of the first page."""
    with PDFIUM:
        pages, drawing = pypdfium2.PdfDocument(report), pypdfium2.PdfDocument(chart)
        form = drawing.page_as_xobject(0, pages).as_pageobject()
        form.set_matrix(pypdfium2.PdfMatrix().translate(_MARGIN, _CHART_FOOT))
        first = pages[0]
        first.insert_obj(form)
        first.gen_content()
        out = io.BytesIO()
        pages.save(out)
    return out.getvalue()
