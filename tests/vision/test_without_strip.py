"""Photos without the strip: the scale in three ways, the edge by a drawn line, and what must be refused. Drawn photos, exact truth."""

from __future__ import annotations

import math
from dataclasses import replace

import cv2
import numpy as np
import pytest
from scipy.ndimage import gaussian_filter1d

from tests.vision.drawn import Drawn
from vision.bevel import Pose, apex_points, widths
from vision.checks import Verdict, judge
from vision.declared import Declared, Reading
from vision.errors import DeclarationError, EdgeNotFound, PhotoRefused
from vision.finer import for_search
from vision.hints import DeclaredScale, Guide, Hints, LineKind
from vision.measure import Side, measure_sides
from vision.photo import open_photo
from vision.scales import between_points, declared_scale, find_ticks, rule_scale
from vision.sighting import sight
from vision.square_view import square_view

HALF = math.radians(15)
# A camera far away sees the drawing's parallel view.
FACTS = Declared(
    included_angle_deg=30,
    edge_height_mm=0.0,
    edge_height_tolerance_mm=0.0,
    camera_distance_mm=1000,
    camera_distance_tolerance_mm=100,
)
SCALE = DeclaredScale(60.0, 0.0, "drawn")
APEX_Y, SHOULDER_Y, WIDTH = (14.0 - 4.5) * 60, (14.0 - 5.4) * 60, 0.9 / math.cos(HALF)
LINE = ((60.0, APEX_Y + 9), (1700.0, APEX_Y - 8))


def bare(drawn, clutter=0.0, **more):
    """The drawn blade without its strip; `clutter` scatters stalks over what lies before it, as strong as the blade's own edge."""

    class Bare(drawn):
        def linear(self):
            picture = super().linear()
            top = round(12.5 * 60)
            picture[top:] = np.array(self.lane)
            rng = np.random.default_rng(self.seed)
            before = np.zeros(picture.shape[:2], np.float32)
            for _ in range(round(400 * clutter)):
                x, y, turn, size = rng.uniform(0, 1800), rng.uniform(APEX_Y - 40, 1440), rng.uniform(0, np.pi), rng.uniform(20, 160)
                end = (round(x + size * np.cos(turn)), round(y + size * np.sin(turn)))
                cv2.line(before, (round(x), round(y)), end, float(rng.uniform(0.2, 1.0)), int(rng.integers(2, 9)))
            before[: round(APEX_Y)] = 0.0
            picture += 0.5 * cv2.GaussianBlur(before, (0, 0), self.blur_px)[..., None]
            return picture + self.noise * rng.standard_normal(picture.shape)

    return Bare(**more)


def hints(line=LINE, scale=SCALE, cheek=(900.0, 330.0), guides=()):
    return Hints(tuple(guides), tuple(line), cheek, scale)


def errors_um(photo, declared=FACTS, truth=WIDTH, **more):
    return 1000 * np.abs(sight(photo, declared, hints=hints(**more)).widths(declared).width_mm - truth)


def rule(spacing_px, ticks=40, noise=0.01, dark=True, halves=0.0, turn=0.3, seed=1):
    """A photo of a rule's ticks across a line that runs at `turn` (rad); ticks are 12 % of the spacing wide, every fifth one longer."""
    rng = np.random.default_rng(seed)
    size = int(spacing_px * ticks) + 200
    y, x = np.mgrid[0:500, 0:size].astype(float)
    along = (x - 60) * math.cos(turn) + (y - 60) * math.sin(turn)
    across = -(x - 60) * math.sin(turn) + (y - 60) * math.cos(turn)

    def comb(offset, length):
        beat = (along - offset) / spacing_px
        off = np.abs(beat - np.rint(beat)) * spacing_px
        return np.clip(0.06 * spacing_px + 0.5 - off, 0, 1) * (np.abs(across) < length) * (along > -1) * (along < spacing_px * ticks)

    mark = np.maximum(comb(0.0, 60), halves * comb(spacing_px / 2, 20))
    light = 0.6 - 0.5 * mark if dark else 0.15 + 0.5 * mark
    light = cv2.GaussianBlur(light, (0, 0), 1.2) * (1 + 0.3 * x / size) + noise * rng.standard_normal(x.shape)
    code = 255 * np.clip(light, 0, 1) ** (1 / 2.2)
    photo = open_photo(cv2.imencode(".png", np.repeat(code[..., None], 3, axis=2).astype(np.uint8))[1].tobytes(), "rule.png")
    reach = min(spacing_px * (ticks - 2), 380 / math.sin(turn) if turn > 0 else 1e9)
    start = spacing_px * 1.4
    ends = tuple((60 + t * math.cos(turn), 60 + t * math.sin(turn)) for t in (start, reach))
    return photo, ends


