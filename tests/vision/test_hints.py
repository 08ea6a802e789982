"""Guide points and drawn lines: they change where the searches look, never the fit, and are refused where they cannot be true."""

from __future__ import annotations

import math
import re
from dataclasses import replace

import numpy as np
import pytest
from scipy.special import ndtr

from vision import flags, lane
from vision.declared import Declared, Reading
from vision.errors import DeclarationError
from vision.flags import StationFlag
from vision.hints import DeclaredScale, Guide, Hints, LineKind, pointing_px
from vision.measure import Side, measure_sides
from vision.sighting import sight
from vision.steering import guide_on, line_guide
from vision.straighten import StraightStrip

FACTS = Declared(
    included_angle_deg=30,
    edge_height_mm=0.0,
    edge_height_tolerance_mm=0.0,
    camera_distance_mm=1000,
    camera_distance_tolerance_mm=100,
    printed_bar_mm=(100.0, 100.0),
    printed_bar_tolerance_mm=0.0,
)
# Of the drawn photo: 60 px/mm, the strip's near side 14 mm down, the apex 4.5 mm above it, a seen width of 0.9 mm.
APEX_Y, SHOULDER_Y, WIDTH = (14.0 - 4.5) * 60, (14.0 - 5.4) * 60, 0.9 / math.cos(math.radians(15))


def guides(*points):
    return Hints(tuple(Guide(LineKind(line), x, y) for line, x, y in points))


def errors_um(seen):
    return 1000 * np.abs(seen.widths(FACTS).width_mm - WIDTH)


def with_pencil_line(drawn):
    """A dark line drawn on the lane, parallel to the edge and 1.5 mm before it: the first connected line is not the apex."""

    class Pencilled(drawn):
        def linear(self):
            picture = super().linear()
            row = round(APEX_Y + 1.5 * 60)
            picture[row - 4 : row + 4] *= 0.35
            return picture

    return Pencilled()


def with_split_bevel(drawn, share, dim=0.62, **more):
    """A bevel in two tones, `dim` times darker from `share` of its width on: which step is the shoulder is a matter of opinion."""
    surfaces = {"lane": (0.1, 0.1, 0.1), "cheek": (0.19, 0.19, 0.2), "noise": 0.01} | more

    class Split(drawn):
        def linear(self):
            upper = drawn(**surfaces, bevel=tuple(dim * v for v in self.bevel)).linear()
            rows = np.arange(len(upper))[:, None, None]
            # The border is as blurred as the rest of the picture.
            lower = ndtr((rows - (APEX_Y - share * 54)) / self.blur_px)
            return lower * super().linear() + (1 - lower) * upper

    return Split(**surfaces)


def test_guides_on_the_lines_change_no_figure(drawn):
    photo = drawn().photo()
    free = sight(photo, FACTS)
    held = sight(photo, FACTS, hints=guides(("apex", 700, APEX_Y + 3), ("shoulder", 900, SHOULDER_Y - 2)))
    assert np.nanmax(np.abs(free.widths(FACTS).width_mm - held.widths(FACTS).width_mm)) < 0.001, "a twentieth of a px"
    marked = (held.lines.flags & StationFlag.BY_HAND) > 0
    x = held.lines.apex_px[:, 0]
    assert marked[(np.abs(x - 900) < 55) | (np.abs(x - 700) < 55)].all()
    assert not marked[(np.abs(x - 900) > 70) & (np.abs(x - 700) > 70)].any()


def test_a_guide_far_from_the_coarse_apex_steers_it_too(drawn, monkeypatch):
    """One point brings the whole edge over from the pencil line, tens of px away and along the whole frame."""
    photo = with_pencil_line(drawn).photo()
    assert np.nanmedian(errors_um(sight(photo, FACTS))) < 3.0, "what lies behind it tells it from an edge"
    monkeypatch.setattr(lane, "paper_border", lambda *args: -2)
    wrong = sight(photo, FACTS)
    assert np.nanmedian(np.abs(wrong.lines.apex_px[:, 1] - APEX_Y)) > 40
    right = sight(photo, FACTS, hints=guides(("apex", 900, APEX_Y)))
    assert np.nanpercentile(np.abs(right.lines.apex_px[:, 1] - APEX_Y), 99) < 0.3
    assert np.nanmedian(errors_um(right)) < 3.0


