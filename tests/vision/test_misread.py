"""A first line that is not the edge: the shoulder before a lane as bright as the bevel, the border of the strip's paper."""

import copy
from dataclasses import replace

import numpy as np
import pytest

from vision import deeper, lane, sighting
from vision.checks import Verdict
from vision.declared import Declared
from vision.errors import EdgeNotFound
from vision.flags import StationFlag
from vision.lane import curve_along
from vision.sighting import sight

EDGE_MM, CUT_MM, DECLARED = 4.5, 3.1, Declared(included_angle_deg=30)
COATING, CLOTH, GREY = (0.03, 0.03, 0.032), (0.05, 0.05, 0.052), (0.3, 0.3, 0.31)


@pytest.fixture
def canvas(hopeless):
    return hopeless.Canvas(hopeless.WHITE)


def blade(canvas, width_mm, bevel=0.5, cheek=COATING, card=None, lines=0.05):
    """A ground bevel before a cheek, on a lane that is the strip's own paper, or a `card` of that colour where the paper was cut."""
    c = copy.deepcopy(canvas)
    if card is not None:
        c.cover(c.y - CUT_MM, card)
    light = bevel * (1.0 + lines * c.rng.standard_normal((1, c.x.shape[1], 1)))
    return c.cover(c.y - EDGE_MM, light).cover(c.y - EDGE_MM - width_mm, cheek)


def mistaken(monkeypatch, off_px):
    """The coarse search takes the line `off_px` behind the one it finds."""
    found = lane.find_apex

    def wrong(*args, **kwargs):
        curve = found(*args, **kwargs)
        px = curve.curve_px + off_px * curve.inward_px
        return replace(curve_along(px, curve.inward_px), path_mm=None)

    monkeypatch.setattr(sighting.lane, "find_apex", wrong)


def widths_mm(seen):
    return np.nanmedian(seen.widths(DECLARED).width_mm)


def led_to_the_shoulder(monkeypatch, width_mm, share=lambda x_mm: 1.0):
    """The coarse search follows the shoulder, on a `share` 0..1 of the way, both by place along the photo (mm)."""
    find = lane.find_apex

    def led(*args, **kwargs):
        curve = find(*args, **kwargs)
        x = curve.curve_px[:, 0] / 60.0
        return replace(curve, curve_px=curve.curve_px + (share(x) * width_mm(x) * 60.0)[:, None] * curve.inward_px)

    monkeypatch.setattr(sighting.lane, "find_apex", led)


@pytest.mark.parametrize("mirrored", [False, True])
def test_a_line_that_is_the_edge_here_and_the_shoulder_there(monkeypatch, drawn, mirrored):
    """Along three fifths of the photo the coarse search follows the shoulder, where a cheek like a dark mirror outshines a weak apex."""
    width_mm, length_mm = 1.2, 30.0
    led_to_the_shoulder(
        monkeypatch,
        lambda x: width_mm,
        lambda x: np.clip(0.6 * length_mm / 2.0 - (length_mm - x if mirrored else x) / 2.0, 0.0, 1.0),
    )
    surfaces = {"lane": (0.7, 0.7, 0.68), "bevel": (0.5, 0.48, 0.5), "cheek": (0.05, 0.05, 0.05), "grind": 0.03}
    seen = sight(drawn(seen_width_mm=width_mm, **surfaces).photo(), DECLARED)
    width = np.linalg.norm(seen.lines.shoulder_px - seen.lines.apex_px, axis=1) / 60.0
    # Two fifths of the edge without it.
    assert np.isfinite(width).mean() > 0.9
    assert np.nanmedian(width) == pytest.approx(width_mm, abs=0.005)
    for end in (width[:20], width[-20:]):
        assert np.isfinite(end).mean() > 0.8
        assert np.nanmax(np.abs(end - width_mm)) < 0.02
    note = next(n for n in seen.notes if n.code == "edge-taken-anew")
    assert "the edge on a part of the photo only" in note.text
    assert "1.20 mm nearer to the strip" in note.text
    # Where the first line was left, another may be the edge.
    assert 0.4 < ((seen.lines.flags & int(StationFlag.RIVAL_LINE)) > 0).mean() < 0.7


