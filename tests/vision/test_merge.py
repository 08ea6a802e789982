import math
from dataclasses import replace

import numpy as np
import pytest

from vision.declared import Declared, Reading
from vision.errors import DeclarationError
from vision.merge import (
    DISAGREEMENT_SOURCE,
    LANDMARK_SOURCE,
    LANDMARK_U_MM,
    both_faces,
    compare,
    is_shared,
    landmark_notes,
    merge,
    onto_arc,
)
from vision.thickness import estimate, estimate_faces, length_weights


def photo(blades, index, start, end, offset=0.0, local_u=0.003):
    x = np.arange(start, end, 0.1)
    systematic = {"print X": np.full(x.size, 0.002), "height": np.full(x.size, 0.003)}
    return blades.profile(x, 1.0 + 0.002 * x + offset, local_u=local_u, systematic=systematic, photo=index)


def test_three_photos_become_one_profile(blades):
    photos = [photo(blades, 2, 60, 100), photo(blades, 0, 0, 40), photo(blades, 1, 30, 70)]
    merged, overlaps, notes = merge(photos)
    assert (np.diff(merged.position_mm) > 0).all()
    np.testing.assert_allclose(merged.width_mm, 1.0 + 0.002 * merged.position_mm, atol=1e-12)
    np.testing.assert_allclose(np.diff(merged.arc_mm), np.diff(merged.position_mm), atol=1e-9)
    assert [(o.first, o.second) for o in overlaps] == [(0, 1), (1, 2)]
    assert all(o.agrees for o in overlaps)
    assert {n.code for n in notes} == {"overlap-agrees"}
    # One print, three heights.
    assert set(merged.systematic_u_mm) == {"print X", "height, photo 1", "height, photo 2", "height, photo 3"}
    assert (merged.systematic_u_mm["height, photo 2"] != 0).sum() == (merged.photo == 1).sum()
    # Each place is shown by the photo whose middle is nearer.
    assert (merged.photo[merged.position_mm < 34] == 0).all()
    assert (merged.photo[merged.position_mm > 66] == 2).all()


def test_photos_that_disagree_are_flagged_with_the_figure(blades):
    _, overlaps, notes = merge([photo(blades, 0, 0, 40), photo(blades, 1, 30, 70, offset=0.02)])
    assert overlaps[0].difference_mm == pytest.approx(0.02, abs=1e-6)
    # Height of each photo 3 um, the print is common; line fits 3 um over 10 mm: sqrt(sqrt(2 pi) 0.3 / 10) each.
    expected = math.sqrt(2 * 0.003**2 + 2 * 0.003**2 * math.sqrt(2 * math.pi) * 0.3 / 10)
    assert overlaps[0].u_mm == pytest.approx(expected, rel=0.02)
    assert notes[0].code == "overlap-disagrees"
    # U = 2 u: 8.8 um.
    assert notes[0].text.startswith("photo 2 shows the bevel 0.0200 ± 0.0088 mm wider")
    assert "than photo 1 does between 30.0 and 39.9 mm: more than both can tell" in notes[0].text
    assert "leave out the photo of another edge" in notes[0].remedy


def test_bands_of_photos_that_disagree_are_widened_until_they_include_it(blades):
    """Two photos 60 um apart, nobody knows which is right: the difference becomes its own expanded uncertainty, half of it in each."""
    pair = [photo(blades, 0, 0, 40), photo(blades, 1, 30, 70, offset=0.06)]
    merged, overlaps, _ = merge(pair)
    shifts = [merged.systematic_u_mm[f"{DISAGREEMENT_SOURCE}, photo {i}"] for i in (1, 2)]
    both = math.sqrt(overlaps[0].u_mm ** 2 + sum(float(s.max()) ** 2 for s in shifts))
    assert 2 * both == pytest.approx(0.06, rel=1e-6)
    # An error of the one photo is none of the other's.
    assert (shifts[0][merged.photo == 1] == 0).all()
    assert (shifts[1][merged.photo == 0] == 0).all()
    alone, _, _ = merge([photo(blades, 0, 0, 40), photo(blades, 1, 30, 70)])
    assert not any(name.startswith(DISAGREEMENT_SOURCE) for name in alone.systematic_u_mm)
    assert np.median(merged.width_u_mm) > 4 * np.median(alone.width_u_mm)