@pytest.mark.parametrize("blur", [0.8, 1.5, 4.0])
def test_widths_are_true_whatever_the_blur(drawn, blur):
    """The blur comes from the edge's own fits here."""
    e = errors_um(bare(drawn, blur_px=blur, lane=(0.1, 0.1, 0.1)).photo())
    assert np.isfinite(e).mean() > 0.95
    assert np.nanmedian(e) < 3.0
    seen = sight(bare(drawn, blur_px=blur, lane=(0.1, 0.1, 0.1)).photo(), FACTS, hints=hints())
    assert seen.record.blur_px == pytest.approx(blur, rel=0.2)


def test_a_cheek_pointed_out_on_the_wrong_side_is_named_in_the_advice(drawn):
    """Bare lane has no bevel; what a person can mend is the point, not the lamp."""
    with pytest.raises(EdgeNotFound) as refusal:
        sight(bare(drawn, lane=(0.1, 0.1, 0.1)).photo(), FACTS, hints=hints(cheek=(900.0, APEX_Y + 180)))
    assert "look again at the line along the edge (--along) and the point on the cheek (--cheek)" in refusal.value.remedy


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_straw_before_the_blade_is_no_edge(drawn, seed):
    one = bare(drawn, clutter=1.0, seed=seed, lane=(0.06, 0.06, 0.03), bevel=(0.4, 0.4, 0.41), cheek=(0.6, 0.6, 0.6))
    seen = sight(one.photo(), FACTS, hints=hints())
    assert (np.abs(seen.lines.apex_px[:, 1] - APEX_Y) < 2.0).mean() > 0.95
    assert (np.abs(seen.lines.shoulder_px[:, 1] - SHOULDER_Y) < 2.0).mean() > 0.95


@pytest.mark.parametrize("off_px", [26.0, -26.0])
def test_a_hand_that_strays_between_points_it_placed_well(drawn, off_px):
    """The last stretch of the drawn line runs from beside the edge to the edge itself, steeper than any belly."""
    line = (60.0, APEX_Y), (700.0, APEX_Y + off_px), (1500.0, APEX_Y + off_px), (1700.0, APEX_Y)
    off = errors_um(bare(drawn, grind=0.05).photo(), line=line)
    assert np.nanpercentile(off, 99) < 12.0
    assert np.isfinite(off).mean() > 0.95


def test_a_hairline_keeps_apex_and_shoulder_apart(drawn):
    """8 px: both lines run along all of the drawn one, and the apex is the first."""
    one = bare(drawn, seen_width_mm=0.14, lane=(0.1, 0.1, 0.1), bevel=(0.55, 0.55, 0.57), cheek=(0.25, 0.25, 0.26))
    e = errors_um(one.photo(), truth=0.14 / math.cos(HALF))
    assert np.nanmedian(e) < 4.0


