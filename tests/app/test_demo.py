"""The demo run: every photo measured, set beside its truth, and its files left where it says."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from app import cli, demo
from vision import job
from vision.results import Measurement


def test_every_committed_photo_belongs_to_a_demo() -> None:
    names = {path.name for d in demo.load() for path in d.photos}
    assert names == {path.name for path in demo.FOLDER.glob("*.jpg")}
    assert len(names) == len([path for d in demo.load() for path in d.photos])


def test_compare_counts_only_stations_seen(measurement: Measurement) -> None:
    w, t = measurement.widths, measurement.thickness
    truth = np.vstack([w.position_mm, np.zeros(w.position_mm.size), w.width_mm + 0.005, t.thickness_mm + 0.1])
    # The gap is five stations 0.1 mm apart: its middle one lies 0.3 mm from the nearest measured one.
    truth = np.nan_to_num(truth, nan=1.0)
    truth[0, w.flags == 512] += 100.0
    row = demo.compare("x", measurement, truth)
    assert (row.seen, row.stations) == (236, 241)
    assert row.width_error_mm == pytest.approx(0.005)
    assert row.inside == 0.0, "0.1 mm off is outside a band of 0.028 mm"


def test_nothing_seen_gives_a_row_without_figures(measurement: Measurement) -> None:
    row = demo.compare("x", measurement, np.array([[500.0], [0.0], [1.0], [0.5]]))
    assert row.seen == 0
    assert demo.table([row]).splitlines()[1].split()[:3] == ["x", "0/1", "-"]


def test_demo_command_measures_all_and_leaves_their_files(tmp_path: Path, capsys) -> None:
    out = tmp_path / "demo"
    assert cli.main(["demo", "--out", str(out)]) == 0
    shown = capsys.readouterr().out
    assert "refused" not in shown
    for d in demo.load():
        assert f"\n{d.name}  " in shown
        assert len(list((out / d.name).glob("overlay*.jpg"))) == len(d.photos)
        assert (out / d.name / "picture.png").exists()
        todo = job.read_job(out / d.name / "job.toml")
        assert [(out / d.name / p.path).resolve() for p in todo.sides[0].photos] == list(d.photos), "the report sends its reader to it"
        assert (out / d.name / "profile.csv").stat().st_size > 1000
    assert str(out) in shown


def test_demo_into_a_file_is_refused_before_it_measures(tmp_path: Path, capsys) -> None:
    file = tmp_path / "mine"
    file.write_text("mine")
    assert cli.main(["demo", "--out", str(file)]) == 3
    assert "it is a file, not a folder" in capsys.readouterr().err
