"""Comparison of two results against closed forms."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from tests.conftest import drawn_measurement
from vision.compare import Align, Common, Places, Terms, compare, difference_u_mm
from vision.declared import Caliper, Reading
from vision.errors import DeclarationError
from vision.hints import DeclaredScale, Hints
from vision.results import Budget, BudgetRow, Figure, Measurement


def made(thickness, u, position=None, arc=None) -> Measurement:
    """A result with this thickness and standard uncertainty along 6 to 30 mm."""
    m = drawn_measurement()
    x = m.widths.position_mm if position is None else position
    t = np.broadcast_to(thickness, x.shape).astype(float)
    band = replace(m.thickness, thickness_mm=t, u_mm=np.broadcast_to(u, x.shape).astype(float), low_mm=t - 2 * u, high_mm=t + 2 * u)
    return replace(m, widths=replace(m.widths, position_mm=x, arc_mm=x - x[0] if arc is None else arc), thickness=band)


def exact(align: Align = Align.POSITION, **more) -> Terms:
    return Terms(align, 0.0, **more)


def test_difference_of_two_flat_edges_is_that_of_iso_13528():
    found = compare(made(0.50, 0.010), made(0.46, 0.015), exact())
    # E_n = |0.46 - 0.50| / sqrt(0.02^2 + 0.03^2) = 0.04 / 0.036056 (ISO 13528; arithmetic by hand)
    np.testing.assert_allclose(found.difference_mm, -0.04, atol=1e-12)
    np.testing.assert_allclose(found.e_n, 0.04 / math.hypot(0.02, 0.03), rtol=1e-12)
    assert found.mean.value_mm == pytest.approx(-0.04)
    assert found.mean.u_mm == pytest.approx(math.hypot(0.010, 0.015))
    assert found.mean.exceeds
    assert len(found.parts) == 1
    assert found.exceeding_mm == found.length_mm == pytest.approx(24.0, abs=0.3)


def test_a_result_against_itself_differs_by_nothing():
    m = drawn_measurement()
    found = compare(m, m)
    assert np.all(found.difference_mm == 0.0)
    assert not found.parts
    assert found.main.value_mm == 0.0
    assert found.main.u_mm > 0.0
    assert found.same_photos == ("edge-1.jpg",)


def snapshot(sha256: str, along_px=((400.0, 1210.0), (2900.0, 1180.0))) -> Measurement:
    """The same from a photo without the strip, its positions along a drawn line."""
    m = drawn_measurement()
    hints = Hints(along_px=along_px, scale=DeclaredScale(40.0, 0.01, "a rule"))
    return replace(m, photos=(replace(m.photos[0], sha256=sha256, hints=hints),))


@pytest.mark.parametrize("align", list(Align))
@pytest.mark.parametrize("turned", [False, True])
def test_positions_along_a_drawn_line_are_laid_upon_nothing(align, turned):
    """Drawn from the other end, heel had lain on tip; drawn from 1 mm further on, the places were 1 mm off."""
    pair = (drawn_measurement(), snapshot("b" * 64))
    found = compare(*(pair[::-1] if turned else pair), Terms(align))
    assert found.places is Places.NONE
    assert found.at_mm.size == 0
    assert math.isnan(found.mean.value_mm)
    assert not found.parts
    assert found.length_mm == 0.0
    assert found.main.value_mm == 0.0
    assert found.main.u_mm > 0.0
    along = ((2900.0, 1180.0), (400.0, 1210.0))
    assert compare(snapshot("b" * 64), snapshot("b" * 64, along), Terms(align)).places is Places.NONE


def test_one_drawn_line_in_one_photo_has_common_places():
    found = compare(snapshot("b" * 64), snapshot("b" * 64))
    assert found.places is Places.ONE_LINE
    assert np.all(found.difference_mm == 0.0)
    assert compare(drawn_measurement(), drawn_measurement()).places is Places.AXIS


def test_unequal_photos_are_not_called_the_same():
    other = drawn_measurement()
    other = replace(other, photos=(replace(other.photos[0], sha256="f" * 64),))
    assert compare(drawn_measurement(), other).same_photos == ()


def test_only_where_the_difference_exceeds_both_is_a_part():
    x = np.linspace(6.0, 30.0, 241)
    found = compare(made(0.5, 0.01, x), made(np.where(x > 20.05, 0.55, 0.51), 0.01, x), exact())
    (part,) = found.parts
    assert part.start_mm == pytest.approx(20.1, abs=0.2)
    assert part.end_mm == pytest.approx(30.0, abs=0.2)
    assert part.mean_mm == pytest.approx(0.05, abs=0.002)
    assert found.exceeding_mm == pytest.approx(9.9, abs=0.3)


def test_two_signs_and_a_gap_are_parts_of_their_own():
    x = np.linspace(6.0, 30.0, 241)
    second = made(np.where(x < 12, 0.6, np.where(x < 18, 0.4, 0.6)), 0.01, x)
    second.thickness.thickness_mm[(x > 22) & (x < 24)] = math.nan
    parts = compare(made(0.5, 0.01, x), second, exact()).parts
    assert [round(p.mean_mm, 2) for p in parts] == [0.1, -0.1, 0.1, 0.1]
    assert parts[2].end_mm < 22.3
    assert parts[3].start_mm > 23.7


def test_heel_and_tip_alignment_go_by_the_length_along_the_edge():
    x = np.linspace(6.0, 30.0, 241)
    rising = 0.4 + 0.01 * (x - 6.0)
    # The same edge, lain 50 mm further along another strip and the photo showing 4 mm less of the tip.
    shorter = x[:201]
    other = made(rising[:201], 0.01, shorter + 50.0, shorter - 6.0)
    first = made(rising, 0.01, x, x - 6.0)
    with pytest.raises(DeclarationError, match="common stretch"):
        compare(first, other, exact())
    at_heel = compare(first, other, exact(Align.HEEL))
    np.testing.assert_allclose(at_heel.difference_mm, 0.0, atol=1e-9)
    at_tip = compare(first, other, exact(Align.TIP))
    assert at_tip.at_mm[-1] == pytest.approx(0.0, abs=0.21)
    # 4 mm of a slope of 0.01: what stands opposite lies 0.04 mm lower.
    np.testing.assert_allclose(at_tip.difference_mm, -0.04, atol=1e-9)


def test_alignment_counts_with_the_slope():
    x = np.linspace(6.0, 30.0, 241)
    m = made(0.4 + 0.02 * (x - 6.0), 0.01, x)
    found = compare(m, m, Terms(alignment_mm=0.6))
    # 0.02 mm per mm over +- 0.6 mm, rectangular; taken at twenty places, which is 0.13 % of that part short of the integral.
    np.testing.assert_allclose(found.u_mm, math.hypot(0.01, 0.01, 0.02 * 0.6 / math.sqrt(3)), rtol=5e-4)


def test_one_wavy_edge_laid_off_by_its_alignment_is_not_told_apart_from_itself():
    """The slope over a jaw's breadth is nothing on the crest of a wave: a third of the places had been told apart (5 % stated)."""
    x, u, rng = np.arange(6.0, 48.0, 0.1), 0.003, np.random.default_rng(41)

    def edge(at, own):
        return made(0.5 * (1 + 0.02 * np.sin(2 * np.pi * at / 1.5)) + own, u, x)

    told, apart = [], []
    for _ in range(60):
        off = rng.uniform(-0.5, 0.5)
        found = compare(edge(x, rng.normal(0.0, u)), edge(x + off, rng.normal(0.0, u)), Terms(alignment_mm=0.5))
        told.append(np.mean(found.e_n > 1.0))
        apart.append(found.mean.u_mm)
    assert np.mean(told) <= 0.08
    # Waves leave the mean over the edge where it is.
    assert max(apart) < 1.1 * math.hypot(u, u)


