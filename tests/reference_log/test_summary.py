"""What a model's summary says, and what it leaves out."""

from __future__ import annotations

import datetime
import json
import math
from dataclasses import replace
from decimal import Decimal

import numpy as np
import pytest
from scipy import stats

from app.reference_log import bands, words
from app.reference_log.errors import LogRefused
from app.reference_log.records import Condition, Edge, Method, Source
from app.reference_log.store import Store
from app.reference_log.summary import Choice, Reading, model_summary, reading_of, summarise


def _specimens(record, *figures: str, **facts: object) -> list:
    return [record(specimen=f"{facts.get('contributor', '')}{i}", thickness=Decimal(t), **facts) for i, t in enumerate(figures)]


def test_numbers_for_a_program_say_what_was_averaged(record) -> None:
    numbers = words.numbers(summarise([reading_of(record(variant=v, specimen=v, contributor=v)) for v in ("ash", "oak")]))
    assert (numbers["edge"], numbers["condition"], numbers["variants"]) == ("plain", "factory", ["ash", "oak"])
    assert (numbers["contributors"], numbers["measurements"], numbers["specimens"]) == (["ash", "oak"], 2, 2)
    assert str(numbers["method"]).startswith("readings (caliper)")
    assert json.loads(json.dumps(numbers)) == numbers


def test_names_that_are_not_shown_are_counted(record) -> None:
    s = summarise([reading_of(record(variant=f"v{i:02}", specimen=str(i), contributor=f"c{i:02}")) for i in range(13)])
    assert "c09, and 3 more\n" in words.text(s)
    assert "v09, and 3 more; choose one" in words.text(s)
    assert "v09, and 3 more." in words.post(s)


def test_one_specimen_never_yields_a_spread(record) -> None:
    s = summarise([reading_of(record()), reading_of(record(thickness=Decimal("0.44")))])
    assert (s.specimens, s.measurements) == (1, 2)
    assert math.isnan(s.spread_mm)
    assert math.isnan(s.next_low_mm)
    assert words.numbers(s)["spread_mm"] is None
    assert "not known from one specimen" in words.text(s)
    # By hand: the caliper's limit without its step, and the standard deviation of the mean of 0.42 and 0.44, known from two.
    variance = 0.03**2 / 3 - 0.01**2 / 12 + 0.01**2
    widened = stats.t.ppf(stats.norm.cdf(2.0), variance**2 / 0.01**4) / 2.0
    assert s.u_mm == pytest.approx(math.sqrt(variance) * widened)
    # Repeats that agree leave what one measurement leaves: 0.03 / sqrt(3).
    again = summarise([reading_of(record(date=datetime.date(2026, 3, d))) for d in (1, 2, 3)])
    assert again.u_mm == pytest.approx(0.03 / math.sqrt(3))
    # Repeats that cannot be of one thing are no better than their mean: 0.1 mm for 0.40 and 0.60, by Student's t of hardly more than one
    # degree of freedom (13.97 / 2 at most).
    apart = summarise([reading_of(record(thickness=Decimal(t))) for t in ("0.40", "0.60")])
    assert 0.6 < apart.u_mm < 0.1 * 13.97 / 2 * 1.02


@pytest.mark.parametrize("count", [2, 3, 5])
def test_a_few_readings_that_scatter_hold_their_mean(record, count) -> None:
    """2,000 knives read by a caliper good to 0.001 mm whose user scatters by 0.05 mm: k = 2 of two readings had held 71 % of the truth."""
    rng = np.random.default_rng(12)
    held = 0
    for _ in range(2000):
        readings = tuple(Decimal(f"{v:.4f}") for v in 0.5 + 0.05 * rng.standard_normal(count))
        mean = sum(readings, Decimal(0)) / count
        r = record(thickness=mean, readings=readings, instrument_accuracy=Decimal("0.001"), instrument_step=Decimal("0.0001"))
        held += abs(r.thickness_mm - 0.5) <= 2 * r.u_mm
    assert 0.94 <= held / 2000 <= 0.97


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


@pytest.mark.parametrize("specimens", [1, 2])
@pytest.mark.parametrize("turned", [False, True])
def test_of_groups_with_as_many_specimens_the_more_certain_one_is_the_headline(record, specimens: int, turned: bool) -> None:
    """A photo without a strip, 4.55 +- 0.60 mm, had been the headline before 0.440 +- 0.029 mm: "photo" comes first in the alphabet."""
    good = {"source": Source.PHOTO_AND_READINGS, "instrument": "caliper and photo", "thickness_u": Decimal("0.0145")}
    bad = {"source": Source.PHOTO, "instrument": "photo", "thickness_u": Decimal("0.30"), "cautions": ("far from the others",)}
    rows = [record(specimen=f"{i}", thickness=Decimal(t), **f) for t, f in (("0.440", good), ("4.55", bad)) for i in range(specimens)]
    # Repeats of the worse figure do not make it a better one.
    rows.append(record(specimen="0", thickness=Decimal("4.60"), **bad))
    s = summarise([reading_of(r) for r in (rows[::-1] if turned else rows)])
    assert s.group.method.source is Source.PHOTO_AND_READINGS
    assert s.mean_mm == pytest.approx(0.440)
    assert s.remarked == 0
    assert [(o.measurements, o.why) for o in s.left_out] == [
        (specimens + 1, "not comparable: plain edge, factory, photo, mean of main stretch, shoulder")
    ]
    assert "0.440 ± " in words.post(s)


