"""Report, charts, headline and summary say what the result says."""

from __future__ import annotations

import io
import math
from dataclasses import replace

import numpy as np
import pypdfium2
import pytest
from PIL import Image
from reportlab.lib.pagesizes import A4
from reportlab.lib.units import mm

from app import charts, overlay, picture, report, summary
from app.headline import checks_summary, cross_check_footnote, flag_lines, headline, readings_remark, seen_share
from app.measuring.words import cross_check
from vision import rounding
from vision.checks import CHECKS
from vision.declared import Caliper, Declared, Lie, Reading
from vision.flags import Note
from vision.job import Blade
from vision.results import Budget, BudgetRow, CrossCheck, Figure, Measurement, OtherSide, Stretch

GREY = np.full((960, 1280, 3), 128, np.uint8)


def _pages(data: bytes) -> list[str]:
    document = pypdfium2.PdfDocument(data)
    # A line break inside a sentence is layout, not content.
    return [" ".join(page.get_textpage().get_text_range().split()) for page in document]


def test_report_has_two_pages_with_headline_budget_and_method(measurement: Measurement) -> None:
    pages = _pages(report.pdf(measurement, [GREY]))
    assert len(pages) == 2
    assert headline(measurement)[0].text in pages[0]
    assert "bevel width, mm" in pages[0], "the chart is vector: its labels are text"
    for words in ("Uncertainty budget", "angle 0.58 degrees", "Cross-check", "questioned", "30 ± 2°", "Method", "Blades cut"):
        assert words in pages[1]


def test_many_small_sources_are_gathered_and_still_add_up(measurement: Measurement) -> None:
    small = tuple(BudgetRow(f"tiny source {i}", 0.001, "mm", 0.1, 0.0001) for i in range(16))
    budget = Budget((*measurement.budget.rows, *small), measurement.budget.total_mm)
    text = _pages(report.pdf(replace(measurement, budget=budget), [GREY]))[1]
    # Sixteen times 0.1 um in quadrature.
    assert "16 smaller sources together (measurement.json lists them) 0.4" in text
    assert "tiny source" not in text


def test_report_is_the_same_for_the_same_measurement(measurement: Measurement) -> None:
    assert _pages(report.pdf(measurement, [GREY])) == _pages(report.pdf(measurement, [GREY]))


def test_report_without_zones_budget_or_readings(measurement: Measurement) -> None:
    bare = replace(measurement, zones=None, budget=None, cross_checks=(), notes=())
    pages = _pages(report.pdf(bare, [GREY]))
    assert len(pages) == 2
    assert "No headline figure" in pages[0]
    assert "No budget" in pages[1]


def test_report_survives_markup_and_letters_in_names_and_many_notes(measurement: Measurement) -> None:
    photo = replace(measurement.photos[0], name="<b>Klinge & Шлиф.jpg")
    crowded = replace(measurement, photos=(photo,), notes=measurement.notes * 60)
    pages = _pages(report.pdf(crowded, [GREY]))
    assert len(pages) == 2
    assert "<b>Klinge & Шлиф.jpg" in pages[0]


def test_two_photos_are_both_shown(two_photo_measurement: Measurement) -> None:
    document = pypdfium2.PdfDocument(report.pdf(two_photo_measurement, [GREY, GREY]))
    images = [o for o in document[0].get_objects() if o.type == pypdfium2.raw.FPDF_PAGEOBJ_IMAGE]
    assert len(images) == 2
    # Side by side, equally high, inside the text's width, and higher than the 39 mm that each would have one above the other.
    (x0, y0, x1, y1), (u0, v0, u1, v1) = (o.get_bounds() for o in images)
    assert (y0, y1) == pytest.approx((v0, v1), abs=0.01)
    assert x1 < u0
    assert y1 - y0 > 50 * mm
    assert x0 >= 16 * mm - 1
    assert u1 <= A4[0] - 16 * mm + 1


def test_the_key_of_the_pictures_is_text_of_the_page(measurement: Measurement, two_photo_measurement: Measurement) -> None:
    assert "apex; a tick every mm" in (first := _pages(report.pdf(measurement, [GREY]))[0])
    assert "dashed: flagged, see the next page" in first
    assert "dotted" not in first, "no second line, no word of one"
    names = [p.name for p in two_photo_measurement.photos]
    assert all(_pages(report.pdf(two_photo_measurement, [GREY, GREY]))[0].count(name) == 2 for name in names), (
        "named, and under its picture"
    )


