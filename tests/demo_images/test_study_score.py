"""The study's scorer on truths made here: what it must find is known to the last digit."""

from __future__ import annotations

import json

import numpy as np
import pytest

from demo_images.owner import declared
from demo_images.render import GROUPS, write_facts
from demo_images.study_cases import CASES, HALF, HELD, OPEN
from demo_images.study_compare import HEAD, Measured, Outcome, compare, lines, markdown, pooled, summary, table
from demo_images.study_score import SINGLE, is_current, main, report, tasks
from vision.declared import Lie

PX_PER_MM = 60.0


def truth(count: int = 101, **marks: range) -> list[dict]:
    """Stations 0.1 mm apart along a straight edge, 1 mm wide; ``marks``: which of them carry a mark."""
    rows = []
    for i in range(count):
        rows.append({"s": 0.1 * i, "apex_px": [6.0 * i, 500.0], "shoulder_px": [6.0 * i, 440.0], "bevel_width": 1.0})
        rows[-1] |= {name: True for name, which in marks.items() if i in which}
    return rows


def seen(error_um: np.ndarray, u_um: float = 5.0, flags: np.ndarray | None = None, **more) -> Measured:
    """A profile that is off by ``error_um``, at places 0.02 mm beside the true ones."""
    count = len(error_um)
    apex = np.column_stack([6.0 * np.arange(count) + 1.2, np.full(count, 500.0)])
    flags = np.zeros(count, int) if flags is None else flags
    return Measured(apex, 1.0 + np.asarray(error_um) / 1000, np.full(count, u_um / 1000), flags, **more)


def test_errors_are_those_that_were_put_in() -> None:
    put = np.linspace(-8, 12, 101)
    outcome = compare("a", "cause", OPEN, truth(), seen(put))
    np.testing.assert_allclose(outcome.error_um, put, atol=1e-9)
    figures = pooled([outcome])
    assert figures.median_um == pytest.approx(np.median(np.abs(put)))
    assert figures.p95_um == pytest.approx(np.percentile(np.abs(put), 95))
    assert figures.bias_um == pytest.approx(2.0)
    assert figures.covered == pytest.approx((np.abs(put) < 10).mean())
    assert (figures.seen, figures.wild, figures.without_profile) == (1.0, 0, 0)


def test_a_station_left_out_or_too_far_away_is_not_seen() -> None:
    measured = seen(np.zeros(101))
    measured.width_mm[:20] = np.nan
    measured.apex_px[60:, 0] += 1000.0
    measured.apex_px[80:] = np.nan
    outcome = compare("a", "cause", OPEN, truth(), measured)
    # The place of station 59 reaches 0.3 mm on: 60 and 61 lie 0.08 and 0.18 mm from it, 62 0.28 mm.
    assert pooled([outcome]).seen == pytest.approx((63 - 20) / 101)


def test_a_profile_beside_the_edge_is_named_as_such() -> None:
    measured = seen(np.zeros(101))
    measured.apex_px[40:70, 1] += 30.0  # half a millimetre
    measured.width_mm[60:70] = np.nan
    outcome = compare("a", "cause", OPEN, truth(), measured)
    assert outcome.elsewhere == 20
    assert "20 stations measured where there is no edge" in lines(table([outcome]))


def test_wild_stations_count_as_flagged_only_where_they_carry_a_flag() -> None:
    put, flags = np.zeros(101), np.zeros(101, int)
    put[10:30], put[50:55], flags[10:25], flags[60:70] = 41.0, -60.0, 4, 1
    put[80:90] = 39.9
    figures = pooled([compare("a", "cause", OPEN, truth(), seen(put, flags=flags))])
    assert figures.wild == 25
    assert figures.wild_flagged == pytest.approx(15 / 25)


def test_serrated_and_corner_stations_are_left_out_and_reported() -> None:
    put, flags = np.zeros(101), np.zeros(101, int)
    put[:40], flags[:10] = 500.0, 2
    measured = seen(put, flags=flags)
    measured.width_mm[10:20] = np.nan
    outcome = compare("a", "cause", OPEN, truth(serrated=range(30), corner=range(30, 40)), measured)
    assert outcome.stations == 61
    assert pooled([outcome]).p95_um == 0.0
    assert outcome.apart_flagged == pytest.approx(20 / 40)
    assert "50% flagged or left out" in lines(table([outcome]))


