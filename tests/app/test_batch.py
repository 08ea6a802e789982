"""``shoulderline measure --each``: many results at once, by processes of their own."""

from __future__ import annotations

import csv
import importlib.util
import os
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import cv2
import numpy as np
import pytest

from app import batch, cli, files
from vision.declared import Declared
from vision.errors import DeclarationError
from vision.job import Job, JobPhoto, JobSide

_ROOT = Path(__file__).resolve().parents[2]
_DRAWN = _ROOT / "tests" / "vision" / "drawn.py"
FACTS = ["--angle", "30", "--edge-height", "0", "--camera-distance", "1000", "--printed-bar", "100,100"]
RESULT = ["job.toml", "measurement.json", "overlay.jpg", "profile.csv", "report.pdf"]


@pytest.fixture(scope="module")
def photos(tmp_path_factory) -> Path:
    """Two good photos, one without a strip and one that is no photo."""
    spec = importlib.util.spec_from_file_location("tests_batch_drawn", _DRAWN)
    module = importlib.util.module_from_spec(spec)
    # Dataclasses look their module up by name.
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    here = tmp_path_factory.mktemp("photos")
    for name, width in (("broad", 0.9), ("slim", 0.6)):
        cv2.imwrite(str(here / f"{name}.png"), np.ascontiguousarray(module.Drawn(width).photo().pixels[:, :1000, ::-1]))
    cv2.imwrite(str(here / "grey.png"), np.full((300, 400, 3), 128, np.uint8))
    (here / "torn.jpg").write_bytes(b"\xff\xd8\xff torn")
    return here


def _rows(out: Path) -> dict[str, dict[str, str]]:
    with (out / "summary.csv").open(encoding="utf-8", newline="") as table:
        return {row["result"]: row for row in csv.DictReader(table)}


def test_bad_photos_among_good_ones(photos: Path, tmp_path: Path, capsys) -> None:
    out = tmp_path / "results"
    names = ["torn.jpg", "broad.png", "grey.png", "slim.png"]
    assert cli.main(["measure", "--each", *(str(photos / n) for n in names), *FACTS, "--out", str(out), "--jobs", "2"]) == 3
    shown = capsys.readouterr()
    assert sorted(p.name for p in out.iterdir()) == ["broad", "slim", "summary.csv"]
    for name in ("broad", "slim"):
        assert sorted(p.name for p in (out / name).iterdir()) == RESULT
    assert [line.split(":")[0] for line in shown.out.splitlines()[:2]] == ["broad", "slim"]
    assert f"2 of 4 measured; in {out}: a folder for each, summary.csv" in shown.out
    first, second = shown.err.splitlines()
    assert "torn.jpg" in first
    assert second.startswith("grey.png: ")
    rows = _rows(out)
    assert list(rows) == ["torn", "broad", "grey", "slim"]
    assert [r["state"] for r in rows.values()] == ["refused", "measured", "refused", "measured"]
    assert rows["torn"]["refused"] == first
    m = files.read_measurement(out / "slim" / "measurement.json")
    assert float(rows["slim"]["main_thickness_mm"]) == pytest.approx(m.zones.main.mean.value_mm, abs=1e-5)
    assert np.nanmedian(m.widths.width_mm) == pytest.approx(0.6 / np.cos(np.radians(15)), abs=0.01)
    assert tuple(rows["slim"]) == batch.COLUMNS


def test_the_same_bytes_as_one_by_one_and_by_its_job_files(photos: Path, tmp_path: Path) -> None:
    paths = [str(photos / n) for n in ("broad.png", "slim.png")]
    both, again = tmp_path / "both", tmp_path / "again"
    assert cli.main(["measure", "--each", *paths, *FACTS, "--out", str(both), "--jobs", "2"]) == 0
    assert cli.main(["measure", paths[1], *FACTS, "--out", str(tmp_path / "alone")]) == 0
    jobs = [a for n in ("broad", "slim") for a in ("--job", str(both / n / "job.toml"))]
    assert cli.main(["measure", "--each", *jobs, "--out", str(again), "--jobs", "1"]) == 0
    expected = (both / "slim" / "profile.csv").read_bytes()
    assert (tmp_path / "alone" / "profile.csv").read_bytes() == expected
    assert (again / "slim" / "profile.csv").read_bytes() == expected
    # A second run replaces its own table and results.
    assert cli.main(["measure", "--each", paths[0], *FACTS, "--out", str(both)]) == 0
    assert list(_rows(both)) == ["broad"]


def test_folders_are_named_where_there_are_any(photos: Path, tmp_path: Path, capsys) -> None:
    assert cli.main(["measure", "--each", str(photos / "grey.png"), *FACTS, "--out", str(tmp_path / "x1")]) == 3
    assert f"0 of 1 measured; in {tmp_path / 'x1'}: summary.csv\n" in capsys.readouterr().out
    assert (
        cli.main(["measure", "--each", *(str(photos / n) for n in ("grey.png", "broad.png")), *FACTS, "--out", str(tmp_path / "x2")]) == 3
    )
    assert f"1 of 2 measured; in {tmp_path / 'x2'}: its folder, summary.csv\n" in capsys.readouterr().out