def test_pictures_are_laid_out_so_that_each_is_largest() -> None:
    # Three wide ones: two and one below are higher than three side by side; two of a photo's own shape stand side by side.
    assert report._picture_height([2.2] * 3, 2) > 1.3 * report._picture_height([2.2] * 3, 3)
    assert report._picture_height([1.33] * 2, 2) > report._picture_height([1.33] * 2, 1)


def test_charts_draw_the_curve_and_leave_the_gap(measurement: Measurement) -> None:
    upper, lower = charts.along_edge(measurement).axes
    np.testing.assert_array_equal(upper.lines[0].get_ydata(), measurement.widths.width_mm)
    np.testing.assert_array_equal(lower.lines[0].get_ydata(), measurement.thickness.thickness_mm)
    labels = [t.get_text() for t in lower.get_legend().get_texts()]
    assert any(t.startswith("questioned reading") for t in labels)
    assert "thickens from here on" in labels
    assert "main stretch, mean (6 to 22 mm, 15 mm of it)" in labels


def test_no_line_runs_where_another_photo_gave_the_stations(measurement: Measurement) -> None:
    w = measurement.widths
    between = (w.position_mm > 10.0) & (w.position_mm < 15.0)
    mixed = replace(measurement, photos=measurement.photos * 2, widths=replace(w, photo=np.where(between, 1, 0)))
    first = charts.along_edge(mixed).axes[1].lines[0]
    x, y = first.get_xdata(), first.get_ydata()
    seam = int(np.flatnonzero(np.diff(x) > 4.0)[0])
    assert np.isnan(y[seam]), "the line is broken before it would cross the other photo's stretch"
    assert np.isfinite(y).sum() == np.isfinite(measurement.thickness.thickness_mm[~between]).sum()


def test_reading_set_aside_is_shown_as_such(measurement: Measurement) -> None:
    aside = replace(measurement, cross_checks=(), declared=replace(measurement.declared, readings=(Reading(10.0, 0.5, set_aside=True),)))
    labels = [t.get_text() for t in charts.along_edge(aside).axes[1].get_legend().get_texts()]
    assert any(t.startswith("reading set aside") for t in labels)


def test_charts_can_be_saved_without_a_display(measurement: Measurement) -> None:
    out = io.BytesIO()
    charts.along_edge(measurement).savefig(out, format="svg")
    assert b"thickness behind the edge" in out.getvalue()


def test_headline_lines(measurement: Measurement) -> None:
    lines = {line.label: line.text for line in headline(measurement)}
    # u 0.0121 mm, k = 2: U 0.0242 mm, two digits 0.024 (JCGM 100, 7.2.6)
    # 6 to 22 mm less the gap from 18 to 18.6 mm.
    assert lines["main stretch (6 to 22 mm, 15 mm of it)"].startswith("0.472 ± 0.024 mm")
    # The photo ends at 30 mm, which need not be the tip.
    assert lines["tip end of what was measured (30 mm); thickens from 22.0 ± 1.6 mm on"].startswith("0.556 ± 0.032 mm")
    assert "all measured edge (6 to 30 mm, 23 mm of it)" in lines
    assert not [label for label in lines if "whole edge" in label]
    assert headline(replace(measurement, zones=None)) == ()


def test_what_only_counts_alone_is_not_called_all_measured_edge(measurement: Measurement) -> None:
    figure = measurement.zones.main.mean
    marked = replace(measurement.zones, span_mm=(10.0, 20.0), measured_mm=9.4, stretches=(Stretch("only 10:20", 10.0, 20.0, figure, 9.4),))
    labels = [line.label for line in headline(replace(measurement, zones=marked))]
    assert "all of the marked stretches (10 to 20 mm, 9 mm of it)" in labels
    assert not any("all measured edge" in label for label in labels)


def _with_stretches(measurement: Measurement, *stretches: Stretch) -> Measurement:
    return replace(measurement, zones=replace(measurement.zones, stretches=stretches))