def test_most_specimens_come_before_the_smallest_uncertainty(record) -> None:
    many = _specimens(record, "0.40", "0.42", source=Source.PHOTO, instrument="photo", thickness_u=Decimal("0.05"))
    s = summarise([reading_of(r) for r in (*many, record(thickness=Decimal("0.44")))])
    assert (s.group.method.source, s.specimens) == (Source.PHOTO, 2)


def test_a_methods_name_says_no_word_twice() -> None:
    assert Method(source=Source.PHOTO, instrument_kind="photo").name == "photo, mean of main stretch, shoulder"
    assert Method(source=Source.READINGS, instrument_kind="caliper").name == "readings (caliper), mean of main stretch, shoulder"


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


def test_two_people_of_unlike_instruments_on_the_same_knives(record) -> None:
    # By hand: weights are inverse squares of each one's uncertainty, what an instrument shares is not reduced by a second knife, and
    # the display's step is.
    fine = {"instrument_accuracy": Decimal("0.002"), "instrument_step": Decimal("0.001"), "contributor": "Tomas"}
    s = summarise([reading_of(r) for k in "ab" for r in (record(specimen=k), record(specimen=k, **fine))])
    squares = {"Mirel": (0.03**2 / 3, 0.01**2 / 12), "Tomas": (0.002**2 / 3, 0.001**2 / 12)}
    total = sum(1 / whole for whole, _ in squares.values())
    by_hand = sum((1 / whole / total) ** 2 * (whole - step + step / 2) for whole, step in squares.values())
    assert s.u_mm == pytest.approx(math.sqrt(by_hand), rel=1e-3)
    assert s.by_specimen[0].u_mm == pytest.approx(math.sqrt(1 / total))


def test_more_knives_do_not_better_an_instrument_of_unknown_error(record) -> None:
    facts = {"instrument_accuracy": None, "instrument_step": None, "thickness_u": Decimal("0.02"), "thickness": Decimal("0.42")}
    many = [reading_of(record(specimen=f"s{i}", **facts)) for i in range(20)]
    assert summarise(many).u_mm == pytest.approx(0.02, rel=1e-4)


@pytest.mark.parametrize("source", list(Source))
def test_a_figure_that_claims_too_much_takes_over_no_mean(record, source: Source) -> None:
    honest = _specimens(record, "0.40", "0.41", "0.42", source=source, thickness_u=Decimal("0.018"))
    bold = record(specimen="bold", thickness=Decimal("0.44"), source=source, contributor="Tomas", thickness_u=Decimal("0.000001"))
    # Readings: the accuracy's own 0.03 / sqrt(3); a photo: half a percent of the figure; both: the two together.
    of_readings, of_photo = 0.03 / math.sqrt(3), 0.005 * 0.44
    least = {
        Source.READINGS: of_readings, Source.PHOTO: of_photo, Source.PHOTO_AND_READINGS: (of_readings**-2 + of_photo**-2) ** -0.5,
    }[source]  # fmt: skip
    assert bold.u_mm == pytest.approx(least)
    assert str(bold.thickness_u) == "0.000001", "kept as given"
    s = summarise([reading_of(r) for r in (*honest, bold)])
    assert s.low_mm <= 0.4175 <= s.high_mm
    if source is Source.READINGS:
        assert s.mean_mm == pytest.approx(0.4175, abs=0.011)


def test_no_figure_has_more_digits_than_its_own_uncertainty_supports(record) -> None:
    # Fifty people with fifty calipers know the mean to 2.4 um, and each knife still to 17 um.
    figures = [f"{0.40 + 0.001 * (i % 5):.3f}" for i in range(50)]
    many = [record(specimen=f"s{i}", contributor=f"c{i}", thickness=Decimal(t)) for i, t in enumerate(figures)]
    s = summarise([reading_of(r) for r in many])
    assert s.u_mm < 0.003
    assert words.specimens_lie(s) == "0.400 to 0.404 mm"
    far = summarise([reading_of(r) for r in (*many, record(specimen="s0", contributor="Tomas", thickness=Decimal("0.90")))])
    assert "0.400 and 0.900 mm on specimen s0" in words.disagreements(far, str)[0]


def test_the_figures_band_reaches_as_far_as_its_interval(record) -> None:
    x = _specimens(record, "0.30", "0.42", "0.43", "0.44")
    few = summarise([reading_of(r) for r in (replace(x[0], thickness_u=Decimal("0.06")), *x[1:])])
    shown = float(words.figure(few).split()[2])
    assert few.mean_mm - shown <= few.low_mm + 0.001
    assert few.mean_mm + shown >= few.high_mm - 0.001


