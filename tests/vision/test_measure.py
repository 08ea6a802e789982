"""The pipeline over several photos and both sides, on drawn photos with exact truth; the parts have tests of their own."""

import math
import re
from dataclasses import replace

import cv2
import numpy as np
import pytest

from vision import undeclared
from vision.declared import Caliper, Declared, Lie, Reading
from vision.errors import DeclarationError, PhotoRefused
from vision.measure import Settings, Side, _gaps, _uncommon, conclude, measure, measure_sides
from vision.photo import open_photo
from vision.results import Figure, Stretch, Zones
from vision.sighting import sight

# A camera far away sees the drawing's parallel view; nothing but the lines is left uncertain.
FACTS = Declared(
    included_angle_deg=30,
    angle_tolerance_deg=0.0,
    edge_height_mm=0.0,
    edge_height_tolerance_mm=0.0,
    camera_distance_mm=1000,
    camera_distance_tolerance_mm=100,
    printed_bar_mm=(100.0, 100.0),
    printed_bar_tolerance_mm=0.0,
)
PX_PER_MM = 60


def cut(photo, start_mm, end_mm, name):
    """Part of a photo along the strip, as a photo of its own."""
    columns = slice(round(start_mm * PX_PER_MM), round(end_mm * PX_PER_MM))
    part = np.ascontiguousarray(photo.pixels[:, columns, ::-1])
    return open_photo(cv2.imencode(".png", part)[1].tobytes(), name)


@pytest.fixture(scope="module")
def whole(drawn):
    """30 mm of an edge whose bevel is seen 0.9 mm wide."""
    return drawn().photo()


@pytest.fixture(scope="module")
def turned_over(drawn):
    """20 mm of the other side, its bevel seen 0.8 mm wide."""
    return cut(drawn(seen_width_mm=0.8, seed=2).photo(), 0.0, 20.0, "other.png")


@pytest.mark.parametrize(
    ("thickness_mm", "words"), [(0.046, "below 0.05 mm"), (0.06, ""), (0.5, ""), (1.9, ""), (4.55, "above 2 mm"), (math.nan, "")]
)
def test_a_thickness_that_no_knife_has_is_questioned(thickness_mm, words):
    main = Stretch("main", 0.0, 20.0, Figure(thickness_mm, 0.01))
    notes = _uncommon(Zones(main, None, main.mean, main.mean, main.mean))
    assert [n.severity for n in notes] == ["caution"] * bool(words)
    assert all(f"a thickness {words} behind the edge is beyond what knives commonly have" in n.text for n in notes)
    assert not _uncommon(None)


@pytest.mark.parametrize("both", [False, True])
def test_without_a_declared_angle_widths_are_those_of_the_angle_found(whole, turned_over, both):
    # The photo shows w cos a = 0.9 mm; 2 w sin a = 1.8 tan 12 = 0.3826 mm. Taken as of 18 degrees w would be 0.946, not 0.920 mm.
    there = 2 * 0.9 * math.tan(math.radians(12)) if not both else (0.9 + 0.8) * math.tan(math.radians(12))
    fine = Caliper(accuracy_mm=0.001, resolution_mm=0.0005)
    readings = tuple(Reading(p, there) for p in (4.0, 8.0, 12.0, 16.0, 19.0))
    facts = replace(FACTS, included_angle_deg=None, readings=readings, caliper=fine)
    sides = [Side((whole,), facts, 10.0)] + ([Side((turned_over,), replace(facts, readings=()), 10.0)] if both else [])
    m = measure_sides(sides)
    assert np.nanmedian(m.widths.width_mm) == pytest.approx(0.9 / math.cos(math.radians(12)), abs=0.005)
    assert np.nanmedian(m.thickness.angle_per_side_deg) == pytest.approx(12.0, abs=0.6)
    assert m.widths.angle_u_rad < math.radians(1.5)
    if both:
        assert np.nanmedian(m.other.widths.width_mm) == pytest.approx(0.8 / math.cos(math.radians(12)), abs=0.005)


def test_two_photos_along_one_strip_merge_by_position(whole):
    parts = [cut(whole, 13.0, 30.0, "right.png"), cut(whole, 0.0, 19.0, "left.png")]
    stages = []
    m = measure(parts, replace(FACTS, readings=(Reading(5.0, 0.48),)), progress=lambda stage, share: stages.append(share))
    x = m.widths.position_mm
    assert [p.name for p in m.photos] == ["right.png", "left.png"]
    assert (np.diff(x) > 0).all()
    assert x[0] < 1.0
    assert x[-1] > 29.0
    assert set(m.widths.photo[x < 12]) == {1}
    assert set(m.widths.photo[x > 20]) == {0}
    # w = p / cos a for a level blade seen squarely (design.md section 5).
    error = np.abs(m.widths.width_mm - 0.9 / math.cos(math.radians(15)))
    assert np.nanmedian(error) < 0.003
    # One picture of the overlap, measured in two frames: the difference is no more than the lines' own scatter.
    (seam,) = [n for n in m.notes if n.code.startswith("overlap")]
    assert seam.code == "overlap-agrees"
    assert seam.text.startswith("photo 1 shows the bevel 0.00")
    assert seam.text.endswith(": they agree")
    assert {"shoulder line, photo 1", "shoulder line, photo 2"} <= set(m.widths.systematic_u_mm)
    # One shoulder in one light: where that ends within the rounding, no second photo tells.
    assert "shoulder rounding" in m.widths.systematic_u_mm
    assert m.other is None
    assert stages == sorted(stages)
    assert stages[-1] == 1.0


