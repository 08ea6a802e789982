"""One job measured and written: what ``shoulderline measure`` does once, and for each of many photos."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

import vision.measure
from app import outputs
from vision import job
from vision.photo import Photo
from vision.results import Measurement


def make_result(
    todo: job.Job, folder: Path, out: Path, report: Callable[[str, float], None] | None = None, at_once: int = 1, picture: bool = False
) -> tuple[Measurement, tuple[str, ...]]:
    """Measure a job whose paths are relative to `folder` and write its result into `out`, completely or not at all.

    Parameters
    ----------
    todo : Job
    folder, out : Path
    report : callable, optional
        As for `vision.measure.measure_sides`.
    at_once : int
        Photos searched at the same time.
    picture : bool
        Add the picture for sharing.

    Returns
    -------
    Measurement, names of the files in `out`

    Raises
    ------
    ShoulderlineError
        As `vision.measure.measure_sides`, `vision.job.open_job` and `app.outputs.check_folder`.
    """
    outputs.check_folder(out, [folder / p.path for side in todo.sides for p in side.photos])
    sides, settings = job.open_job(todo, folder)
    photos = [photo for side in sides for photo in side.photos]
    result = vision.measure.measure_sides(sides, settings, report, at_once)
    if report:
        report("write the results", 1.0)
    contents = outputs.build(result, photos, todo.blade.in_words)
    contents["job.toml"] = job.job_text(job.moved(job.with_hashes(todo, photos, folder), folder, out)).encode()
    if picture:
        contents["picture.png"] = _picture(result, photos)
    outputs.write(out, contents)
    return result, tuple(contents)


def _picture(result: Measurement, photos: Sequence[Photo]) -> bytes:
    from app import picture

    shown = picture.photo_to_show(result)
    return picture.png(result, outputs.rgb8(photos[shown]), shown)
