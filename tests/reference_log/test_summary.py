"""What a model's summary says, and what it leaves out."""

from __future__ import annotations

import math
from dataclasses import replace
from decimal import Decimal

import pytest

from app.reference_log import bands, words
from app.reference_log.errors import LogRefused
from app.reference_log.records import Condition, Edge, Source
from app.reference_log.store import Store
from app.reference_log.summary import Choice, model_summary, reading_of, summarise


def _specimens(record, *figures: str, **facts: object) -> list:
    return [record(specimen=f"{facts.get('contributor', '')}{i}", thickness=Decimal(t), **facts) for i, t in enumerate(figures)]


def test_one_specimen_never_yields_a_spread(record) -> None:
    s = summarise([reading_of(record()), reading_of(record(thickness=Decimal("0.44")))])
    assert (s.specimens, s.measurements) == (1, 2)
    assert math.isnan(s.spread_mm)
    assert math.isnan(s.next_low_mm)
    assert words.numbers(s)["spread_mm"] is None
    assert "not known from one specimen" in words.text(s)
    # Repeats by one caliper stay as uncertain as one: 0.03 / sqrt(3).
    assert s.u_mm == pytest.approx(0.03 / math.sqrt(3))


def test_never_mixes_methods_conditions_or_edges_and_says_so(store: Store, record) -> None:
    for r in (
        *_specimens(record, "0.40", "0.42", "0.44"),
        *_specimens(record, "0.60", "0.62", "0.64", "0.66", condition=Condition.RESHARPENED),
        *_specimens(record, "0.70", source=Source.PHOTO, thickness_u=Decimal("0.02")),
        *_specimens(record, "0.80", edge=Edge.ANGULAR_TIP),
        *_specimens(record, "0.90", instrument="micrometer"),
        *_specimens(record, "0.95", height="1 mm above the apex"),
    ):
        store.add(r)
    s = model_summary(store, " ostfeld ", "HERON")
    assert (s.specimens, s.mean_mm, s.min_mm, s.max_mm) == (3, pytest.approx(0.42), 0.40, 0.44)
    assert sum(o.measurements for o in s.left_out) == 8
    assert all("not comparable" in o.why for o in s.left_out)
    assert model_summary(store, "Ostfeld", "Heron", Choice(condition=Condition.RESHARPENED)).specimens == 4


def test_a_figure_without_uncertainty_is_left_out(record) -> None:
    s = summarise([reading_of(record()), reading_of(record(specimen="b", instrument_accuracy=None))])
    assert s.specimens == 1
    assert [o.why for o in s.left_out] == ["no uncertainty is known"]


def test_one_caliper_cannot_be_averaged_away(record) -> None:
    many = [reading_of(record(specimen=f"s{i}", thickness=Decimal("0.42"))) for i in range(50)]
    # All of the limit but the display's step of 0.01, which falls anew at each reading (rectangular, step / sqrt(12)).
    step = 0.01 / math.sqrt(12)
    assert summarise(many).u_mm == pytest.approx(math.sqrt(0.03**2 / 3 - step**2 * 49 / 50))
    apart = [reading_of(record(specimen=f"s{i}", contributor=f"c{i}", thickness=Decimal("0.42"))) for i in range(50)]
    # Fifty people with fifty calipers: independent, so sqrt(50) less.
    assert summarise(apart).u_mm == pytest.approx(0.03 / math.sqrt(3 * 50))


def test_contributors_who_disagree_are_named(record) -> None:
    same = [record(thickness=Decimal("0.40")), record(thickness=Decimal("0.60"), contributor="Tomas")]
    (found,) = summarise([reading_of(r) for r in same]).disagreements
    assert (found.contributors, found.same_specimen) == (("Mirel", "Tomas"), "a1")
    # By hand: 0.2 / (2 * 0.03 / sqrt(3) * sqrt(2)).
    assert found.e_n == pytest.approx(0.2 / (2 * 0.03 / math.sqrt(3) * math.sqrt(2)))
    agree = [record(thickness=Decimal("0.40")), record(thickness=Decimal("0.42"), contributor="Tomas")]
    assert summarise([reading_of(r) for r in agree]).disagreements == ()
    assert summarise([reading_of(r) for r in agree]).comparisons[0].e_n == pytest.approx(found.e_n / 10)


def test_people_who_measured_different_knives_may_differ_by_the_knives(record) -> None:
    unlike = [*_specimens(record, "0.30", "0.50"), *_specimens(record, "0.45", "0.65", contributor="Tomas")]
    (found,) = summarise([reading_of(r) for r in unlike]).comparisons
    # Each has knives 0.2 apart: their means say nothing against either of them.
    assert found.e_n < 1.0
    alike = [*_specimens(record, "0.40", "0.40"), *_specimens(record, "0.55", "0.55", contributor="Tomas")]
    (found,) = summarise([reading_of(r) for r in alike]).disagreements
    assert found.same_specimen is None


def test_photos_alone_share_the_declared_angle(record) -> None:
    many = [
        record(
            specimen=f"s{i}",
            contributor=f"c{i}",
            source=Source.PHOTO,
            instrument="photo",
            thickness=Decimal("0.42"),
            thickness_u=Decimal("0.02"),
        )
        for i in range(20)
    ]
    assert summarise([reading_of(r) for r in many]).u_mm == pytest.approx(0.02, rel=1e-4)
    assert summarise([reading_of(r) for r in (many[0], replace(many[0], contributor="c9"))]).u_mm == pytest.approx(0.02)


def test_each_specimen_is_named_with_its_own_figure(record) -> None:
    s = summarise(
        [reading_of(r) for r in (*_specimens(record, "0.40", "0.44"), record(specimen="1", thickness=Decimal("0.46"), contributor="Tomas"))]
    )
    assert [(k.name, k.measurements, k.contributors) for k in s.by_specimen] == [("0", 1, ("Mirel",)), ("1", 2, ("Mirel", "Tomas"))]
    assert [k.mean_mm for k in s.by_specimen] == [pytest.approx(0.40), pytest.approx(0.45)]


def test_corrected_records_do_not_count(store: Store, record) -> None:
    old = store.add(record(thickness=Decimal("4.2")))
    store.add(record(thickness=Decimal("0.42")), supersedes=old)
    assert model_summary(store, "Ostfeld", "Heron").mean_mm == pytest.approx(0.42)


def test_an_unknown_model_is_refused(store: Store) -> None:
    with pytest.raises(LogRefused, match="no measurement of it"):
        model_summary(store, "Nobody", "Nothing")


def test_figures_taken_with_a_caution_count_and_are_said(store: Store, record) -> None:
    store.add(record())
    store.add(record(specimen="b", cautions=("far from the model's other figures",)))
    s = model_summary(store, "Ostfeld", "Heron")
    assert (s.measurements, s.remarked) == (2, 1)
    assert "1 of the 2 measurements in it was taken with a caution" in words.text(s)


@pytest.mark.parametrize(
    ("thickness", "half", "says"),
    [
        (0.15, 0.0, "common for fine slicers ("),
        (0.35, 0.0, "common for kitchen knives and folders ("),
        (0.42, 0.05, "common for folders; within its uncertainty also for kitchen knives ("),
        (0.05, 0.01, "thinner than what is common ("),
        (2.5, 0.1, "thicker than what is common ("),
    ],
)
def test_where_a_figure_stands_is_general_practice_and_no_verdict(thickness: float, half: float, says: str) -> None:
    found = bands.among(thickness, half)
    assert found.startswith(says)
    assert "general practice, no source; says nothing about safety, strength or quality" in found