def test_an_overlap_that_disagrees_is_flagged(whole, drawn):
    wider = cut(drawn(seen_width_mm=1.1, seed=3).photo(), 13.0, 30.0, "wider.png")
    m = measure([cut(whole, 0.0, 19.0, "left.png"), wider], FACTS)
    (seam,) = [n for n in m.notes if n.code == "overlap-disagrees"]
    assert seam.severity == "caution"
    # 0.2 mm seen is 0.207 mm on the face.
    assert seam.text.startswith("photo 2 shows the bevel 0.2")
    assert "mm wider than photo 1 does between " in seam.text
    assert seam.text.endswith(": more than both can tell, so both bands are widened until they can")
    found = float(seam.text.split("the bevel ")[1].split(" ")[0])
    assert found == pytest.approx(0.2 / math.cos(math.radians(15)), abs=0.006)


@pytest.mark.parametrize("other", [{"edge_mm": 6.0}, {"rise_mm": 3.0}])
def test_photos_of_two_blades_are_not_merged(whole, drawn, other):
    """Their mean widths may well agree: the edge of another blade lies elsewhere beside the strip."""
    with pytest.raises(PhotoRefused, match=r"it shows the edge up to .* mm away from where left.png shows it"):
        measure([cut(whole, 0.0, 30.0, "left.png"), cut(drawn(**other).photo(), 0.0, 30.0, "right.png")], FACTS)


@pytest.fixture(scope="module")
def both(whole, turned_over):
    """The heel corner stands at 5 mm on the first side's scale and at 18 mm on the other's."""
    other = replace(FACTS, included_angle_deg=34)
    return measure_sides((Side((whole,), FACTS, 5.0), Side((turned_over,), other, 18.0)))


def test_both_sides_add_up_where_both_were_seen(both):
    """T = w_L sin a_L + w_R sin a_R, the shallower shoulder carried up its cheek: p tan a a side, and tan(3 deg) * 0.1 mm."""
    t, x = both.thickness.thickness_mm, both.widths.position_mm
    a, b, c = np.radians([15.0, 17.0, 3.0])
    expected = 0.9 * math.tan(a) + 0.8 * math.tan(b) + 0.1 * math.tan(c)
    assert np.nanmedian(t) == pytest.approx(expected, abs=0.002)
    # Turned over, place x of the first side stands at 18 - (x - 5) on the other's scale, which was seen from 0 to 20.
    seen = x[np.isfinite(t)]
    assert seen[0] == pytest.approx(3.0, abs=0.4)
    assert seen[-1] == pytest.approx(23.0, abs=0.4)


def test_what_only_one_side_showed_is_said(both):
    (note,) = [n for n in both.notes if n.code == "one-side-only"]
    assert "10 mm of the first side" in note.text


def test_landmarks_that_cannot_be_are_refused(whole, turned_over):
    with pytest.raises(DeclarationError, match="no place of the edge in common"):
        measure_sides((Side((whole,), FACTS, 5.0), Side((turned_over,), FACTS, 80.0)))


def test_the_result_carries_both_sides(both):
    assert [p.name for p in both.photos] == ["drawn.png", "other.png"]
    assert both.other.landmarks_mm == (5.0, 18.0)
    assert both.other.declared.included_angle_deg == 34
    assert both.other.widths.position_mm[-1] == pytest.approx(20.0, abs=0.3)
    assert np.nanmedian(both.other.widths.width_mm) == pytest.approx(0.8 / math.cos(math.radians(17)), abs=0.003)
    assert both.widths_of(0) is both.widths
    assert both.widths_of(1) is both.other.widths
    # The other side's lines are sources of their own, the print is one and the same.
    rows = {r.source for r in both.budget.rows}
    assert {"shoulder line", "shoulder line, other side"} <= rows


def test_what_nobody_declared_is_said(whole):
    free = replace(FACTS, edge_height_mm=None, printed_bar_mm=None, readings=(Reading(80.0, 0.5),))
    m = measure([cut(whole, 0.0, 12.0, "short.png")], free)
    notes = {n.code: n for n in m.notes}
    assert "within 1 mm" in notes["height-assumed"].text
    assert "within 1 mm" in notes["print-assumed"].text
    assert notes["print-assumed"].severity == "info"
    assert notes["height-assumed"].severity == "caution"
    assert "mirror image" in notes["other-side-assumed"].text
    assert "lie-level" not in notes
    assert notes["defaults-assumed"].severity == "info"
    assert "the blade held level, the caliper right to 0.03 mm, its step 0.01 mm" in notes["defaults-assumed"].text
    # A reading beyond the photographed edge is named, not dropped in silence.
    assert "80 mm" in notes["reading-out-of-reach"].text