def budget(**rows: float) -> Budget:
    made = tuple(BudgetRow(name, 1.0, "mm", c, abs(c)) for name, c in rows.items())
    return Budget(made, math.hypot(*rows.values()))


def test_difference_of_means_by_their_budgets():
    a, b = budget(strip=0.003, caliper=0.010, own=0.004), budget(strip=0.003, caliper=0.008, angle=0.006)
    # JCGM 100, 5.2.2 with correlation 1 for what is common, 0 for the rest.
    assert difference_u_mm(a, b, ()) == pytest.approx(math.hypot(0.003, 0.003, 0.010, 0.008, 0.004, 0.006))
    assert difference_u_mm(a, b, ("strip", "caliper")) == pytest.approx(math.hypot(0.002, 0.004, 0.006))


def test_a_row_that_would_add_up_is_not_taken_as_independent():
    """An unnamed source that pushes the two results apart could be one: the larger of both cases counts."""
    assert difference_u_mm(budget(strip=0.003), budget(strip=-0.003), ()) == pytest.approx(0.006)


def test_difference_agrees_with_the_uncertainties_library():
    """`uncertainties` carries correlations by itself: the same unknown twice is the same object."""
    from uncertainties import ufloat

    strip, a_own, b_own = ufloat(0, 1), ufloat(0, 1), ufloat(0, 1)
    d = (0.5 + 0.005 * strip + 0.002 * b_own) - (0.4 + 0.003 * strip + 0.004 * a_own)
    ours = difference_u_mm(budget(strip=0.003, a=0.004), budget(strip=0.005, b=0.002), ("strip",))
    assert ours == pytest.approx(d.std_dev, rel=1e-12)