def test_readings_tell_which_of_two_disagreeing_photos_is_wrong(blades):
    """Good readings along the first photo: its thickness is left where it was, and the second's band still includes the truth."""
    merged, _, _ = merge([photo(blades, 0, 0, 40), photo(blades, 1, 30, 70, offset=0.06)])
    readings = tuple(Reading(at, round(_true(at), 2)) for at in (5.0, 15.0, 25.0))
    found = estimate(merged, Declared(included_angle_deg=30.0, angle_tolerance_deg=1.0, readings=readings)).profile
    off = np.abs(found.thickness_mm - _true(merged.position_mm))
    assert off[merged.photo == 0].max() < 0.02
    assert ((found.low_mm < _true(merged.position_mm)) & (_true(merged.position_mm) < found.high_mm)).all()


def _true(position):
    return 2 * (1.0 + 0.002 * position) * math.sin(math.radians(15.0))


def test_good_overlaps_are_rarely_flagged(blades):
    rng = np.random.default_rng(6)
    flagged = 0
    for _ in range(300):
        pair = []
        for i, (a, b) in enumerate(((0, 40), (30, 70))):
            p = photo(blades, i, a, b)
            noise = 0.003 * blades.wave(rng, p.width_mm.size, 0.1, 0.3) + 0.003 * rng.standard_normal()
            pair.append(replace(p, width_mm=p.width_mm + noise))
        flagged += not compare(*pair).agrees
    # k = 2: 4.6 % expected.
    assert flagged / 300 <= 0.08


def test_unmeasured_stations_are_filled_by_the_other_photo(blades):
    first, second = photo(blades, 0, 0, 40), photo(blades, 1, 30, 70)
    width = first.width_mm.copy()
    width[(first.position_mm > 31) & (first.position_mm < 33)] = math.nan
    merged, _, _ = merge([replace(first, width_mm=width), second])
    assert np.isfinite(merged.width_mm).all()
    assert (merged.photo[(merged.position_mm > 31.1) & (merged.position_mm < 32.9)] == 1).all()


def test_gaps_and_misuse(blades):
    _, overlaps, notes = merge([photo(blades, 0, 0, 20), photo(blades, 1, 30, 50)])
    assert overlaps == ()
    assert [n.code for n in notes] == ["gap"]
    one = photo(blades, 0, 0, 20)
    assert merge([one])[0] is one
    with pytest.raises(DeclarationError, match="own number"):
        merge([one, photo(blades, 0, 10, 30)])
    with pytest.raises(DeclarationError, match="no photo"):
        merge([])
    assert is_shared("Print, X")
    assert not is_shared("height")


def test_readings_in_one_photo_help_the_other(blades):
    merged, _, _ = merge([photo(blades, 0, 0, 40), photo(blades, 1, 30, 70)])
    d = Declared(included_angle_deg=30.0, angle_tolerance_deg=4.0)
    t = 2 * math.sin(math.radians(15)) * 1.02
    far = merged.position_mm > 50
    alone = estimate(merged, d).profile.u_mm[far].max()
    assert estimate(merged, replace(d, readings=(Reading(10.0, t), Reading(35.0, t)))).profile.u_mm[far].max() < 0.8 * alone


def test_the_other_side_comes_onto_one_arc(blades):
    # The blade is 60 mm; turned over, the strip runs the other way: a place s from the heel lies at 70 - s.
    x = np.arange(5.0, 55.0, 0.1)
    y = np.arange(12.0, 68.0, 0.1)
    first = blades.profile(x, 1.0 + 0.004 * x)
    other = blades.profile(y, 0.9 + 0.004 * (70.0 - y), systematic={"print X": 0 * y + 0.001, "height": 0 * y + 0.002})
    turned = onto_arc(first, other, (60.0, 10.0))
    ok = np.isfinite(turned.width_mm)
    np.testing.assert_allclose(turned.width_mm[ok], 0.9 + 0.004 * x[ok], atol=1e-9)
    assert ok.sum() > 480
    assert set(turned.systematic_u_mm) == {"print X", "height, other side", LANDMARK_SOURCE}
    # A landmark misread by 1 mm shows the width 1 mm farther on: 0.004 mm of it. Two readings of half a division each.
    assert pytest.approx(0.5 * math.sqrt(2) / math.sqrt(3)) == LANDMARK_U_MM
    np.testing.assert_allclose(np.abs(turned.systematic_u_mm[LANDMARK_SOURCE][ok]), 0.004 * LANDMARK_U_MM, rtol=1e-6)
    assert turned.source_u[LANDMARK_SOURCE] == (LANDMARK_U_MM, "mm")


