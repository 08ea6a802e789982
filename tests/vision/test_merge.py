import math
from dataclasses import replace

import numpy as np
import pytest

from vision.declared import Declared, Reading
from vision.errors import DeclarationError
from vision.merge import both_faces, compare, is_shared, merge, onto_arc
from vision.thickness import estimate, estimate_faces


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
    assert "+20 µm" in notes[0].text


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
    assert set(turned.systematic_u_mm) == {"print X", "height, other side"}


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