def test_turned_and_drawn_from_either_end(drawn):
    """Positions run from the line's first point; widths do not care, not even where the frame holds a mirror."""
    one = bare(drawn, lane=(0.1, 0.1, 0.1), rise_mm=1.0)
    ahead = sight(one.photo(), FACTS, hints=hints()).widths(FACTS)
    back = sight(one.photo(), FACTS, hints=hints(line=LINE[::-1])).widths(FACTS)
    assert (np.diff(ahead.position_mm) >= 0).all()
    assert (np.diff(back.position_mm) >= 0).all()
    length = math.dist(*LINE) / 60.0
    again = np.interp(length - ahead.position_mm[::-1], back.position_mm, back.width_mm)[::-1]
    inside = (ahead.position_mm > 1) & (ahead.position_mm < length - 1)
    assert np.nanmax(np.abs(again - ahead.width_mm)[inside]) < 0.002
    assert ahead.position_mm[np.argmin(np.abs(ahead.apex_px[:, 0] - 60 - 600))] == pytest.approx(10.0, abs=0.1)
    # A quarter turn to the left: x, y -> y, W - 1 - x.
    turned = [(y, 1799 - x) for x, y in (*LINE, (900.0, 330.0))]
    side = sight(one.photo(1), FACTS, hints=hints(line=turned[:2], cheek=turned[2])).widths(FACTS)
    assert np.nanmax(np.abs(np.interp(ahead.position_mm, side.position_mm, side.width_mm) - ahead.width_mm)[inside]) < 0.002


def test_band_says_what_a_declared_scale_costs(drawn):
    """Scale 2 %, square to within 10 degrees: u of a width is at least 2 %/sqrt 3 and tan 15 tan(10/sqrt 3) of it."""
    photo = bare(drawn, lane=(0.1, 0.1, 0.1)).photo()
    widths = sight(photo, FACTS, hints=hints(scale=declared_scale(60.0, 2.0))).widths(FACTS)
    shifts = {k: float(np.nanmedian(np.abs(v))) / WIDTH for k, v in widths.systematic_u_mm.items()}
    assert shifts["declared scale"] == pytest.approx(0.02 / math.sqrt(3), rel=0.03)
    tilt = math.radians(10) / math.sqrt(3)
    assert shifts["view off square, across the edge"] == pytest.approx(math.tan(HALF) * math.tan(tilt), rel=0.25)
    assert float(np.nanmedian(widths.width_u_mm)) / WIDTH > 0.025


def test_the_band_is_the_same_whichever_way_the_line_was_drawn(drawn):
    photo, off = bare(drawn, lane=(0.1, 0.1, 0.1)).photo(), "view off square, across the edge"
    each = [sight(photo, FACTS, hints=hints(line=line)).widths(FACTS).systematic_u_mm[off] for line in (LINE, LINE[::-1])]
    one, other = (float(np.nanmedian(np.abs(u))) / WIDTH for u in each)
    assert one == pytest.approx(other, rel=0.01)
    # The greater of both changes: an inclination of 15 degrees seen 10 / sqrt 3 degrees off.
    tilt = math.radians(10) / math.sqrt(3)
    assert one > math.tan(HALF) * math.tan(tilt)


@pytest.mark.parametrize("tilt_deg", [-8.0, 8.0])
def test_view_off_square_is_covered(drawn, tilt_deg):
    """A level face seen from a camera turned about the edge: w cos(15) becomes w cos(15 + tilt) in the photo, the declared view stays."""
    seen_mm = WIDTH * math.cos(HALF + math.radians(tilt_deg))
    photo = bare(drawn, lane=(0.1, 0.1, 0.1), seen_width_mm=seen_mm).photo()
    widths = sight(photo, FACTS, hints=hints()).widths(FACTS)
    assert float(np.nanmedian(np.abs(widths.width_mm - WIDTH))) > 0.015
    assert (np.abs(widths.width_mm - WIDTH) < 2 * widths.width_u_mm)[np.isfinite(widths.width_mm)].mean() > 0.95