def test_a_marked_stretch_beyond_the_photo_is_not_measured(measurement: Measurement) -> None:
    nothing = Figure(math.nan, math.nan)
    away = _with_stretches(
        measurement, Stretch("tip", math.nan, math.nan, nothing), Stretch("only 8:30", 8.0, 30.0, Figure(0.48, 0.012), 21.4),
        Stretch("only 60:70", math.nan, math.nan, nothing),
    )  # fmt: skip
    shown = summary.text(away).splitlines()
    assert "  tip: not measured" in shown
    assert "  only 60:70: not measured" in shown
    first, second = _pages(report.pdf(away, [GREY]))
    assert "tip not measured" in first
    assert "tip not measured" in second
    assert "nan" not in first + second
    # 0.6 mm of it had no line.
    assert "only 8:30 (8 to 30 mm, 21 mm of it) 0.480 ± 0.024 mm" in second


def test_results_of_an_earlier_program_claim_no_length(measurement: Measurement) -> None:
    z = measurement.zones
    old = replace(z, main=replace(z.main, length_mm=math.nan), span_mm=(math.nan, math.nan), measured_mm=math.nan)
    labels = [line.label for line in headline(replace(measurement, zones=old))]
    assert "main stretch (6 to 22 mm)" in labels
    assert "all measured edge" in labels


@pytest.mark.parametrize(("u_mm", "said"), [(0.013, "+0.138"), (0.07, "+0.14")])
def test_a_difference_has_no_finer_place_than_what_it_is_the_difference_from(measurement: Measurement, u_mm: float, said: str) -> None:
    """Beside "0.47 ± 0.14 mm" the table had "+0.138"."""
    (check,) = measurement.cross_checks
    page = _pages(report.pdf(replace(measurement, cross_checks=(replace(check, predicted_u_mm=u_mm),)), [GREY]))[1]
    assert f"{said} 3.60" in page
    lower = replace(check, predicted_u_mm=u_mm, difference_mm=-check.difference_mm)
    assert f"{said.replace('+', '-')} 3.60" in _pages(report.pdf(replace(measurement, cross_checks=(lower,)), [GREY]))[1]


def test_where_a_rise_starts_is_told_with_how_well_it_is_known(measurement: Measurement) -> None:
    """Seen only behind a gap it may start anywhere in that: the headline said "from 22 mm on" all the same."""
    doubtful = replace(measurement.zones, rise=replace(measurement.zones.rise, start_u_mm=4.1))
    assert "thickens from 22.0 ± 8.2 mm on" in summary.text(replace(measurement, zones=doubtful))


def test_headline_says_that_it_holds_questioned_readings(measurement: Measurement) -> None:
    assert "includes 1 questioned reading" in summary.text(measurement)
    assert "includes 1 questioned reading" in _pages(report.pdf(measurement, [GREY]))[0]
    (check,) = measurement.cross_checks
    assert readings_remark(replace(measurement, cross_checks=(check, check))) == "includes 2 questioned readings"
    aside = replace(check, reading=replace(check.reading, set_aside=True))
    assert readings_remark(replace(measurement, cross_checks=(aside, replace(check, questioned=False)))) == ""


def test_after_a_contradiction_no_reading_is_said_to_be_used(measurement: Measurement) -> None:
    clash = Note("readings-contradict", "the readings and the widths cannot both be right", "look at both lines")
    m = replace(measurement, notes=(clash,), thickness=replace(measurement.thickness, fused=False))
    assert "includes" not in readings_remark(m)
    pages = _pages(report.pdf(m, [GREY]))
    assert "no reading was used" in pages[0]
    assert "No reading was used" in pages[1]
    # Without a declared angle they stay in use although they clash.
    assert readings_remark(replace(measurement, notes=(clash,))) == "includes 1 questioned reading"


def test_a_reading_out_of_reach_was_not_compared(measurement: Measurement) -> None:
    away = CrossCheck(Reading(60.0, 0.5), math.nan, math.nan, math.nan, math.nan, False, ("no width near",))
    aside = replace(away, reading=Reading(61.0, 0.5, set_aside=True))
    page = _pages(report.pdf(replace(measurement, cross_checks=(*measurement.cross_checks, away, aside)), [GREY]))[1]
    assert "60 0.5 not compared: no width near it" in page
    assert "61 0.5 set aside, not compared" in page
    assert "agrees" not in page
    assert "nan" not in page
    # Two-sided normal quantile at 3 % for the one reading that was compared: 2.17.
    assert "k = 2.17 for 1 reading" in page
    assert "this caliper should read" in page