@pytest.mark.parametrize("line", [((100.0, APEX_Y + 6), (1700.0, APEX_Y - 6)), ((700.0, APEX_Y + 3), (1100.0, APEX_Y - 3))])
def test_a_line_drawn_along_the_edge_helps_beside_the_strip_too(drawn, line):
    """Over its whole length or a piece of it; drawn lines are no guide points, so nothing is marked as by hand."""
    seen = sight(with_pencil_line(drawn).photo(), FACTS, hints=Hints(along_px=line))
    assert np.nanpercentile(np.abs(seen.lines.apex_px[:, 1] - APEX_Y), 99) < 0.3
    assert not ((seen.lines.flags & StationFlag.BY_HAND) > 0).any()


def test_of_several_photos_only_the_one_pointed_at_is_steered(drawn):
    photos = tuple(drawn(seed=s).photo(name=f"{s}.png") for s in (1, 2))
    result = measure_sides((Side(photos, FACTS, hints=(None, guides(("shoulder", 900, SHOULDER_Y)))),))
    assert [bool(p.hints.guides) for p in result.photos] == [False, True]
    (note,) = [n for n in result.notes if n.code == "by-hand"]
    assert "2.png by shoulder:900,516" in note.text
    assert "1.png" not in note.text


@pytest.mark.parametrize("share", [0.4, 0.6])
def test_either_line_of_a_split_bevel_can_be_pointed_out(drawn, share):
    photo = with_split_bevel(drawn, share).photo()
    for y in (SHOULDER_Y, APEX_Y - share * 54):
        seen = sight(photo, FACTS, hints=guides(*(("shoulder", x, y) for x in (300, 900, 1500))))
        off = np.abs(seen.lines.shoulder_px[:, 1] - y)
        x = seen.lines.apex_px[:, 0]
        for at in (300, 900, 1500):
            assert np.nanmax(off[np.abs(x - at) < 55]) < pointing_px((photo.width_px, photo.height_px))
        assert np.nanmedian(off) < 1.5
        held = (seen.lines.flags & StationFlag.BY_HAND) > 0
        assert not (seen.lines.flags[held] & StationFlag.RIVAL_LINE).any()


def test_a_guide_where_there_is_no_line_says_so(drawn):
    """The corridor holds the search; the fit then runs to the nearest step, and the result says that the point was missed."""
    seen = sight(drawn().photo(), FACTS, hints=guides(("shoulder", 900, SHOULDER_Y - 60)))
    assert "guide-missed" in [n.code for n in seen.notes]


def test_a_shoulder_farther_than_any_usual_bevel_can_be_pointed_out(drawn):
    """4.2 mm, 252 px: past the 3.2 mm of blade that are looked at without a guide."""
    one = drawn(seen_width_mm=4.2, edge_mm=3.0)
    y = (14.0 - 3.0 - 4.2) * 60
    seen = sight(one.photo(), FACTS, hints=guides(("shoulder", 900, y)))
    assert np.nanmedian(np.abs(seen.lines.shoulder_px[:, 1] - y)) < 0.5


@pytest.mark.parametrize(
    ("line", "x", "y", "what"),
    [
        ("shoulder", 900, APEX_Y + 30, "lane side"),
        ("apex", 900, 14 * 60 + 40, "printed strip"),
        ("apex", 2400, 500, "outside"),
        ("shoulder", 900, -3, "outside"),
    ],
)
def test_a_guide_that_cannot_be_true_is_refused_in_a_sentence(drawn, line, x, y, what):
    with pytest.raises(DeclarationError, match=what) as refused:
        sight(drawn().photo(), FACTS, hints=guides((line, x, y)))
    assert "\n" not in str(refused.value)
    assert f"{line}:{x:g},{y:g}" in str(refused.value)


