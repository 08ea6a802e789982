"""``plan`` and ``repeatability``: what they print, write and refuse."""

from __future__ import annotations

import math
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from app import cli, files, plan_commands
from vision import rounding
from vision.results import Figure, Measurement, Stretch


def keep(folder: Path, measurement: Measurement) -> str:
    folder.mkdir(parents=True)
    (folder / "measurement.json").write_text(files.measurement_text(measurement), encoding="utf-8")
    return str(folder)


def wider(measurement: Measurement, factor: float, sha256: str) -> Measurement:
    """The same edge measured anew, every width and thickness off by a factor."""
    photos = tuple(replace(p, sha256=sha256) for p in measurement.photos)
    widths = replace(measurement.widths, width_mm=measurement.widths.width_mm * factor)
    thickness = replace(measurement.thickness, thickness_mm=measurement.thickness.thickness_mm * factor)
    return replace(measurement, photos=photos, widths=widths, thickness=thickness)


def test_plan_prints_figures_with_uncertainty_and_cautions(measurement, tmp_path, capsys) -> None:
    result = keep(tmp_path / "r", measurement)
    table = tmp_path / "plan.csv"
    assert cli.main(["plan", result, "--new-angle", "36", "--out", str(table)]) == 0
    shown = capsys.readouterr().out
    assert "included angle 36°" in shown
    # A larger angle keeps the shoulder: thickness stays, to the digit.
    now, after = re.search(r"thickness behind the edge: (.*) now, (.*) after", shown).groups()
    assert now == rounding.format_figure(0.4719, 0.0121, inch=False)
    assert after.split(" ± ")[1] == now.split(" ± ")[1]
    assert rounding.COVERAGE in shown
    assert "the usual one, since none was declared" in shown
    assert "Blades cut" in shown
    assert "local rules" in shown.lower()
    rows = table.read_text().splitlines()
    assert rows[0] == "position_mm,bevel_width_mm,thickness_mm,apex_back_mm,included_angle_deg"
    assert len(rows) == 1 + measurement.widths.position_mm.size
    assert sum(row.count(",,") > 0 for row in rows) == int(np.isnan(measurement.widths.width_mm).sum())


def test_a_plan_is_written_over_nothing_but_an_earlier_plan(measurement, tmp_path, capsys) -> None:
    result, table = keep(tmp_path / "r", measurement), tmp_path / "plan.csv"
    mine = tmp_path / "precious.jpg"
    mine.write_bytes(b"\xff\xd8\xff a photo")
    kept = {p: p.read_bytes() for p in (tmp_path / "r" / "measurement.json", mine)}
    for path, words in zip(
        kept, ("would destroy what is read from it", "no table of 'shoulderline plan' that this program wrote"), strict=True
    ):
        for given in (result, str(tmp_path / "r" / "measurement.json")):
            assert cli.main(["plan", given, "--new-angle", "36", "--out", str(path)]) == 3
            shown = capsys.readouterr()
            assert (shown.out, shown.err.count("\n")) == ("", 1)
            assert f"--out {path}: " in shown.err
            assert words in shown.err
    assert {p: p.read_bytes() for p in kept} == kept
    table.touch()
    for angle in ("36", "38"):
        assert cli.main(["plan", result, "--new-angle", angle, "--out", str(table)]) == 0
    assert ",38.0000" in table.read_text()


def test_a_marked_stretch_beyond_the_photo_is_not_planned(measurement, tmp_path, capsys) -> None:
    away = Stretch("tip", math.nan, math.nan, Figure(math.nan, math.nan))
    result = keep(tmp_path / "r", replace(measurement, zones=replace(measurement.zones, stretches=(away,))))
    assert cli.main(["plan", result, "--new-angle", "36"]) == 0
    shown = capsys.readouterr().out
    assert "tip: not measured" in shown.splitlines()
    assert "nan" not in shown


