"""One session's measurements: what is searched again and what is not, what is kept, the files that are made when asked for."""

from __future__ import annotations

from dataclasses import replace

import pytest

from app import files, session
from app.demo import load
from vision.declared import Reading
from vision.errors import DeclarationError, PhotoRefused
from vision.hints import Guide, Hints, LineKind
from vision.job import job_from_text, job_text, open_job
from vision.measure import Settings, measure
from vision.photo import open_photo
from vision.zones import Stretches


@pytest.fixture(scope="module")
def demo():
    return next(d for d in load() if d.name == "belly-thickens")


@pytest.fixture(scope="module")
def task(demo):
    return session.one_side(session.uploads([(p.name, p.read_bytes()) for p in demo.photos]), demo.declared)


@pytest.fixture(scope="module")
def bench(task):
    bench = session.Bench()
    bench.measure(task)
    return bench


def test_a_changed_angle_reading_or_stretch_needs_no_search(bench, task, demo) -> None:
    stages: list[str] = []
    declared = replace(demo.declared, included_angle_deg=33.0, readings=(Reading(20.0, 0.5),))
    stretches = Stretches(leave_out=((20.0, 25.0),))
    changed = replace(session.with_declared(task, declared), settings=Settings(stretches=stretches))
    result = bench.measure(changed, lambda stage, share: stages.append(stage))
    assert stages == ["thickness"]
    assert bench.searches == 1
    anew = measure([open_photo(p) for p in demo.photos], declared, stretches=stretches)
    assert (result.measurement.thickness, result.measurement.zones) == (anew.thickness, anew.zones)


def test_another_edge_height_is_another_view_and_is_searched(bench, task, demo) -> None:
    before = bench.searches
    bench.measure(session.with_declared(task, replace(demo.declared, edge_height_mm=0.9)))
    assert bench.searches == before + 1


def test_a_guide_point_searches_its_photo_again_and_is_in_the_job(bench, task, demo) -> None:
    before, plain = bench.searches, bench.measure(task).measurement
    x, y = (float(v) for v in plain.widths.shoulder_px[100])
    hints = (Hints((Guide(LineKind.SHOULDER, x, y),)),)
    result = bench.measure(session.one_side(task.uploads, demo.declared, hints))
    assert bench.searches == before + 1
    assert result.measurement.corrected_by_hand
    bench.measure(task)
    assert bench.searches == before + 1, "taken back, the first lines are still known"
    assert job_from_text(result.file("job.toml").decode()).sides[0].photos[0].hints == hints[0]


def test_one_photo_given_twice_is_refused_before_any_search(task) -> None:
    twice = session.one_side((task.uploads[0], session.Upload("again.jpg", task.uploads[0].data)), task.sides[0].declared)
    bench = session.Bench()
    with pytest.raises(DeclarationError, match="the same picture"):
        bench.measure(twice)
    assert bench.searches == 0


def test_what_is_kept_is_bounded() -> None:
    bench = session.Bench()
    for number in range(100):
        session._remembered(bench._packs, str(number), 3, lambda number=number: number)
    assert list(bench._packs) == ["97", "98", "99"]


def test_files_are_those_of_the_command(bench, task, demo, tmp_path) -> None:
    result = bench.measure(task)
    assert set(result.names()) == {"report.pdf", "profile.csv", "overlay.jpg", "picture.png", "measurement.json", "job.toml"}
    assert result.file("profile.csv").startswith(b"position_mm,")
    (tmp_path / "measurement.json").write_bytes(result.file("measurement.json"))
    assert files.read_measurement(tmp_path / "measurement.json") == result.measurement
    assert result.file("report.pdf").startswith(b"%PDF")
    assert result.file("overlay.jpg").startswith(b"\xff\xd8")
    job = job_from_text(result.file("job.toml").decode())
    assert job.sides[0].declared == demo.declared
    sides, _ = open_job(job, demo.photos[0].parent)
    assert sides[0].photos[0].sha256 == result.measurement.photos[0].sha256


def test_photos_with_the_lamp_moved_are_one_search(task, monkeypatch) -> None:
    calls = []

    def sight_together(photos, declared, profile, hints, report):
        calls.append([p.name for p in photos])
        raise PhotoRefused("lamp-2.jpg", "it is of another setting", "move the lamp alone")

    monkeypatch.setattr(session, "sight_together", sight_together)
    (side,) = task.sides
    lit = replace(task, sides=(replace(side, photos=side.photos, moved_light=True),))
    with pytest.raises(PhotoRefused, match="another setting"):
        session.Bench().measure(lit)
    assert calls == [[u.name for u in side.photos]]
    assert job_from_text(job_text(lit.job)).sides[0].moved_light