def test_an_edge_read_anew_has_rows_enough_for_its_bevel(monkeypatch, drawn):
    """A bevel that widens to 3 mm, whose shoulder was taken for the edge before a coating."""
    at = np.arange(1800) / 60.0
    width = (1.2 + 1.8 * at / 30.0).astype(np.float32)
    led_to_the_shoulder(monkeypatch, lambda x: 1.2 + 1.8 * x / 30.0)
    seen = sight(drawn(seen_width_mm=width, bevel=(0.5, 0.48, 0.5), cheek=COATING, grind=0.05).photo(), DECLARED)
    found = np.linalg.norm(seen.lines.shoulder_px - seen.lines.apex_px, axis=1) / 60.0
    off = found - np.interp(seen.lines.apex_px[:, 0] / 60.0, at, width)
    assert np.isfinite(off).mean() > 0.95
    assert np.nanmax(np.abs(off)) < 0.05


@pytest.mark.parametrize("width_mm", [0.5, 0.9])
def test_a_shoulder_taken_for_the_edge_before_a_coating(monkeypatch, canvas, hopeless, width_mm):
    photo = blade(canvas, width_mm).photo("shoulder")
    straight = widths_mm(sight(photo, DECLARED))
    mistaken(monkeypatch, width_mm * hopeless.PX_PER_MM)
    seen = sight(photo, DECLARED)
    assert widths_mm(seen) == pytest.approx(straight, abs=0.004)
    note = next(n for n in seen.notes if n.code == "edge-taken-anew")
    assert f"{width_mm:.2f} mm before it" in note.text
    assert "the first line beyond the strip is no edge" in note.text


def test_what_is_dark_from_its_edge_on_stays_refused(canvas):
    """A black card on paper with a shadow at its foot: a line before it, and no bevel."""
    before = np.maximum(EDGE_MM - canvas.y, 0.0)
    canvas.shade(1.0 - 0.4 * np.exp(-before / 0.3)).cover(canvas.y - EDGE_MM, COATING)
    with pytest.raises(EdgeNotFound):
        sight(canvas.photo("card"), DECLARED)


def test_a_card_before_a_black_bevel_is_not_taken_for_one(canvas):
    """The border of the paper was passed; the line before the bevel is that border."""
    with pytest.raises(EdgeNotFound, match="bevel-dark"):
        sight(blade(canvas, 0.9, 0.02, (0.6, 0.6, 0.6), (0.1, 0.35, 0.2)).photo("black-bevel"), DECLARED)


@pytest.mark.parametrize(("card", "cheek"), [(CLOTH, 0.35), (GREY, COATING)])
def test_the_border_of_the_paper_is_passed(canvas, card, cheek):
    seen = sight(blade(canvas, 0.6, 0.5, cheek, card).photo("cut"), DECLARED)
    assert widths_mm(seen) == pytest.approx(widths_mm(sight(blade(canvas, 0.6, 0.5, cheek).photo("plain"), DECLARED)), abs=0.006)


@pytest.mark.parametrize("bevel", [0.4, 0.5])
def test_a_paper_border_before_a_bevel_too_narrow_to_see_is_asked_about(monkeypatch, canvas, hopeless, bevel):
    """Where the cues do not tell a card from a bevel; behind its far border lie two lines four px apart."""
    monkeypatch.setattr(lane, "paper_border", lambda *args: 0)
    photo = blade(canvas, 5.0 / hopeless.PX_PER_MM, bevel, COATING, GREY, lines=0.02).photo("hairline")
    with pytest.raises(EdgeNotFound, match="may be the edge, or the border of the strip's paper") as refused:
        sight(photo, DECLARED)
    assert "guide point" in refused.value.remedy


