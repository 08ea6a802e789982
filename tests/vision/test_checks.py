"""The photo checks: their registry, each measured figure on drawn photos, and photos that must be refused."""

import math
import os
from concurrent.futures import ThreadPoolExecutor

import numpy as np
import pytest

from vision import checks, examine
from vision.checks import CHECKS, Verdict
from vision.declared import Declared
from vision.errors import PhotoRefused
from vision.hints import Guide, Hints, LineKind
from vision.sighting import sight
from vision.straighten import srgb_to_linear_table

DECLARED = Declared(included_angle_deg=30.0, edge_height_mm=0.0, printed_bar_mm=(100.0, 100.0))


def by_name(found):
    return {c.name: c for c in found}


def test_none_of_the_hopeless_photos_gives_a_profile(hopeless):
    assert len(hopeless.NAMES) >= 30

    def measured(name: str) -> bool:
        try:
            sight(hopeless.photo(name), DECLARED)
        except PhotoRefused:
            return False
        return True

    # Drawing them takes longer than refusing them, and arrays leave the interpreter free for the next one.
    with ThreadPoolExecutor(os.cpu_count()) as pool:
        given = pool.map(measured, hopeless.NAMES)
    assert [name for name, yes in zip(hopeless.NAMES, given, strict=True) if yes] == []


@pytest.fixture(scope="module")
def good(drawn):
    return sight(drawn(grind=0.05).photo(), DECLARED)


def test_a_good_photo_passes_every_check(good):
    assert [c.name for c in good.checks] == [c.name for c in CHECKS]
    assert {c.verdict for c in good.checks} == {Verdict.FINE}
    assert good.record.checks == good.checks


def test_measured_figures_are_those_drawn(good):
    found = by_name(good.checks)
    # Seen width 0.9 mm at 60 px/mm over a blur of 1.1 px; the edge 4.5 mm from the strip over 30 mm of frame; the view is square.
    assert found["bevel-px"].measured == pytest.approx(54.0, abs=0.3)
    assert found["edge-blur"].measured == pytest.approx(54.0 / 1.1, rel=0.1)
    assert found["strip-far"].measured == pytest.approx(4.5, abs=0.05)
    assert found["edge-in-frame"].measured == pytest.approx(30.0, abs=0.2)
    assert found["strip-tilted"].measured < 0.05
    assert found["edge-measured"].measured > 0.98


def test_a_soft_blade_beside_a_sharp_strip_is_refused_by_its_blur(hopeless):
    with pytest.raises(PhotoRefused, match="edge-blur"):
        sight(hopeless.photo("blade-soft-behind-sharp-strip"), DECLARED)


@pytest.mark.parametrize("check", CHECKS, ids=lambda c: c.name)
def test_limits_are_in_order_and_decide(check):
    worse = 1.0 if check.bad == "above" else -1.0
    assert check.caution is not None
    assert check.judge(check.caution - worse * 1e-9).verdict is Verdict.FINE
    assert check.judge(check.caution + worse * 1e-9).verdict is Verdict.CAUTION
    if check.refuse is not None:
        assert worse * (check.refuse - check.caution) > 0
        assert check.judge(check.refuse + worse * 1e-9).verdict is Verdict.REFUSED
    assert check.judge(math.nan).verdict is Verdict.NOT_MEASURED


def test_a_caution_becomes_a_note_and_a_refusal_one_sentence():
    found = checks.judge({"strip-tilted": 30.0, "bevel-px": 5.0})
    assert [(n.code, n.text) for n in checks.notes(found)] == [
        ("strip-tilted", "angle between the line of sight and the strip's normal is 30° (limit 20°)")
    ]
    with pytest.raises(PhotoRefused) as refusal:
        checks.refuse("edge.jpg", found)
    assert str(refusal.value) == (
        "edge.jpg (bevel-px): width of the bevel is 5.0 px (limit 6 px), and an edge's own blur and its sharpening halo reach 3-5 px: "
        "within that no second line can be told from the first; go closer, or use a macro lens."
    )


def test_two_cautions_about_the_lines_refuse_a_photo():
    one = checks.judge({"faces-alike": 7.0, "strip-tilted": 30.0, "clipped": 0.9})
    checks.refuse("edge.jpg", one)
    with pytest.raises(PhotoRefused, match=r"faces-alike and apex-faint.*two of one photo are not"):
        checks.refuse("edge.jpg", checks.judge({"faces-alike": 7.0, "apex-faint": 0.6}))