def test_declared_facts_leave_no_such_note(both):
    unsaid = {"height-assumed", "print-assumed", "lie-level", "other-side-assumed", "angle-narrow", "bars-unlikely"}
    assert not {n.code for n in both.notes} & unsaid


def test_an_angle_of_one_side_and_a_page_made_to_fit_are_asked_about(whole):
    m = measure([cut(whole, 0.0, 12.0, "short.png")], replace(FACTS, included_angle_deg=15.0, printed_bar_mm=(96.0, 96.1), readings=()))
    notes = {n.code: n for n in m.notes}
    assert notes["angle-narrow"].text.startswith("15° included is 7.5° a side")
    assert "30°" in notes["angle-narrow"].remedy
    assert "made smaller to fit" in notes["bars-unlikely"].text
    # Asked, not corrected: the thickness is that of the angle as declared.
    assert np.nanmean(m.thickness.angle_per_side_deg) == pytest.approx(7.5, abs=0.01)


def test_a_cheek_angle_that_turns_nothing_is_said():
    sides = (replace(FACTS, cheek_angle_deg=3.0), replace(FACTS, cheek_angle_deg=3.0, lie=Lie.CHEEK_DOWN))
    (note,) = [n for n in undeclared.notes(sides, [False, False]) if n.code == "lie-level"]
    assert "side 1 is taken as held level" in note.text
    assert "3°" in note.text
    # Who said "level" is not asked again.
    said = undeclared.notes([replace(FACTS, cheek_angle_deg=3.0, assumed=())], [False])
    assert not {"lie-level", "defaults-assumed"} & {n.code for n in said}


def test_a_gap_in_one_photo_is_said(both):
    widths = both.widths
    x = widths.position_mm
    assert _gaps([replace(widths, width_mm=np.where((x > 10) & (x < 10.8), np.nan, 1.0))]) == []
    (note,) = _gaps([replace(widths, width_mm=np.where(((x > 10) & (x < 12)) | (x > 25), np.nan, 1.0))])
    assert note.severity == "caution"
    found = [float(t) for t in re.findall(r"\d+\.\d", note.text)]
    # The unmeasured end beyond 25 mm lies outside every figure's span.
    assert found == pytest.approx([10.0, 12.0], abs=0.2)
    # Two photos with nothing between them, the second's first station without a line: the merge has told of it.
    apart = np.where(x > 15, x + 18.0, x)
    lost = np.where((x > 15) & (x < 15.2), np.nan, 1.0)
    assert _gaps([replace(widths, position_mm=apart, width_mm=lost)]) == []


def test_repeatability_is_one_more_source_of_each_photo(whole):
    short = cut(whole, 0.0, 12.0, "short.png")
    plain, wide = (measure_sides((Side((short,), FACTS),), Settings(repeatability_mm=r)) for r in (0.0, 0.02))
    assert "repeatability of the method" not in plain.widths.systematic_u_mm
    assert np.array_equal(plain.thickness.thickness_mm, wide.thickness.thickness_mm, equal_nan=True)
    # Without readings a common width error r moves T by 2 r sin a, in quadrature with the rest.
    assert wide.budget.total_mm**2 - plain.budget.total_mm**2 == pytest.approx((2 * 0.02 * math.sin(math.radians(15))) ** 2, rel=1e-6)


@pytest.mark.parametrize(
    ("landmarks", "same", "words"),
    [((None, 4.0), False, "landmark"), ((4.0, math.nan), False, "landmark"), ((4.0, 4.0), True, "same picture")],
)
def test_refused_before_any_work(whole, turned_over, landmarks, same, words):
    photos = (whole, whole if same else turned_over)
    with pytest.raises(DeclarationError, match=words):
        measure_sides(tuple(Side((p,), FACTS, at) for p, at in zip(photos, landmarks, strict=True)))


def test_nothing_to_measure_and_an_impossible_repeatability():
    with pytest.raises(DeclarationError, match="photo"):
        measure([], FACTS)
    for wrong in (-0.001, 0.6, math.nan):
        with pytest.raises(DeclarationError, match="--repeatability"):
            Settings(repeatability_mm=wrong)


def test_another_angle_needs_no_new_search(whole):
    """From the same lines, another angle gives what a whole new measurement gives, bit for bit."""
    other = replace(FACTS, included_angle_deg=34.0)
    assert other.of_the_view == FACTS.of_the_view
    side = Side((whole,), other)
    again = conclude((side,), ((sight(whole, FACTS),),), Settings())
    afresh = measure((whole,), other)
    assert again.widths == afresh.widths
    assert again.thickness == afresh.thickness
    assert again.zones == afresh.zones