def test_the_result_says_that_it_was_corrected_by_hand(drawn):
    photo = drawn().photo()
    hints = guides(("shoulder", 900, SHOULDER_Y))
    result = measure_sides((Side((photo,), FACTS, hints=(hints,)),))
    assert result.corrected_by_hand
    assert result.photos[0].hints == hints
    (note,) = [n for n in result.notes if n.code == "by-hand"]
    assert "shoulder:900,516" in note.text
    assert any("by-hand" in flags.names(int(f)) for f in result.widths.flags)
    free = measure_sides((Side((photo,), FACTS),))
    assert not free.corrected_by_hand
    assert "by-hand" not in [n.code for n in free.notes]


def test_hints_for_another_number_of_photos_are_refused(drawn):
    with pytest.raises(DeclarationError, match="2 photos"):
        Side((drawn().photo(),), FACTS, hints=(None, None))


@pytest.mark.parametrize(
    "make",
    [
        lambda: Guide(LineKind.APEX, math.nan, 3.0),
        lambda: Hints(along_px=((1.0, 2.0),)),
        lambda: Hints(along_px=((1.0, 2.0), (1.0, 2.0))),
        lambda: Hints(along_px=((1.0, 2.0), (math.inf, 2.0))),
        lambda: DeclaredScale(0.0, 0.01, ""),
        lambda: DeclaredScale(50.0, -0.1, ""),
        lambda: DeclaredScale(50.0, math.nan, ""),
    ],
)
def test_hints_are_checked_once(make):
    with pytest.raises(DeclarationError):
        make()


def test_guides_are_joined_where_their_stretches_meet():
    guide = line_guide(np.array([[100.0, 20.0], [180.0, 28.0]]), np.full(400, 5.0), 60.0, 4.0)
    assert guide.row[140] == pytest.approx(24.0)
    assert np.isfinite(guide.row).sum() == 80 + 2 * 60 + 1
    assert list(np.flatnonzero(guide.points)) == [100, 180]
    assert guide.course[399] == pytest.approx(28.0)


def test_a_second_line_nearly_as_good_is_reported_with_what_it_would_mean(drawn):
    """Taken and named together are the two steps of the bevel: 0.9 mm seen, and the split."""
    share = 0.6
    photo = with_split_bevel(drawn, share, 0.63, cheek=(0.33, 0.33, 0.34)).photo()
    result = measure_sides((Side((photo,), FACTS),))
    flagged = (result.widths.flags & StationFlag.RIVAL_LINE) > 0
    assert result.alternatives
    named = np.zeros(flagged.size, bool)
    for found in result.alternatives:
        named |= (result.widths.position_mm >= found.start_mm) & (result.widths.position_mm <= found.end_mm)
        assert sorted([found.width_mm, found.taken_mm]) == pytest.approx([share * WIDTH, WIDTH], abs=0.04)
        assert found.thickness_mm == pytest.approx(2 * found.width_mm * math.sin(math.radians(15)), rel=0.02)
        assert found.share > 0.85
        y = {round(share * WIDTH, 2): APEX_Y - share * 54, round(WIDTH, 2): SHOULDER_Y}
        assert np.median(found.line_px[:, 1]) == pytest.approx(min(y.items(), key=lambda one: abs(one[0] - found.width_mm))[1], abs=2.0)
    assert named[flagged].mean() > 0.9
    (note,) = [n for n in result.notes if n.code == "rival-line"]
    assert f"{result.alternatives[0].width_mm:.2f}" in note.text
    # Pointed out, the doubt is gone where the person pointed.
    hints = guides(*(("shoulder", x, SHOULDER_Y) for x in range(100, 1800, 100)))
    told = measure_sides((Side((photo,), FACTS, hints=(hints,)),))
    assert not told.alternatives
    assert np.nanmedian(np.abs(told.widths.width_mm - WIDTH)) < 0.01