def test_a_table_of_somebody_elses_is_not_written_over(photos: Path, tmp_path: Path, capsys) -> None:
    (tmp_path / "summary.csv").write_text("name,score\n")
    assert cli.main(["measure", "--each", str(photos / "broad.png"), *FACTS, "--out", str(tmp_path)]) == 3
    assert "no table of an earlier run" in capsys.readouterr().err
    assert [p.name for p in tmp_path.iterdir()] == ["summary.csv"]


@pytest.mark.parametrize("names", [("a/edge.jpg", "b/edge.jpg"), ("Edge.jpg", "edge.png"), ("summary.csv.jpg",)])
def test_two_results_for_one_folder_are_refused_before_anything_is_measured(names: tuple[str, ...], tmp_path: Path) -> None:
    job = Job((JobSide(tuple(JobPhoto(n) for n in names), Declared(included_angle_deg=30)),))
    with pytest.raises(DeclarationError, match="same folder"):
        batch.tasks_of_photos(job, tmp_path)


class _Deadly:
    """A job that ends the process which unpacks it, as a decoder's crash would."""

    sides = ()

    def __reduce__(self):
        return os._exit, (9,)


def test_a_process_that_dies_takes_no_other_photo_with_it(photos: Path, tmp_path: Path) -> None:
    job = Job((JobSide((JobPhoto((photos / "slim.png").as_posix()),), Declared(included_angle_deg=30, edge_height_mm=0.0)),))
    tasks = [batch.Task("deadly", tmp_path / "deadly", _Deadly()), batch.Task("slim", tmp_path / "slim", job)]
    outcomes, stopped = batch.run(tasks, 2)
    assert not stopped
    assert [bool(o.refusal) for o in outcomes] == [True, False]
    assert "died while measuring it" in outcomes[0].refusal
    assert sorted(p.name for p in (tmp_path / "slim").iterdir()) == RESULT


def test_an_error_in_the_program_is_told_and_stops_no_other(photos: Path, tmp_path: Path, monkeypatch) -> None:
    def broken(todo, folder, out):
        raise ZeroDivisionError("by nothing")

    monkeypatch.setattr(batch, "make_result", broken)
    (outcome,), _ = batch.run(
        [batch.Task("slim", tmp_path / "slim", Job((JobSide((JobPhoto("slim.png"),), Declared(included_angle_deg=30)),)))], 4
    )
    assert outcome.refusal == "slim: an error in the program, ZeroDivisionError: by nothing; please report it."


def test_progress_counts_results(monkeypatch, tmp_path: Path) -> None:
    monkeypatch.setattr(batch, "measure_one", lambda task: batch.Outcome(task.name, task.name))
    told: list[tuple[str, float]] = []
    batch.run([batch.Task(n, tmp_path / n, tmp_path) for n in "ab"], 1, lambda *args: told.append(args))
    assert told == [("1 of 2 done", 0.5), ("2 of 2 done", 1.0)]


@pytest.mark.skipif(os.name == "nt", reason="Windows has no SIGINT for another process's group")
@pytest.mark.parametrize("jobs", ["2", "1"])
def test_ctrl_c_lets_what_is_in_work_finish(photos: Path, tmp_path: Path, jobs: str) -> None:
    many = [tmp_path / f"p{i}.png" for i in range(12 if jobs == "2" else 4)]
    for path in many:
        shutil.copy(photos / "slim.png", path)
    out = tmp_path / "results"
    command = [sys.executable, "-m", "app.cli", "measure", "--each", *map(str, many), *FACTS, "--out", str(out), "--jobs", jobs]
    run = subprocess.Popen(
        command, cwd=_ROOT, env=os.environ | {"PYTHONPATH": str(_ROOT)}, text=True, stderr=subprocess.PIPE, stdout=subprocess.PIPE,
        # A shell without job control starts what runs in the background with the interrupt ignored, and children inherit that.
        start_new_session=True, preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL),
    )  # fmt: skip
    while run.poll() is None and not list(out.glob("*/report.pdf")):
        time.sleep(0.02)
    # To all processes, as a terminal does.
    os.killpg(run.pid, signal.SIGINT)
    shown, said = run.communicate()
    assert run.returncode == 130, said
    assert "were not begun" in said
    assert "Traceback" not in said
    assert 1 <= len(_rows(out)) < len(many)
    assert sorted(p.name for p in out.iterdir() if p.is_dir()) == sorted(_rows(out)), "no half-written folder is left"
    for name in _rows(out):
        assert sorted(p.name for p in (out / name).iterdir()) == RESULT
        assert f"{name}: " in shown


@pytest.mark.parametrize(
    ("arguments", "word"),
    [(["--job", "a.toml", "--job", "b.toml"], "--each"), (["--each", "p.jpg", "--jobs", "0"], "whole number"), (["--each"], "one photo")],
)
def test_misuse(arguments: list[str], word: str, capsys) -> None:
    with pytest.raises(SystemExit) as left:
        cli.main(["measure", *arguments, "--out", "o"])
    assert left.value.code == 2
    assert word in capsys.readouterr().err