def test_result_says_what_it_rests_on_and_takes_readings(drawn):
    photo = bare(drawn, lane=(0.1, 0.1, 0.1)).photo()
    true = 2 * WIDTH * math.sin(HALF)
    facts = Declared(
        included_angle_deg=30,
        edge_height_mm=0.0,
        camera_distance_mm=1000,
        readings=(Reading(10.0, round(true, 2)), Reading(20.0, round(true, 2))),
    )
    result = measure_sides((Side((photo,), facts, hints=(hints(),)),))
    assert result.scale_declared
    codes = [n.code for n in result.notes]
    assert "scale-declared" in codes
    # Which end is the tip no photo says: a rise would be looked for at the other one.
    assert "drawn-from-heel" in codes
    assert "print-assumed" not in codes
    assert result.thickness.fused
    assert not any(c.questioned for c in result.cross_checks)
    assert result.zones.main.mean.value_mm == pytest.approx(true, abs=0.01)
    bare_band = measure_sides((Side((photo,), FACTS, hints=(hints(scale=declared_scale(60.0, 2.0)),)),)).zones.main.mean
    assert abs(bare_band.value_mm - true) < 2 * bare_band.u_mm


def test_a_guide_decides_between_lines_near_the_drawn_one(drawn):
    photo = bare(drawn, lane=(0.1, 0.1, 0.1)).photo()
    guide = Guide(LineKind.SHOULDER, 900, SHOULDER_Y + 2)
    seen = sight(photo, FACTS, hints=hints(cheek=None, guides=(guide,)))
    assert np.nanmedian(np.abs(seen.lines.shoulder_px[:, 1] - SHOULDER_Y)) < 0.3


def marked(drawn, **more):
    """The bare blade with letters etched into its cheek, 1.3 to 2.2 mm beyond the shoulder: darker than anything else on the blade."""

    class Marked(bare(drawn).__class__):
        def linear(self):
            picture = super().linear()
            rng = np.random.default_rng(5)
            x = 80
            while x < 1720:
                letter, top = int(rng.integers(20, 60)), round(SHOULDER_Y - rng.uniform(112, 132))
                picture[top : round(SHOULDER_Y - rng.uniform(78, 88)), x : x + letter] *= 0.05
                x += letter + int(rng.integers(12, 50))
            return picture

    return Marked(lane=(0.1, 0.1, 0.1), **more)


@pytest.mark.parametrize("beyond_mm", [0.12, 1.0, 1.8, 2.6])
def test_cheek_point_may_lie_beside_the_shoulder_or_beyond_a_mark(drawn, beyond_mm):
    """Letters outshine the shoulder, but their step comes and goes along the edge."""
    one = marked(drawn, bevel=(0.5, 0.48, 0.52), cheek=(0.4, 0.4, 0.41))
    e = errors_um(one.photo(), cheek=(900.0, SHOULDER_Y - 60 * beyond_mm))
    assert np.isfinite(e).mean() > 0.95
    assert np.nanmedian(e) < 4.0


@pytest.mark.parametrize("xs", [(900,), (300, 1500)])
def test_shoulder_guides_alone_say_how_far_to_look(drawn, xs):
    """The windows of the search look beyond the guided shoulder, at a scale at which 3.2 mm of blade would end before it."""
    guides = tuple(Guide(LineKind.SHOULDER, x, SHOULDER_Y + 1) for x in xs)
    photo = bare(drawn, lane=(0.1, 0.1, 0.1)).photo()
    seen = sight(photo, FACTS, hints=hints(cheek=None, guides=guides, scale=DeclaredScale(15.0, 0.0, "drawn")))
    off = np.abs(seen.lines.shoulder_px[:, 1] - SHOULDER_Y)
    assert np.isfinite(off).mean() > 0.95
    assert np.nanmedian(off) < 0.2


