"""What is to be measured, put together from everything that was dropped, declared and pointed at."""

from __future__ import annotations

from dataclasses import replace

from app.measuring import reopen
from app.measuring.other_side import Other
from app.measuring.photos import Chosen
from app.measuring.work import Work
from app.session import Task, Upload
from vision.declared import Declared
from vision.hints import Hints
from vision.job import Blade
from vision.measure import Settings, Side


def of(chosen: Chosen, declared: Declared, work: Work, other: Other | None, blade: Blade) -> Task:
    """The task; readings and caliper are the first side's."""
    job = reopen.opened()
    repeatability = job.job.method.repeatability_mm if job and job.subject == chosen.subject else 0.0
    settings = Settings(stretches=work.stretches, repeatability_mm=repeatability)
    first = replace(declared, readings=work.readings)
    turned = chosen.other + (other.uploads if other else ())
    if other is None or not turned:
        return Task((_side(chosen.uploads, first, None, work, chosen.moved_light),), settings, blade)
    here, there = other.landmarks_mm
    second = _side(turned, replace(other.declared, caliper=declared.caliper), there, work, other.moved_light)
    return Task((_side(chosen.uploads, first, here, work, chosen.moved_light), second), settings, blade, other.landmark)


def _side(uploads: tuple[Upload, ...], declared: Declared, landmark_mm: float | None, work: Work, moved: bool) -> Side:
    return Side(uploads, declared, landmark_mm, tuple(work.hints(u.sha256) for u in uploads), moved)  # type: ignore[arg-type]


def without_strip(task: Task, hints: Hints) -> Task:
    """The task with what was pointed at in its one photo; the check bars belong to the strip."""
    side = task.sides[0]
    return replace(task, sides=(replace(side, hints=(hints,), declared=replace(side.declared, printed_bar_mm=None)),))