def test_what_was_pointed_at_comes_first_in_the_advice_of_a_check_that_it_can_spoil():
    """A wrong cheek side or guide point leads to other lines, and then no lamp helps."""
    hints = Hints((Guide(LineKind.SHOULDER, 1.0, 2.0),), ((0.0, 0.0), (9.0, 0.0)), (3.0, 4.0))
    found = checks.judge({"faces-alike": 3.0, "strip-tilted": 30.0, "clipped": 0.9}, pointed=hints.pointed_at)
    with pytest.raises(PhotoRefused) as refusal:
        checks.refuse("edge.jpg", found)
    assert refusal.value.remedy == (
        "look again at the line along the edge (--along) and the point on the cheek (--cheek) and the guide point on the shoulder "
        "(--guide), which the search follows; if that is right, turn the lamp until bevel and cheek differ"
    )
    by_registry = {c.name: c.remedy for c in checks.CHECKS}
    assert all(c.remedy == by_registry[c.name] for c in found if c.name in ("strip-tilted", "clipped"))
    unpointed = checks.judge({"faces-alike": 3.0}, pointed=Hints().pointed_at)
    assert [c.name for c in unpointed if c.remedy != by_registry[c.name]] == ["faces-alike"]
    # Who has pointed at the shoulder is not told to.
    asked = next(c for c in unpointed if c.name == "faces-alike")
    assert asked.remedy == f"{by_registry['faces-alike']}; at a bevel wider than 3 mm, point at the shoulder with --guide"


def test_an_unknown_figure_is_a_mistake():
    with pytest.raises(ValueError, match="no check named tilt"):
        checks.judge({"tilt": 1.0})


def test_the_largest_jump_is_a_step_and_no_corner():
    x = np.arange(0.0, 40.0, 0.1)
    corner = np.column_stack([x, np.maximum(x - 20.0, 0.0) * math.tan(math.radians(22.0))])
    step = np.column_stack([x, np.where(x > 20.0, 2.0, 0.0)])
    assert examine.largest_jump(corner) < 0.6
    assert examine.largest_jump(step) == pytest.approx(2.0, abs=0.05)
    assert math.isnan(examine.largest_jump(step[:10]))


def test_only_even_divisions_are_ruled_marks():
    rng = np.random.default_rng(3)
    x = np.arange(0.0, 40.0, 0.015)
    grind = np.convolve(rng.standard_normal(len(x)), np.ones(4) / 4, "same")
    ticks = -1.0 * (np.abs((x / 0.51 + 0.5) % 1.0 - 0.5) < 0.12)
    assert examine.ruled_share(x, grind) < 0.1
    assert examine.ruled_share(x, 0.1 * grind + ticks) > 0.6


def test_a_bevel_as_dark_as_ink_is_refused(drawn):
    with pytest.raises(PhotoRefused, match="bevel-dark"):
        sight(drawn(bevel=(0.03, 0.03, 0.03), cheek=(0.3, 0.3, 0.31)).photo(), DECLARED)


def test_a_good_edge_shows_all_along(good):
    assert by_name(good.checks)["apex-faint"].measured > 0.95


@pytest.mark.parametrize("kind", [np.uint8, np.uint16])
@pytest.mark.parametrize("count", [1, 2, 3, 1001])
def test_quantiles_by_codes_are_those_of_the_light(kind, count):
    table = srgb_to_linear_table(np.iinfo(kind).max + 1)
    codes = np.random.default_rng(count).integers(0, len(table), count).astype(kind)
    for share in (0.5, 0.75):
        assert examine._quantile(codes, table, share) == pytest.approx(np.quantile(table[codes].astype(float), share), abs=1e-9)


def test_a_burnt_out_lane_is_a_caution(drawn):
    """White paper past full scale beside a darker bevel: measured, and said."""
    found = by_name(sight(drawn(lane=(1.1, 1.1, 1.1), bevel=(0.4, 0.4, 0.42)).photo(), DECLARED).checks)["lane-burnt"]
    assert found.verdict is Verdict.CAUTION
    assert found.measured > 0.9


def test_a_lane_in_range_is_none(good):
    assert by_name(good.checks)["lane-burnt"].measured < 0.05