def test_where_nothing_tells_the_edge_from_the_papers_border_every_station_says_so(monkeypatch, canvas):
    """A black bevel before a black coating: the card's far border is the last line, the edge or the shoulder."""
    monkeypatch.setattr(lane, "paper_border", lambda *args: 0)
    seen = sight(blade(canvas, 0.4, 0.09, (0.085, 0.085, 0.09), GREY).photo("one-line"), DECLARED)
    assert "paper-or-edge" in {n.code for n in seen.notes}
    measured = np.isfinite(seen.lines.shoulder_px).all(axis=1)
    assert measured.mean() > 0.9
    assert ((seen.lines.flags[measured] & int(StationFlag.RIVAL_LINE)) > 0).all()


@pytest.mark.parametrize(("border", "doubted"), [(True, True), (True, False), (False, True)])
def test_a_lone_line_that_may_be_the_papers_border_must_not_be_doubted_besides(monkeypatch, canvas, border, doubted):
    """An empty grey card behind the strip's paper: specks of noise beyond its border had made a profile."""
    find, read = lane.find_apex, deeper.read

    def in_doubt(*args, **kwargs):
        reading = read(*args, **kwargs)
        found = tuple(replace(c, verdict=Verdict.CAUTION) if doubted and c.name == "edge-measured" else c for c in reading.found)
        return replace(reading, found=found)

    monkeypatch.setattr(sighting.lane, "find_apex", lambda *args, **kwargs: replace(find(*args, **kwargs), border=border))
    monkeypatch.setattr(deeper, "read", in_doubt)
    photo = blade(canvas, 0.6, 0.5, 0.3).photo("lone")
    if border and doubted:
        with pytest.raises(EdgeNotFound, match="as straight as the border of the strip's paper"):
            sight(photo, DECLARED)
    else:
        assert widths_mm(sight(photo, DECLARED)) == pytest.approx(0.6 / np.cos(np.radians(15)), abs=0.03)


def in_shadow(drawn, depth_mm=0.25, factor=0.5, **more):
    """A lamp behind a bright blade throws a hard shadow on the lane: as sharp as the edge, of the lane's own colour."""
    surfaces = {"lane": (0.4, 0.4, 0.39), "bevel": (0.65, 0.63, 0.66), "cheek": (0.35, 0.35, 0.36), "grind": 0.0} | more

    class Shadowed(drawn):
        def linear(self):
            picture = super().linear()
            start = round((14.0 - self.edge_mm) * 60)
            picture[start : start + round(depth_mm * 60)] *= factor
            return picture

    return Shadowed(**surfaces)


@pytest.mark.parametrize(("factor", "edge_mm"), [(0.3, 4.5), (0.5, 4.5), (0.65, 4.5), (0.5, 2.2)])
def test_a_narrow_hard_shadow_before_a_bright_bevel_is_not_measured_as_the_bevel(drawn, factor, edge_mm):
    """Lane, shadow, bevel, cheek: the shadow had been the bevel, 0.6 mm off, with every check fine. Also over the strip's print."""
    photo = in_shadow(drawn, factor=factor, edge_mm=edge_mm).photo()
    seen = sight(photo, DECLARED)
    apex_y = (14.0 - edge_mm) * 60
    assert np.nanmedian(np.abs(seen.lines.apex_px[:, 1] - apex_y)) < 1.0
    assert {"edge-taken-anew", "shadow-band"} & {n.code for n in seen.notes}
    shaded = (seen.lines.flags & int(StationFlag.SHADOW)) > 0
    assert shaded.mean() > 0.9
    # A dark facet would look the same.
    assert np.nanmedian(seen.lines.apex_systematic_px[shaded]) > 0.4 * 0.25 * 60


def test_a_dark_bevel_between_brighter_faces_stays_the_bevel(drawn):
    seen = sight(drawn(lane=(0.6, 0.6, 0.59), bevel=(0.25, 0.25, 0.24), cheek=(0.5, 0.5, 0.5)).photo(), DECLARED)
    assert "edge-taken-anew" not in {n.code for n in seen.notes}
    assert np.nanmedian(np.abs(seen.lines.apex_px[:, 1] - (14.0 - 4.5) * 60)) < 1.0