def test_a_guide_off_the_drawn_stretch_is_left_out_and_said(drawn):
    """It lies on the blade, but the line was drawn elsewhere."""
    photo = bare(drawn, lane=(0.1, 0.1, 0.1)).photo()
    short, guides = ((60.0, APEX_Y), (1000.0, APEX_Y)), (Guide(LineKind.SHOULDER, 1600, SHOULDER_Y),)
    seen = sight(photo, FACTS, hints=hints(line=short, guides=guides))
    note = next(n for n in seen.notes if n.code == "guide-left-out")
    assert "1 of 1 guide points" in note.text
    assert np.nanmedian(np.abs(seen.lines.shoulder_px[:, 1] - SHOULDER_Y)) < 0.3
    used = sight(photo, FACTS, hints=hints(line=short, guides=(Guide(LineKind.SHOULDER, 1200, SHOULDER_Y),)))
    assert "guide-left-out" not in [n.code for n in used.notes]


@pytest.mark.parametrize(
    ("change", "what"),
    [
        ({"line": ()}, "--along"),
        ({"cheek": None}, "either side"),
        ({"cheek": (900.0, APEX_Y)}, "does not say"),
        ({"cheek": (900.0, 5000.0)}, "outside"),
        ({"line": ((-20.0, 500.0), (900.0, 500.0))}, "outside"),
        ({"guides": (Guide(LineKind.SHOULDER, 900, APEX_Y + 200),)}, "different sides"),
        ({"guides": (Guide(LineKind.APEX, 900, APEX_Y - 400),)}, "too far"),
    ],
)
def test_hints_that_do_not_go_together_are_refused_in_a_sentence(drawn, change, what):
    with pytest.raises(DeclarationError, match=what) as refused:
        sight(bare(drawn, lane=(0.1, 0.1, 0.1)).photo(), FACTS, hints=hints(**change))
    assert "\n" not in str(refused.value)


def test_no_edge_near_the_drawn_line_is_refused(drawn):
    with pytest.raises(EdgeNotFound, match="drawn line"):
        sight(bare(drawn).photo(), FACTS, hints=hints(line=((60.0, 1000.0), (1700.0, 1010.0))))


def test_two_photos_of_one_side_need_the_strip(drawn):
    photos = tuple(bare(drawn, seed=s).photo(name=f"{s}.png") for s in (1, 2))
    with pytest.raises(DeclarationError, match="meet"):
        Side(photos, FACTS, hints=(hints(), hints()))


@pytest.mark.parametrize(
    ("spacing", "more"),
    [
        (8.0, {}),
        (21.3, {}),
        (60.7, {"ticks": 20}),
        (30.2, {"dark": False}),
        (24.4, {"halves": 0.5}),
        (17.9, {"noise": 0.05}),
        (33.3, {"turn": 0.0}),
    ],
)
def test_ticks_of_a_rule(spacing, more):
    photo, ends = rule(spacing, **more)
    found = rule_scale(photo, ends)
    assert found.px_per_mm == pytest.approx(spacing, rel=1e-3)
    # EC class I over the ticks' length: 0.2 mm of it, rectangular, is most of the uncertainty.
    assert 0.2 / math.sqrt(3) / 45 < found.u_relative < 0.02


def test_spacing_of_the_ticks_is_the_persons_to_say():
    photo, ends = rule(25.0)
    assert rule_scale(photo, ends, 0.5).px_per_mm == pytest.approx(50.0, rel=1e-3)


@pytest.mark.parametrize("halves", [0.6, 0.8, 0.9])
@pytest.mark.parametrize("seed", [1, 2])
def test_half_millimetre_ticks_that_the_line_grazes_are_not_taken_for_the_spacing(halves, seed):
    photo, ends = rule(24.4, halves=halves, seed=seed)
    with pytest.raises(PhotoRefused, match="every second tick"):
        rule_scale(photo, ends)