def test_plan_for_a_width_and_for_taking_back(measurement, tmp_path, capsys) -> None:
    result = keep(tmp_path / "r", measurement)
    assert cli.main(["plan", result, "--bevel-width", "1.1", "--cheek-angle", "3"]) == 0
    shown = capsys.readouterr().out
    assert "1.1 mm after" in shown
    assert "apex stays where it is" in shown
    assert "usual one" not in shown
    assert re.search(r"included angle \d+\.\d ± \d\.\d+°", shown)
    assert cli.main(["plan", result, "--take-back", "0.02", "--new-angle", "40"]) == 0
    assert "strip of the old bevel stays" in capsys.readouterr().out


def test_plan_refuses_what_is_no_result_or_no_angle(measurement, tmp_path, capsys) -> None:
    (tmp_path / "empty").mkdir()
    for arguments in (
        ["plan", str(tmp_path / "empty"), "--new-angle", "36"],
        ["plan", keep(tmp_path / "r", measurement), "--new-angle", "5"],
    ):
        assert cli.main(arguments) == 3
        shown = capsys.readouterr()
        assert shown.out == ""
        assert shown.err.count("\n") == 1


def test_repeatability_of_sessions(measurement, tmp_path, capsys) -> None:
    factors = {"mon": (1.000, 1.004), "tue": (1.010, 1.006)}
    given = []
    for session, group in factors.items():
        for i, factor in enumerate(group):
            given.append(f"{session}={keep(tmp_path / f'{session}{i}', wider(measurement, factor, f'{session}{i}'))}")
    assert cli.main(["repeatability", *given]) == 0
    shown = capsys.readouterr().out
    assert "4 results in 2 sessions" in shown
    # One-way analysis of variance by hand, in units of the mean width m: ms_within = 8e-6 m2, ms_between = 36e-6 m2 (session means
    # 1.002 and 1.008, two each), between**2 = (36 - 8) / 2 = 14e-6 m2, one result of a new session: sqrt(8 + 14) = 4.69e-3 m.
    known = np.isfinite(measurement.widths.width_mm)
    x = measurement.widths.position_mm[known]
    grid = np.arange(6.0, 30.0, 0.2)
    grid = grid[np.min(np.abs(grid[:, None] - x), axis=1) <= 0.2]
    mean = float(np.mean(np.interp(grid, x, measurement.widths.width_mm[known])))
    said = float(re.search(r"--repeatability (\S+)", shown)[1])
    # Every size that the mean squares leave possible, drawn: 8 x 2 / chi2(2) within, the rest of 36 / chi2(1) over two between.
    rng = np.random.default_rng(3)
    within, sessions = 16e-6 / rng.chisquare(2, 400_000), 36e-6 / rng.chisquare(1, 400_000)
    new = np.sqrt(within + np.maximum(sessions - within, 0.0) / 2) * rng.standard_normal(400_000)
    assert said == pytest.approx(mean * np.quantile(np.abs(new), 0.9545) / 2, rel=0.05)
    assert len(f"{said:g}".lstrip("0.")) <= 2


def test_repeatability_of_photos_in_one_go_says_what_it_cannot(measurement, tmp_path, capsys) -> None:
    given = [keep(tmp_path / str(i), wider(measurement, 1 + 0.002 * i, str(i))) for i in range(3)]
    assert cli.main(["repeatability", *given]) == 0
    shown = capsys.readouterr().out
    assert "3 results in 1 session," in shown
    assert "one session says nothing about the scatter between sessions" in shown
    assert "between sessions standard" not in shown
    assert "2 degrees of freedom" in shown