def test_the_report_is_headed_by_the_blade_and_gives_the_angle_as_ground(measurement: Measurement) -> None:
    words = Blade("Halden", "Petty 150", "A3", "plain", "new, as ground").in_words
    assert words == "Halden Petty 150, specimen A3, edge plain, new, as ground"
    first, second = _pages(report.pdf(measurement, [GREY], words))
    assert f"Thickness behind the edge {words} edge-1.jpg" in first
    # 15.2 degrees a side with u = 0.3: included 30.4, U = 2 * 2 * 0.3.
    assert "Included angle, by photo and readings together 30.4 ± 1.2° (declared 30 ± 2°)" in first
    assert "(0.75° a side, one standard uncertainty, over 30 mm)" in second
    assert Blade().in_words == ""


def test_the_summary_says_what_became_of_every_reading(measurement: Measurement) -> None:
    (check,) = measurement.cross_checks
    away = replace(check, reading=Reading(80.0, 0.5), e_n=math.nan, questioned=False)
    aside = replace(check, reading=Reading(12.0, 0.4, set_aside=True), questioned=False)
    said = summary.text(replace(measurement, cross_checks=(check, away, aside)))
    assert (
        "Caliper readings: 1 used, 1 of them questioned; set aside: 0.4 mm at 12 mm; not near any measured width: 0.5 mm at 80 mm\n" in said
    )
    assert "Included angle, by photo and readings together: 30.4 ± 1.2° (declared 30 ± 2°)\n" in said
    assert "Caliper readings: none\n" in summary.text(replace(measurement, cross_checks=()))
    # Readings that contradict the photo widen the band to where they lie: no edge has 30 degrees to within 72.
    wide = replace(measurement.thickness, angle_u_deg=18.0 * np.ones_like(measurement.thickness.angle_u_deg), fused=False)
    assert (
        "as declared, with its change along the edge: not told: known to no better than its own size (declared 30 ± 2°)\n"
        in summary.text(replace(measurement, thickness=wide))
    )
    both = replace(measurement, other=OtherSide(measurement.declared, measurement.widths, (5.0, 18.0)))
    assert "Twice the first side's own angle, by photo" in summary.text(both)


def test_a_reading_far_off_the_edge_does_not_squeeze_the_chart(measurement: Measurement) -> None:
    far = replace(measurement.declared, readings=(*measurement.declared.readings, Reading(90.0, 0.5)))
    axes = charts.along_edge(replace(measurement, declared=far)).axes[1]
    assert axes.get_xlim()[1] < 35.0


def test_report_marks_what_was_assumed(measurement: Measurement) -> None:
    page = _pages(report.pdf(measurement, [GREY]))[1]
    for words in ("30 ± 2° (± assumed)", "level (assumed)", "limit of error 0.03 mm (assumed), step 0.01 mm (assumed)", "(not measured)"):
        assert words in page
    # The same figures, typed: nothing is assumed.
    typed = _pages(report.pdf(replace(measurement, declared=replace(measurement.declared, assumed=())), [GREY]))[1]
    assert "30 ± 2° lie level edge" in typed
    assert "assumed" not in typed.split("Declared and assumed")[1].split("Method")[0]
    chosen = Declared(
        included_angle_deg=30.0, angle_tolerance_deg=1.5, lie=Lie.CHEEK_DOWN, cheek_angle_deg=3.0, edge_height_mm=0.4,
        edge_height_tolerance_mm=0.1, camera_distance_mm=95.0, printed_bar_mm=(99.6, 99.8), caliper=Caliper(0.02, 0.005),
    )  # fmt: skip
    page = _pages(report.pdf(replace(measurement, declared=chosen), [GREY]))[1]
    for words in ("30 ± 1.5° lie", "cheek-down, cheek angle 3°", "0.4 ± 0.1 mm lens", "limit of error 0.02 mm, step 0.005 mm"):
        assert words in page
    assert "95 ± 5 mm (± assumed)" in page
    assert "99.6 and 99.8 ± 0.1 mm (± assumed)" in page


def test_the_caliper_is_on_record_where_a_reading_was_set_against_a_width(measurement: Measurement) -> None:
    none = replace(measurement, cross_checks=(), declared=replace(measurement.declared, readings=()))
    assert "limit of error 0.03" in _pages(report.pdf(measurement, [GREY]))[1]
    page = _pages(report.pdf(none, [GREY]))[1]
    assert "limit of error 0.03" not in page
    assert "30 ± 2° (± assumed)" in page
    assert "the program's default stands" in page
    # With nothing left that is marked, no mark is explained.
    marked = replace(none.declared, assumed=("caliper_accuracy_mm", "caliper_resolution_mm"))
    assert "the program's default stands" not in _pages(report.pdf(replace(none, declared=marked), [GREY]))[1]