def test_both_sides_add_up_each_with_its_own_angle(blades):
    x = np.arange(5.0, 55.0, 0.1)
    first, other = (
        blades.profile(x, np.full(x.size, 1.0)),
        blades.profile(x, np.full(x.size, 1.0 * math.sin(math.radians(15)) / math.sin(math.radians(17)))),
    )
    faces = both_faces(
        (first, Declared(included_angle_deg=30.0, cheek_angle_deg=0.0)),
        (other, Declared(included_angle_deg=34.0, cheek_angle_deg=0.0)),
        (5.0, 54.9),
    )
    p = estimate_faces(faces).profile
    np.testing.assert_allclose(p.thickness_mm[np.isfinite(p.thickness_mm)], 2 * math.sin(math.radians(15)), atol=1e-9)
    assert np.isfinite(p.thickness_mm).mean() > 0.99


@pytest.mark.parametrize(("angles", "which"), [((30.0, None), "2"), ((None, 34.0), "1"), ((None, None), "1 and 2")])
def test_a_side_without_an_angle_is_named(blades, angles, which):
    x = np.arange(5.0, 55.0, 0.1)
    one = blades.profile(x, np.full(x.size, 1.0))
    faces = both_faces(*((one, Declared(included_angle_deg=a)) for a in angles), (5.0, 54.9))
    with pytest.raises(DeclarationError, match=f"^no --angle of side {which} and no usable --caliper reading: "):
        estimate_faces(faces)


def test_height_and_lie_are_one_unknown_along_a_side_and_another_on_the_other():
    for name in ("edge height", "lie of the blade", "shoulder rounding"):
        assert is_shared(name)
        assert not is_shared(name, across_sides=True)
    for name in ("print scale X", "focal length", "camera distance", "radial term", "declared scale"):
        assert is_shared(name)
        assert is_shared(name, across_sides=True)
    for name in ("corners, tilt about x", "apex line", "shoulder line", "repeatability of the method"):
        assert not is_shared(name)


def test_a_photo_that_others_cover_leaves_no_row(blades):
    x = np.arange(0.0, 40.0, 0.1)
    parts = [blades.profile(x, np.ones(x.size), systematic={"apex line": np.full(x.size, 0.002)}, photo=i) for i in range(3)]
    merged, _, _ = merge(parts)
    seen = {f"apex line, photo {i + 1}" for i in np.unique(merged.photo)}
    assert {n for n in merged.systematic_u_mm if n.startswith("apex line")} == seen


def test_a_merged_side_keeps_units_and_the_mean_keeps_the_height(blades):
    parts = []
    for i, (a, b) in enumerate(((0, 40), (30, 70), (60, 100))):
        x = np.arange(a, b, 0.1)
        shifts = {"edge height": np.full(x.size, 0.004), "apex line": np.full(x.size, 0.002)}
        p = blades.profile(x, np.ones(x.size), local_u=0.0, systematic=shifts, photo=i)
        parts.append(replace(p, source_u={"edge height": (0.577, "mm"), "apex line": (0.3 + i, "px")}, angle_u_rad=0.01))
    merged, _, _ = merge(parts)
    assert merged.source_u == {"edge height": (0.577, "mm"), **{f"apex line, photo {i + 1}": (0.3 + i, "px") for i in range(3)}}
    assert merged.angle_u_rad == 0.01
    fit = estimate(merged, Declared(included_angle_deg=30.0))
    rows = {c.source: c for c in fit.contributions(np.full(merged.arc_mm.size, 1 / merged.arc_mm.size))}
    # Three photos of one height average nothing: 2 sin(15 deg) 4 um.
    assert rows["edge height"].mm == pytest.approx(2 * math.sin(math.radians(15)) * 0.004, rel=1e-9)
    turned = onto_arc(parts[0], parts[1], (0.0, 69.9))
    assert turned.source_u["edge height, other side"] == (0.577, "mm")