def test_two_results_of_one_photo_give_no_advice(measurement, tmp_path, capsys) -> None:
    one, two, three = (keep(tmp_path / str(i), wider(measurement, 1 + 0.001 * i, str(i // 2))) for i in range(3))
    assert cli.main(["repeatability", one, f"mon={three}", f"tue={two}"]) == 3
    shown = capsys.readouterr()
    assert shown.out == ""
    assert shown.err.count("\n") == 1
    assert f"{one} and {two}: both rest on the same photo (edge-1.jpg)" in shown.err
    assert "take a second photo" in shown.err


def test_a_scatter_of_few_results_has_an_interval_and_no_symmetric_band(measurement, tmp_path, capsys) -> None:
    """With one degree of freedom the ± of a standard deviation had been 1.4 times its value."""
    given = [f"{s}={keep(tmp_path / f'{s}{i}', wider(measurement, f, f'{s}{i}'))}" for s, i, f in
             (("a", 0, 1.0), ("a", 1, 1.004), ("b", 0, 1.005), ("b", 1, 1.001))]  # fmt: skip
    assert cli.main(["repeatability", *given[:2]]) == 0
    shown = capsys.readouterr().out
    line = next(text for text in shown.splitlines() if "within a session" in text)
    assert "±" not in line
    s, low, high = (float(v) for v in re.search(r"deviation (\S+) mm, with 95 % between (\S+) and (\S+) mm", line).groups())
    exact = 0.004 * 0.926 / math.sqrt(2)
    assert (s, low, high) == (pytest.approx(exact, rel=0.3), pytest.approx(0.446 * exact, rel=0.05), pytest.approx(31.9 * exact, rel=0.05))
    # Of so few the second digit is made up.
    assert len(f"{s:g}".replace(".", "").lstrip("0")) == 1
    mean = re.search(r"bevel width: mean \S+ ± (\S+) mm", shown)[1]
    assert float(mean) == pytest.approx(13.97 * exact / math.sqrt(2), rel=0.05)
    assert cli.main(["repeatability", *given]) == 0
    shown = capsys.readouterr().out
    assert re.search(r"between sessions none beyond chance, though up to 0\.\d+ mm may be there with 95 %", shown)


def test_results_that_cannot_be_compared_are_refused(measurement, tmp_path, capsys) -> None:
    one = keep(tmp_path / "one", measurement)
    again = wider(measurement, 1.0, "2" * 64)
    far = replace(again, widths=replace(again.widths, position_mm=again.widths.position_mm + 40))
    two, alike = keep(tmp_path / "two", far), keep(tmp_path / "alike", again)
    for given, words in (
        ([one], "two at least"),
        ([one, two], "common stretch"),
        ([f"a={one}", f"b={alike}"], "2 sessions of 1 result each"),
    ):
        assert cli.main(["repeatability", *given]) == 3
        shown = capsys.readouterr()
        assert words in shown.err
        assert shown.err.count("\n") == 1


def test_widths_that_do_not_differ_are_doubted(measurement, tmp_path, capsys) -> None:
    """A photo saved anew is another file with the same lines."""
    assert cli.main(["repeatability", *(keep(tmp_path / n, wider(measurement, 1.0, n * 64)) for n in "ab")]) == 0
    shown = capsys.readouterr().out
    assert "do not differ at all" in shown
    assert "Give --repeatability" not in shown


def test_equal_lines_with_other_readings_say_nothing_of_the_widths(measurement, tmp_path, capsys) -> None:
    t = measurement.thickness
    other = [replace(wider(measurement, 1.0, f"{f}"), thickness=replace(t, thickness_mm=t.thickness_mm * f)) for f in (1.0, 1.01, 1.03)]
    given = [keep(tmp_path / str(i), m) for i, m in enumerate(other)]
    assert cli.main(["repeatability", *given]) == 0
    shown = capsys.readouterr().out
    # Sums of equal figures differ in their last binary digit: that was printed as a scatter of 1e-16 mm once.
    assert "e-1" not in shown
    assert "bevel width: 0.926 mm in every result" in shown
    assert "thickness behind the edge: mean" in shown
    assert "Give --repeatability" not in shown


def test_a_folder_whose_name_holds_the_sign_is_a_folder(measurement, tmp_path) -> None:
    folder = keep(tmp_path / "a=b", measurement)
    assert plan_commands._session(folder) == ("", folder)
    assert plan_commands._session("mon=x/y") == ("mon", "x/y")
