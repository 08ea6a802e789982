"""What is measured is what was dropped, declared, ticked and pointed at."""

from __future__ import annotations

from app.measuring import tasks
from app.measuring.other_side import Other
from app.measuring.photos import Chosen
from app.measuring.work import Point, Spot, Work
from app.session import uploads
from vision.declared import Caliper, Declared, Reading
from vision.job import Blade, job_from_text, job_text

PHOTOS = uploads([("a.jpg", b"a"), ("b.jpg", b"b")])
DECLARED = Declared(included_angle_deg=30.0, caliper=Caliper(0.02))


def test_photos_under_a_moved_lamp_are_one_setting_in_the_job_too() -> None:
    task = tasks.of(Chosen("own", PHOTOS, None, (), True), DECLARED, Work(), None, Blade())
    assert task.sides[0].moved_light
    assert job_from_text(job_text(task.job)).sides[0].moved_light


def test_readings_guides_and_caliper_go_where_they_belong() -> None:
    work = Work(
        (Spot(10.0, 0.4), Spot(12.0)), points=(Point(PHOTOS[1].sha256, "apex", 3.0, 4.0), Point(PHOTOS[0].sha256, "along", 1.0, 1.0))
    )
    other = Other(uploads([("c.jpg", b"c")]), Declared(included_angle_deg=34.0), "tip", (3.0, 40.0))
    task = tasks.of(Chosen("own", PHOTOS, None), DECLARED, work, other, Blade("Halden"))
    first, second = task.sides
    assert first.declared.readings == (Reading(10.0, 0.4),)
    assert [len(h.guides) for h in first.hints] == [0, 1]
    assert (first.landmark_mm, second.landmark_mm, task.landmark) == (3.0, 40.0, "tip")
    assert second.declared == Declared(included_angle_deg=34.0, caliper=Caliper(0.02))
    assert task.job.blade.maker == "Halden"