@pytest.mark.parametrize("bar", [99.0, 101.0])
def test_the_merged_arc_is_true_mm(blades, bar):
    # Bars of 99.0 mm: what the scale calls 114.9 mm is 113.75 mm of edge, seams included.
    parts = []
    for i, (a, b) in enumerate(((0.0, 45.0), (35.03, 80.0), (70.06, 115.0))):
        p = photo(blades, i, a, b)
        parts.append(replace(p, arc_mm=p.arc_mm * bar / 100))
    merged, _, _ = merge(parts)
    assert np.ptp(merged.arc_mm) == pytest.approx(np.ptp(merged.position_mm) * bar / 100, abs=1e-6)


def test_the_arc_runs_on_across_a_hole_in_the_apex(blades):
    # `vision.bevel` adds no arc where the apex is unknown; the scale still says how far it is.
    first, second = photo(blades, 0, 0, 40), photo(blades, 1, 30, 70)
    hole = (first.position_mm > 10) & (first.position_mm < 15)
    arc = np.concatenate([[0.0], np.cumsum(np.where((hole[1:] | hole[:-1]), 0.0, 0.099))])
    position = np.where(hole, math.nan, first.position_mm)
    merged, _, _ = merge([replace(first, arc_mm=arc, position_mm=position), replace(second, arc_mm=second.arc_mm * 0.99)])
    assert np.ptp(merged.arc_mm) == pytest.approx(0.99 * np.ptp(merged.position_mm), rel=1e-3)


def test_a_landmark_off_the_photos_is_said(blades):
    first, other = photo(blades, 0, 5, 55), photo(blades, 1, 12, 68)
    assert landmark_notes(first, other, (10.0, 60.0)) == ()
    found = landmark_notes(first, other, (2.0, 68.4))
    assert [n.code for n in found] == ["landmark-outside"] * 2
    assert "side 1 at 2 mm" in found[0].text
    assert "12.0 to 67.9" in found[1].text


def two_sided(blades, tolerances, angle=30.0):
    x = np.arange(5.0, 45.0, 0.2)
    w = blades.profile(x, np.full(x.size, 1.0), local_u=0.0, systematic={"print X": np.full(x.size, 0.004)})
    w = replace(w, source_u={"print X": (0.58, "%")})
    left, right = (Declared(included_angle_deg=angle, angle_tolerance_deg=t, cheek_angle_deg=0.0) for t in tolerances)
    return w, left, estimate_faces(both_faces((w, left), (w, right), (5.0, 44.8)))


def test_a_second_photo_tells_nothing_new_of_the_one_included_angle(blades):
    w, declared, both = two_sided(blades, (2.0, 2.0))
    one = estimate(w, declared)
    mean = length_weights(both.arc_mm, both.measured)
    single, double = ({c.source: c for c in f.contributions(mean)} for f in (one, both))
    assert double["angle per side, declared"].mm == pytest.approx(single["angle per side, declared"].mm, rel=1e-9)
    # Monte Carlo without linearisation: one included angle within 2 degrees, each side half of it.
    rng = np.random.default_rng(4)
    half = np.radians(15 + rng.uniform(-1, 1, 200000))
    spread = np.std(2 * math.cos(math.radians(15)) * np.tan(half))
    assert double["angle per side, declared"].mm == pytest.approx(spread, rel=0.01)
    # Each side's own change along the edge is apart: two of them average.
    drifts = [c.mm for k, c in double.items() if "change along the edge" in k]
    assert len(drifts) == 2
    assert math.hypot(*drifts) == pytest.approx(single["angle per side, change along the edge"].mm / math.sqrt(2), rel=1e-9)
    assert math.sqrt(sum(c.mm**2 for c in double.values())) == pytest.approx(both.mean(both.measured).u_mm, rel=1e-6)
    # One print error, 0.58 %, however many faces it moves.
    assert (double["print X"].u, double["print X"].unit) == (0.58, "%")
    assert abs(double["print X"].sensitivity) * 0.58 == pytest.approx(2 * math.sin(math.radians(15)) * 0.004, rel=1e-9)


def test_sides_that_declare_differently_keep_their_own_angle(blades):
    _, _, both = two_sided(blades, (2.0, 1.0))
    names = {s.name for s in both.sources}
    assert {"angle per side, declared, first side", "angle per side, declared, other side"} <= names