def test_a_reading_that_agrees_with_the_second_line_says_where_to_point(drawn):
    """And the point it names leads there; a reading that agrees with the line taken, or with neither, says nothing of the kind."""
    photo = with_split_bevel(drawn, 0.6, 0.63, cheek=(0.33, 0.33, 0.34)).photo()
    found = max(measure_sides((Side((photo,), FACTS),)).alternatives, key=lambda a: a.end_mm - a.start_mm)
    middle = round((found.start_mm + found.end_mm) / 2, 1)

    def told(thickness_mm):
        declared = replace(FACTS, readings=(Reading(middle, round(thickness_mm, 2)),))
        notes = measure_sides((Side((photo,), declared),)).notes
        return [n for n in notes if n.code == "reading-on-second-line"]

    (note,) = told(found.thickness_mm)
    assert f"{found.thickness_mm:.2f} mm" in note.text
    x, y = map(float, re.search(r"--guide shoulder:(\d+),(\d+)", note.remedy).groups())
    steered = measure_sides((Side((photo,), FACTS, hints=(guides(("shoulder", x, y)),)),)).widths
    near = np.abs(steered.position_mm - middle) < 0.5
    assert np.nanmedian(steered.width_mm[near]) == pytest.approx(found.width_mm, abs=0.03)
    taken = found.thickness_mm * found.taken_mm / found.width_mm
    assert not told(taken)
    assert not told(2.0 * max(taken, found.thickness_mm))


def test_no_second_line_no_alternative(drawn):
    result = measure_sides((Side((drawn().photo(),), FACTS),))
    assert result.alternatives == ()
    assert "rival-line" not in [n.code for n in result.notes]


def test_second_lines_name_the_photo_that_they_lie_in(drawn):
    clear, split = drawn().photo(name="clear.png"), with_split_bevel(drawn, 0.6, 0.63, cheek=(0.33, 0.33, 0.34)).photo(name="split.png")
    result = measure_sides((Side((clear, split), FACTS),))
    assert {result.photos[a.photo].name for a in result.alternatives} == {"split.png"}


def straight_strip(columns=600, rows=300, apex=60):
    """A blank strip straightened along a level line from (100, 400), the blade above it."""
    base = np.column_stack([100.0 + np.arange(columns), np.full(columns, 400.0)])
    blank = np.zeros((rows, columns), bool)
    return StraightStrip(np.zeros((rows, columns, 3), np.float32), blank, float(apex), base, np.tile([0.0, -1.0], (columns, 1)), ~blank)


@pytest.mark.parametrize(("x", "weight"), [(100 - 60, np.exp(-1 / 25)), (699 + 120, np.exp(-4 / 25)), (400, 1.0)])
def test_a_guide_past_the_end_says_how_wide_the_bevel_is_there(x, weight):
    """A shoulder far from the edge is easily pointed at a little beyond the end of what was drawn; 60 px/mm, its word fades over 5 mm."""
    guide = guide_on(straight_strip(), guides(("shoulder", x, 320)), LineKind.SHOULDER, np.full(600, 60.0), (60.0, 6.0))
    assert guide.course == pytest.approx(140.0)
    assert guide.weight.max() == pytest.approx(weight, rel=1e-6)
    assert np.isfinite(guide.row).any() == (x in (40, 400)), "the corridor reaches a millimetre"


def test_a_guide_far_past_the_end_is_refused():
    with pytest.raises(DeclarationError, match="beyond the end of the edge"):
        guide_on(straight_strip(), guides(("shoulder", 1100, 320)), LineKind.SHOULDER, np.full(600, 60.0), (60.0, 6.0))
