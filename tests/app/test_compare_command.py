"""``compare``: what it prints, writes and refuses."""

from __future__ import annotations

import csv
import io
from dataclasses import replace

import numpy as np
import pytest

from app import cli, compare_chart, comparing
from tests.app.test_plan_commands import keep, wider
from tests.vision.test_compare import snapshot
from vision import rounding
from vision.compare import Align, Common, Terms
from vision.compare import compare as compare_two


def test_every_result_is_set_against_the_first_with_the_librarys_figures(measurement, tmp_path, capsys) -> None:
    thicker, alike = wider(measurement, 1.2, "a" * 64), wider(measurement, 1.0, "b" * 64)
    folders = [keep(tmp_path / n, m) for n, m in (("one", measurement), ("two", thicker), ("three", alike))]
    table = tmp_path / "difference.csv"
    assert cli.main(["compare", *folders, "--alignment", "0.2", "--out", str(table)]) == 0
    shown = capsys.readouterr().out
    found = [compare_two(measurement, m, Terms(alignment_mm=0.2)) for m in (thicker, alike)]
    for c in found:
        assert rounding.format_figure(c.mean.value_mm, c.mean.u_mm) in shown
        assert all(f"  {s}" in shown for s in comparing.sentences(c))
    assert "thicker, by more than both results' uncertainty explains" in shown
    assert "not told apart" in shown
    assert rounding.COVERAGE in shown
    assert "nan" not in shown
    rows = list(csv.DictReader(io.StringIO(table.read_text())))
    assert len(rows) == sum(c.at_mm.size for c in found)
    mine = [r for r in rows if r["result"] == folders[1]]
    np.testing.assert_allclose([float(r["difference_mm"]) for r in mine], found[0].difference_mm, atol=5e-5)


def test_nothing_is_written_over_the_results(measurement, tmp_path, capsys) -> None:
    folders = [keep(tmp_path / n, wider(measurement, 1.0, n * 64)) for n in "ab"]
    for name in "ab":
        kept = tmp_path / name / "measurement.json"
        before = kept.read_bytes()
        assert cli.main(["compare", *folders, "--out", str(kept)]) == 3
        assert "would destroy what is read from it" in capsys.readouterr().err
        assert kept.read_bytes() == before
    mine = tmp_path / "notes.csv"
    mine.write_text("my,own,table\n")
    assert cli.main(["compare", *folders, "--out", str(mine)]) == 3
    assert mine.read_text() == "my,own,table\n"
    for _ in "12":
        assert cli.main(["compare", *folders, "--out", str(tmp_path / "again.csv")]) == 0


def test_what_is_common_is_said(measurement, tmp_path, capsys) -> None:
    folders = [keep(tmp_path / n, wider(measurement, 1.0, n * 64)) for n in "ab"]
    assert cli.main(["compare", *folders, "--same", "caliper", "--same", "strip", "--align", "heel"]) == 0
    shown = capsys.readouterr().out
    assert "the printed strip, the caliper" in shown
    assert "where each photo's edge begins" in shown


def test_one_photo_in_both_is_said(measurement) -> None:
    c = compare_two(measurement, measurement, Terms(Align.TIP, 0.5, frozenset({Common.CALIPER})))
    assert any("edge-1.jpg" in text for text in comparing.assumptions(c))


def test_a_result_without_the_strip_is_compared_by_its_main_stretch_alone(measurement, tmp_path, capsys) -> None:
    folders = [keep(tmp_path / n, m) for n, m in (("strip", measurement), ("snapshot", snapshot("b" * 64)))]
    assert cli.main(["compare", *folders, "--same", "strip", "--same", "caliper"]) == 0
    shown = capsys.readouterr().out
    assert "main stretches' difference: the caliper." in shown
    assert "main stretch: 0.000 ± " in shown
    assert comparing.NOT_PLACED in shown
    assert "printed scale" not in shown
    assert "laid upon each other" not in shown
    assert "each place is judged" not in shown
    assert "nan" not in shown
    table = tmp_path / "difference.csv"
    assert cli.main(["compare", *folders, "--out", str(table)]) == 3
    refused = capsys.readouterr()
    assert refused.err.count("\n") == 1
    assert "no places are common" in refused.err
    assert not table.exists()


def test_one_drawn_line_is_called_so(measurement) -> None:
    c = compare_two(snapshot("b" * 64), snapshot("b" * 64))
    assert comparing.assumptions(c)[0] == "laid upon each other by the one line drawn in the photo of both, taken as good to ± 0.5 mm"
    assert compare_chart.draw("A", [("B", c)]).axes[1].get_xlabel() == "mm along the drawn line from its first point"


def test_a_result_without_figures_is_said(measurement) -> None:
    c = compare_two(measurement, replace(measurement, zones=None, budget=None))
    assert comparing.sentences(c)[0] == "main stretch: no figure: one of the results has none"


@pytest.mark.parametrize(
    ("more", "status", "said"),
    [(["--alignment", "99"], 3, "alignment"), (["--same", "camera"], 2, "camera"), (["--align", "middle"], 2, "middle")],
)
def test_misuse_and_refusal(measurement, tmp_path, capsys, more, status, said) -> None:
    folders = [keep(tmp_path / n, measurement) for n in "ab"]
    try:
        code = cli.main(["compare", *folders, *more])
    except SystemExit as error:
        code = error.code
    assert code == status
    assert said in capsys.readouterr().err


def test_one_result_alone_is_a_misuse(measurement, tmp_path, capsys) -> None:
    with pytest.raises(SystemExit) as error:
        cli.main(["compare", keep(tmp_path / "a", measurement)])
    assert error.value.code == 2
    assert "two results" in capsys.readouterr().err


def test_a_flicker_of_the_threshold_is_counted_and_not_listed(measurement) -> None:
    x = measurement.widths.position_mm
    step = np.where((x > 10) & (x < 16), 0.1, np.where((x > 26) & (x < 26.5), 0.1, 0.0))
    other = replace(measurement, thickness=replace(measurement.thickness, thickness_mm=measurement.thickness.thickness_mm + step))
    said = comparing.sentences(compare_two(measurement, other, Terms(alignment_mm=0.0)))[2]
    assert "10 to 16 mm (thicker, 0.100 mm on average); 1 place shorter than 1 mm" in said


def test_the_mean_of_a_stretch_has_the_digits_that_its_uncertainty_supports(measurement) -> None:
    """To two decimals a difference of 4 um read "0.00 mm on average"; one of 0.42 known to 0.2 read "0.42"."""

    def said(step: float, u: float) -> str:
        a = replace(measurement, thickness=replace(measurement.thickness, u_mm=np.full(measurement.thickness.u_mm.shape, u)))
        b = replace(a, thickness=replace(a.thickness, thickness_mm=a.thickness.thickness_mm + step))
        return comparing.sentences(compare_two(a, b, Terms(alignment_mm=0.0)))[2]

    assert "(thicker, 0.0040 mm on average)" in said(0.004, 0.001)
    assert "(thinner, 2.3 mm on average)" in said(-2.34, 0.7)


def test_what_can_be_common_are_rows_of_a_real_budget() -> None:
    """A row of another name would never be found, and nothing would be taken off."""
    from app import first
    from vision.compare import _ROWS
    from vision.measure import measure
    from vision.photo import open_photo

    demo = first.demo()
    m = measure([open_photo(path) for path in demo.photos], demo.declared)
    assert {name for rows in _ROWS.values() for name in rows} <= {row.source for row in m.budget.rows}
    for what in Common:
        assert compare_two(m, m, Terms(common=frozenset({what}))).main.u_mm < compare_two(m, m).main.u_mm