def test_main_stretches_are_compared_by_budget_and_common_things_narrow_it():
    first, second = drawn_measurement(), drawn_measurement()
    main = replace(second.zones.main, mean=Figure(0.4419, 0.0121))
    rows = (BudgetRow("caliper, common to all readings", 0.0173, "mm", 0.6, 0.01038), BudgetRow("angle per side", 0.5, "deg", 0.01, 0.005))
    spent = Budget(rows, math.hypot(0.01038, 0.005))
    first, second = replace(first, budget=spent), replace(second, budget=spent, zones=replace(second.zones, main=main))
    apart = compare(first, second).main
    assert apart.value_mm == pytest.approx(-0.03)
    assert apart.u_mm == pytest.approx(math.sqrt(2) * spent.total_mm)
    one_caliper = compare(first, second, Terms(common=frozenset({Common.CALIPER}))).main
    assert one_caliper.u_mm == pytest.approx(math.sqrt(2) * 0.005)
    assert not apart.exceeds
    assert one_caliper.exceeds


def test_one_edge_cannot_have_two_declared_angles():
    other = drawn_measurement()
    other = replace(other, declared=replace(other.declared, included_angle_deg=34.0))
    with pytest.raises(DeclarationError, match="two declared angles"):
        compare(drawn_measurement(), other, Terms(common=frozenset({Common.EDGE})))


@pytest.mark.parametrize(
    ("what", "change", "match"),
    [
        (Common.STRIP, {"printed_bar_mm": (99.6, 99.8)}, "two lengths of its check bars"),
        (Common.STRIP, {"printed_bar_mm": (100.0, 100.0), "printed_bar_tolerance_mm": 0.05}, "two lengths of its check bars"),
        (Common.CALIPER, {"caliper": Caliper(accuracy_mm=0.02)}, "two limits of error"),
    ],
)
def test_one_thing_cannot_have_two_declared_figures(what, change, match):
    """Its error would not be one unknown, and taking it off would make the band too narrow."""
    first = drawn_measurement()
    first = replace(first, declared=replace(first.declared, printed_bar_mm=(100.0, 100.0), readings=(Reading(9.5, 0.61),)))
    other = replace(first, declared=replace(first.declared, **change))
    compare(first, first, Terms(common=frozenset({what})))
    compare(first, other)
    with pytest.raises(DeclarationError, match=match):
        compare(first, other, Terms(common=frozenset({what})))


def test_without_zones_the_main_difference_is_not_a_number():
    bare = replace(drawn_measurement(), zones=None, budget=None)
    found = compare(drawn_measurement(), bare)
    assert math.isnan(found.main.value_mm)
    assert not found.main.exceeds


@pytest.mark.parametrize("tolerance", [-1.0, math.nan, 100.0])
def test_impossible_alignment_is_refused(tolerance):
    with pytest.raises(DeclarationError, match="alignment"):
        Terms(alignment_mm=tolerance)