def test_the_screen_words_a_cross_check_as_the_report_does(measurement: Measurement) -> None:
    """The screen had said "photo and other readings say" of a figure that leaves the caliper's common error out."""
    (check,) = measurement.cross_checks
    page = _pages(report.pdf(measurement, [GREY]))[1]
    expected = rounding.format_figure(check.predicted_mm, check.predicted_u_mm, inch=False)
    assert f"{expected} +0.138" in page
    assert cross_check(check).startswith(f"QUESTIONED: this caliper should read {expected} (E_n 3.60)")
    assert cross_check(replace(check, questioned=False)).startswith(f"agrees: this caliper should read {expected} (E_n")
    assert "cancels and is not in the ±" in cross_check_footnote(measurement)
    assert cross_check_footnote(measurement) in page


def test_a_cheek_angle_of_a_level_blade_is_marked_as_unused(measurement: Measurement) -> None:
    page = _pages(report.pdf(replace(measurement, declared=replace(measurement.declared, cheek_angle_deg=3.0)), [GREY]))[1]
    assert "cheek angle 3° (turns no width: the blade is taken as level)" in page


def test_photo_checks_are_summed_up_in_the_report(measurement: Measurement) -> None:
    said = checks_summary(measurement.photos[0])
    assert said == f"2 of {len(CHECKS)} photo checks fine, {len(CHECKS) - 3} not measured; caution: bevel-px"
    assert said in _pages(report.pdf(measurement, [GREY]))[1]
    assert checks_summary(replace(measurement.photos[0], checks=())) == ""


def test_seen_share_counts_thickness(measurement: Measurement) -> None:
    t = measurement.thickness
    # The other side showed nothing beyond 20 mm: there a width has no thickness.
    thickness = np.where(measurement.widths.position_mm > 20.0, np.nan, t.thickness_mm)
    assert seen_share(replace(measurement, thickness=replace(t, thickness_mm=thickness))) == (136, 241)


def test_flags_are_counted_and_say_what_to_do(measurement: Measurement) -> None:
    # 0.1 mm apart, 12 to 14 mm without its ends: 19 stations; the gap from 18 to 18.6 mm without its ends: 5.
    lines = flag_lines(measurement)
    assert [line.split(":")[0] for line in lines] == [
        "clipped, 19 of 241 stations", "soft, 19 of 241 stations", "not-measured, 5 of 241 stations",
    ]  # fmt: skip
    assert "expose less, or soften the light" in lines[0]
    assert f"flag {lines[0]}" in summary.text(measurement)


def test_summary_shows_headline_and_remarks(measurement: Measurement) -> None:
    text = summary.text(measurement)
    assert "edge-1.jpg: 236 of 241 stations measured from 6.0 to 30.0 mm" in text
    assert headline(measurement)[0].text in text
    from_nothing = replace(measurement.widths, position_mm=measurement.widths.position_mm - 6.02)
    assert "stations measured from 0.0 to 24.0 mm" in summary.text(replace(measurement, widths=from_nothing)), "no minus before a nought"
    assert "caution: the edge's height was not declared; measure it." in text


def test_summary_when_nothing_was_measured(measurement: Measurement) -> None:
    w, t = measurement.widths, measurement.thickness
    nothing = np.full_like(w.width_mm, np.nan)
    blank = replace(measurement, zones=None, widths=replace(w, width_mm=nothing), thickness=replace(t, thickness_mm=nothing))
    assert "no headline figure" in summary.text(blank)
    assert "0 of 241 stations measured\n" in summary.text(blank)
    assert "Bevel width, not measured" in summary.text(blank)


def test_picture_for_sharing_has_its_size_and_shows_the_lines(measurement: Measurement) -> None:
    with Image.open(io.BytesIO(picture.png(measurement, GREY))) as shown:
        assert shown.size == (1200, 630)
        pixels = np.asarray(shown.convert("RGB"))
    for colour in (overlay.APEX_RGB, overlay.SHOULDER_RGB):
        assert (pixels == np.array(colour)).all(axis=2).sum() > 400