@pytest.mark.parametrize("spacing", [5.5, 6.5, 10.5])
def test_ticks_that_fall_between_two_px_by_turns_are_of_one_kind(spacing):
    """Sharp ticks of a shrunken picture: every second one looks fainter at its top, and has the same area."""
    x, at = np.arange(900 * 8) / 8.0, 20 + spacing * np.arange(70)
    fine = 0.6 - 0.5 * (np.abs(x[:, None] - at) < 0.06 * spacing).any(axis=1)
    px = gaussian_filter1d(fine, 0.35 * 8).reshape(-1, 8).mean(axis=1)[: int(at[-1] - spacing)]
    ticks = find_ticks(np.interp(np.arange(0.0, len(px) - 1, 0.5), np.arange(len(px)), px))
    assert ticks.spacing_px == pytest.approx(spacing, rel=2e-3)
    assert not ticks.two_kinds


def test_growing_spacing_widens_the_scale():
    x = np.arange(3000) / 2.0
    for growth in (0.0, 0.04):
        k = np.arange(60)
        at = 20 + 22.0 * k * (1 + growth * k / 120)
        light = 0.6 - 0.4 * np.exp(-0.5 * ((x[:, None] - at) / 2.0) ** 2).sum(axis=1)
        ticks = find_ticks(light)
        assert ticks.growth == pytest.approx(growth * (ticks.count - 1) / 60, abs=0.004)


@pytest.mark.parametrize("kind", ["noise", "plain", "ramp", "few"])
def test_no_clear_period_is_refused(kind):
    rng = np.random.default_rng(5)
    n = 1200
    light = {
        "noise": 0.4 + 0.1 * rng.standard_normal(n),
        "plain": np.full(n, 0.5),
        "ramp": np.linspace(0.1, 0.9, n),
        "few": 0.5 - 0.3 * np.exp(-0.5 * ((np.arange(n)[:, None] - np.array([300, 700, 1000])) / 6.0) ** 2).sum(axis=1),
    }[kind]
    assert find_ticks(light) is None


def test_rule_refusals_are_sentences():
    photo, ends = rule(20.0)
    plain = open_photo(cv2.imencode(".png", np.full((300, 900, 3), 120, np.uint8))[1].tobytes(), "plain.png")
    with pytest.raises(PhotoRefused, match="even spacing"):
        rule_scale(plain, ((10, 10), (800, 200)))
    with pytest.raises(DeclarationError, match="outside"):
        rule_scale(photo, ((10, 10), (9000, 10)))
    with pytest.raises(DeclarationError, match="only"):
        rule_scale(photo, ((10, 10), (20, 10)))
    with pytest.raises(DeclarationError, match="ticks stand"):
        rule_scale(photo, ends, 0.0)


def test_two_points_and_a_length():
    """1000 px apart in a photo of 4000: pointing is good to 7.5 px, so u is sqrt(2) 7.5 / sqrt 3 / 1000, and 0.05 of 25.4 mm."""
    found = between_points(((100, 100), (700, 900)), 25.4, 0.05, (4000, 3000))
    assert found.px_per_mm == pytest.approx(1000 / 25.4)
    assert found.u_relative == pytest.approx(math.hypot(math.sqrt(2 / 3) * 7.5 / 1000, 0.05 / math.sqrt(3) / 25.4))
    with pytest.raises(DeclarationError, match="apart"):
        between_points(((100, 100), (150, 100)), 1.0, 0.1, (4000, 3000))
    with pytest.raises(DeclarationError, match="length"):
        between_points(((100, 100), (1500, 100)), math.nan, 0.1, (4000, 3000))


@pytest.mark.parametrize("outside", [(9900.0, 1700.0), (100.0, -30.0), (math.nan, 5.0), (4000.0, 10.0)])
def test_a_length_that_leaves_the_photo_is_refused(outside):
    for points in ((outside, (500.0, 100.0)), ((500.0, 100.0), outside)):
        with pytest.raises(DeclarationError, match="outside the photo, which is 4000 x 3000 px"):
            between_points(points, 41.1, 0.05, (4000, 3000))


