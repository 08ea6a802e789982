"""One job measured and written: what ``shoulderline measure`` does once, and for each of many photos."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

import vision.measure
from app import outputs
from vision import job
from vision.errors import DeclarationError, NothingLeft
from vision.photo import Photo
from vision.results import Measurement

JOB = "job.toml"


def make_result(
    todo: job.Job | Path,
    folder: Path,
    out: Path,
    report: Callable[[str, float], None] | None = None,
    at_once: int = 1,
    picture: bool = False,
) -> tuple[Measurement, tuple[str, ...]]:
    """Measure a job whose paths are relative to `folder` and write its result into `out`, completely or not at all.

    Parameters
    ----------
    todo : Job, or Path of a job file
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
        As `vision.measure.measure_sides`, `vision.job.open_job` and `app.outputs.check_folder`; `out` holds a job file that a person
        filled in and that is not `todo`; the marked stretches leave nothing of the edge (`NothingLeft`).
    """
    source, todo = (todo, job.read_job(todo)) if isinstance(todo, Path) else (None, todo)
    noted = _check_job(out, source)
    outputs.check_folder(out, [folder / p.path for side in todo.sides for p in side.photos])
    sides, settings = job.open_job(todo, folder)
    photos = [photo for side in sides for photo in side.photos]
    result = vision.measure.measure_sides(sides, settings, report, at_once)
    # The screens show a result without its headline, since a mark made there is taken back by a click; a file would only mislead.
    if nothing := next((n for n in result.notes if n.code == "no-main-stretch"), None):
        raise NothingLeft("no result", nothing.text, nothing.remedy)
    if report:
        report("write the results", 1.0)
    contents = outputs.build(result, photos, todo.blade.in_words)
    contents[JOB] = job.job_text(job.moved(job.with_hashes(todo, photos, folder), folder, out), noted).encode()
    if picture:
        contents["picture.png"] = _picture(result, photos)
    outputs.write(out, contents)
    return result, tuple(contents)


def _check_job(out: Path, source: Path | None) -> tuple[str, ...]:
    """Refuse to write over what a person typed into the ``job.toml`` of `out`, unless it is the `source` that is measured by.

    Returns
    -------
    tuple of str
        Comments in that source: the new file, which holds its facts, is to hold them too.
    """
    path = out / JOB
    if not path.is_file():
        return ()
    text = path.read_bytes().decode("utf-8", "replace")
    if source is not None and path.samefile(source):
        return job.comments(text)
    if not job.as_written(text):
        why = f"the {JOB} in it was filled in or changed by hand, and that would be lost"
    # Another job file is the person's own word; flags say nothing of the blade.
    elif source is None and (said := _said_in(text)):
        why = f"the {JOB} in it says “{said}”, which no flag does, and that would be lost"
    else:
        return ()
    raise DeclarationError(f"--out {out}", why, f"measure by it (--job {path}), move it away, or name another folder")


def _said_in(text: str) -> str:
    """What a job file says in a person's words, of the blade, of the method or in comments; "" when it says nothing."""
    kept = job.job_from_text(text)
    return kept.blade.in_words or kept.method.name or " ".join(job.comments(text))


def _picture(result: Measurement, photos: Sequence[Photo]) -> bytes:
    from app import picture

    shown = picture.photo_to_show(result)
    return picture.png(result, outputs.rgb8(photos[shown]), shown)