@pytest.mark.parametrize(("n", "spread", "people"), [(3, 0.1, 1), (5, 0.1, 2), (10, 0.05, 3)])
def test_the_intervals_hold_what_they_state(n: int, spread: float, people: int) -> None:
    """From the display's step up: knives that differ, each person's caliper off by a fixed amount, readings rounded to its step."""
    random = np.random.default_rng(3)
    limit, step, trials = 0.03, 0.01, 250
    method = Method(source=Source.READINGS, instrument_kind="caliper")
    in_mean = in_next = 0
    for _ in range(trials):
        # The limit of error holds the step's half: what is left is the caliper's own.
        off = random.uniform(-limit + step / 2, limit - step / 2, people)
        read = np.round((random.normal(0.5, spread, n) + off[np.arange(n) % people]) / step) * step
        common = math.sqrt(limit**2 / 3 - step**2 / 12)
        knives = [
            Reading("A", "B", "", Edge.PLAIN, Condition.FACTORY, method, f"s{i}", f"c{i % people}", x, limit / math.sqrt(3), common)
            for i, x in enumerate(read.tolist())
        ]
        s = summarise(knives)
        in_mean += s.low_mm <= 0.5 <= s.high_mm
        in_next += s.next_low_mm <= random.normal(0.5, spread) <= s.next_high_mm
    print(f"n {n}, spread {spread}, {people} people: mean {in_mean / trials:.3f}, next {in_next / trials:.3f}")
    # Three standard deviations of a share of 0.95 in 250 trials.
    assert min(in_mean, in_next) / trials >= 0.95 - 3 * math.sqrt(0.95 * 0.05 / trials)
    # An interval that held every one would say nothing.
    assert in_next < trials


def test_contributors_who_disagree_are_named(record) -> None:
    same = [record(thickness=Decimal("0.40")), record(thickness=Decimal("0.60"), contributor="Tomas")]
    (found,) = summarise([reading_of(r) for r in same]).disagreements
    assert (found.contributors, found.same_specimen) == (("Mirel", "Tomas"), "a1")
    # By hand: 0.2 / (2 * 0.03 / sqrt(3) * sqrt(2)).
    assert found.e_n == pytest.approx(0.2 / (2 * 0.03 / math.sqrt(3) * math.sqrt(2)))
    agree = [record(thickness=Decimal("0.40")), record(thickness=Decimal("0.42"), contributor="Tomas")]
    assert summarise([reading_of(r) for r in agree]).disagreements == ()
    assert summarise([reading_of(r) for r in agree]).comparisons[0].e_n == pytest.approx(found.e_n / 10)


def test_two_people_with_many_knives_in_common_are_left_in_peace(record) -> None:
    """The knife on which they differ most was judged as if it were the only one: of 120 honest pairs 17 % disagreed over 20 knives."""
    random, told, trials = np.random.default_rng(8), 0, 120
    for _ in range(trials):
        rows, true = [], 0.45 + 0.03 * random.standard_normal(20)
        for who in ("Mirel", "Tomas"):
            off = random.uniform(-0.02, 0.02)
            for j, t in enumerate(true):
                read = tuple(Decimal(f"{v:.3f}") for v in t + off + 0.01 * random.standard_normal(5))
                row = record(
                    specimen=f"knife {j}", contributor=who, thickness=sum(read) / 5, readings=read,
                    instrument_accuracy=Decimal("0.02"), instrument_step=Decimal("0.001"),
                )  # fmt: skip
                rows.append(reading_of(row))
        told += len(summarise(rows).disagreements)
    assert told / trials <= 0.06


def test_people_who_measured_different_knives_may_differ_by_the_knives(record) -> None:
    unlike = [*_specimens(record, "0.30", "0.50"), *_specimens(record, "0.45", "0.65", contributor="Tomas")]
    (found,) = summarise([reading_of(r) for r in unlike]).comparisons
    # Each has knives 0.2 apart: their means say nothing against either of them.
    assert found.e_n < 1.0
    alike = [*_specimens(record, "0.40", "0.40"), *_specimens(record, "0.55", "0.55", contributor="Tomas")]
    (found,) = summarise([reading_of(r) for r in alike]).disagreements
    assert found.same_specimen is None
    assert (
        "Mirel and Tomas disagree: 0.400 and 0.550 mm on different specimens (it may be the knives)"
        in words.disagreements(summarise([reading_of(r) for r in alike]), str)[0]
    )
    # With one knife each nobody knows how unlike knives are: no word against either.
    one_each = [record(thickness=Decimal("0.30")), record(specimen="b", thickness=Decimal("0.70"), contributor="Tomas")]
    said = words.disagreements(summarise([reading_of(r) for r in one_each]), str)
    assert len(said) == 1
    assert "Mirel and Tomas differ: 0.300 and 0.700 mm on one knife each (it may be the knives)" in said[0]


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