@pytest.mark.parametrize("tolerance", [0.0, -1.0, math.nan, math.inf])
def test_a_scale_that_is_exactly_right_is_refused(tolerance):
    with pytest.raises(DeclarationError, match="--scale-tolerance"):
        declared_scale(50.0, tolerance)
    with pytest.raises(DeclarationError, match="--scale-tolerance"):
        between_points(((100, 100), (1500, 100)), 25.4, tolerance, (4000, 3000))


def test_a_softer_shoulder_is_no_refusal_without_the_strip():
    """Seen from the side, focus runs off across the bevel; beside the strip the same figure means something round."""
    soft = {"shoulder-soft": 0.2}
    assert [c.verdict for c in judge(soft) if c.name == "shoulder-soft"] == [Verdict.REFUSED]
    assert [c.verdict for c in judge(soft, strip=False) if c.name == "shoulder-soft"] == [Verdict.CAUTION]


def test_a_slip_in_the_scale_is_questioned(drawn):
    """Ten degrees and a scale five times too fine make 0.03 mm of a bevel 0.9 mm wide."""
    photo, facts = bare(drawn).photo(), replace(FACTS, included_angle_deg=10)
    for px_per_mm, said in ((60.0, False), (300.0, True)):
        m = measure_sides((Side((photo,), facts, hints=(hints(scale=declared_scale(px_per_mm, 2.0)),)),))
        assert ("thickness-uncommon" in [n.code for n in m.notes]) is said


@pytest.mark.parametrize("height_mm", [0.0, 5.0, 20.0])
def test_an_edge_above_the_rule_is_nearer_and_larger_in_px(height_mm) -> None:
    """Pinhole by hand: a rule 95 mm + h from the lens, the edge 95 mm from it."""
    photo, focal, near = Drawn().photo(), 6000.0, 95.0
    centre = np.array([(photo.width_px - 1) / 2, (photo.height_px - 1) / 2])
    x_mm = np.linspace(-12.0, 12.0, 49)
    apex = centre + np.column_stack([x_mm, np.full(len(x_mm), 2.0)]) * focal / near
    facts = Declared(included_angle_deg=30, edge_height_mm=height_mm, camera_distance_mm=near)
    scale = DeclaredScale(focal / (near + height_mm), 0.0, "a rule on the table")
    fit = square_view(photo, scale, (apex[[0, -1]], np.array([0.0, -1.0])), facts)
    assert fit.camera.focal_px == pytest.approx(focal)
    edge = apex_points(fit.camera, apex, height_mm)
    assert fit.position_mm(edge, apex) == pytest.approx(x_mm - x_mm[0], abs=1e-6)
    # A face 0.8 mm wide that rises toward the lens by the angle per side.
    depth = near - 0.8 * math.sin(HALF)
    shoulder = centre + np.column_stack([x_mm, np.full(len(x_mm), 2.0 - 0.8 * math.cos(HALF))]) * focal / depth
    assert widths(fit.camera, apex, shoulder, Pose.of(facts)) == pytest.approx(0.8, abs=1e-6)


@pytest.mark.parametrize("px", [1.0, 5.0, 30.0])
def test_a_line_too_short_to_show_how_the_edge_runs_is_refused(drawn, px) -> None:
    photo = bare(drawn).photo()
    with pytest.raises(DeclarationError, match="px long, too short to show how the edge runs"):
        sight(photo, FACTS, hints=hints(line=((900.0, APEX_Y), (900.0 + px, APEX_Y))))


def test_a_microscopes_scale_is_not_refused_for_one_that_nobody_gave(drawn) -> None:
    photo = bare(drawn).photo()
    scale = DeclaredScale(1200.0, 0.01, "a stage micrometer")
    given = hints(scale=scale)
    searched, pointed = for_search(photo, given)
    assert (searched, pointed) == (photo, given)