def test_a_facet_is_compared_where_one_is_there_and_reported() -> None:
    rows = truth()
    assert np.isnan(compare("a", "c", OPEN, rows, seen(np.zeros(101), facet_mm=np.full(101, 0.1))).facet_um)
    for row in rows:
        row["facet_width"] = 0.120
    assert compare("a", "c", OPEN, rows, seen(np.zeros(101), facet_mm=np.full(101, 0.127))).facet_um == pytest.approx(7.0)
    assert np.isnan(compare("a", "c", OPEN, rows, seen(np.zeros(101))).facet_um)


def test_totals_pool_stations_and_count_a_refused_photo_as_unseen() -> None:
    good = compare("a", "cause", OPEN, truth(), seen(np.full(101, 3.0)))
    bad = compare("b", "cause", OPEN, truth(51), seen(np.full(51, -9.0)))
    none = Outcome("c", "cause", OPEN, np.full(48, np.nan), reason="refused: too blurred")
    figures = pooled([good, bad, none])
    assert (figures.photos, figures.without_profile) == (3, 1)
    assert figures.seen == pytest.approx(152 / 200)
    assert (figures.median_um, figures.bias_um, figures.worst_median_um) == pytest.approx((3.0, 3.0, 9.0))
    assert "3 photos, 1 without a profile; 76% of the stations seen" in summary("open half", figures)


def test_the_docs_table_sets_both_halves_of_a_cause_side_by_side() -> None:
    here = compare("a", "tilt", OPEN, truth(), seen(np.full(101, 3.0)))
    there = compare("b", "tilt", HELD, truth(), seen(np.full(101, 44.0)))
    last = markdown([here, there], (OPEN, HELD)).splitlines()[-1]
    assert last == "| tilt | 100% | 3.0 | 3.0 | - | 100% | 100% | 44.0 | 44.0 | 0% | 0% |"


def test_nothing_measured_gives_no_figure() -> None:
    figures = pooled([Outcome("c", "cause", OPEN, np.full(48, np.nan), reason="refused")])
    assert np.isnan([figures.median_um, figures.p95_um, figures.covered, figures.wild_flagged]).all()
    assert figures.seen == 0.0
    assert len(table([Outcome("c", "cause", OPEN)])[0]) == len(HEAD)


def test_moved_light_is_set_beside_the_best_single_photo(tmp_path) -> None:
    cause = "moved light, one photo"
    singles = [compare(f"set-{i}", cause, OPEN, truth(), seen(np.full(101, e))) for i, e in ((1, 12.0), (2, -9.0), (3, 30.0))]
    together = compare("set", "moved light, together", OPEN, truth(), seen(np.full(101, 6.0)))
    assert "each 12.0, 9.0, 30.0; best 9.0; together 6.0 um; change -33%" in report([*singles, together], [OPEN], True)


def test_a_profile_from_a_photo_to_be_refused_is_named() -> None:
    kept = Outcome("refused-x", "to be refused", "", np.full(7, np.nan))
    gone = Outcome("refused-y", "to be refused", "", reason="refused: no edge")
    text = report([kept, gone], [OPEN], True)
    assert "2 photos, 1 gave a profile" in text
    assert "gave a profile: refused-x (7 stations)" in text
    assert "refused-y" not in text


def test_held_photos_are_scored_only_when_asked_for(tmp_path) -> None:
    named = {t.name for t in tasks(tmp_path, ("singles",), (OPEN,))}
    assert named == set(GROUPS["open"])
    assert {t.name for t in tasks(tmp_path, ("singles", "lights", "refused"), (OPEN, HELD))} >= set(HALF)


def test_a_photo_is_made_again_when_its_scenario_changed(tmp_path) -> None:
    scene = next(c.scene for c in CASES if c.scene.name == "flash")
    assert not is_current(scene, SINGLE, tmp_path)
    from dataclasses import replace

    from demo_images.render import scaled

    write_facts(replace(scene, camera=scaled(scene.camera, SINGLE.scale)), tmp_path)
    assert not is_current(scene, SINGLE, tmp_path)  # no picture yet
    (tmp_path / "flash.jpg").write_bytes(b"")
    assert is_current(scene, SINGLE, tmp_path)
    assert not is_current(replace(scene, ambient=(0.9, 0.9, 0.9)), SINGLE, tmp_path)
    facts = declared([tmp_path / "flash.setup.json"])
    assert facts.lie is Lie.LEVEL
    assert [[r.position_mm, r.thickness_mm] for r in facts.readings] == json.loads((tmp_path / "flash.setup.json").read_text())["caliper"]


def test_an_unknown_name_is_refused(tmp_path, capsys) -> None:
    with pytest.raises(SystemExit):
        main(["--out", str(tmp_path), "--only", "no-such-photo"])
    assert "no-such-photo" in capsys.readouterr().err
