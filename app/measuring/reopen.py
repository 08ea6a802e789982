"""A job file opened again: its facts, readings, stretches and guide points, waiting for its photos."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from pathlib import PurePath

import streamlit as st
from streamlit.runtime.uploaded_file_manager import UploadedFile

from app.measuring import given, work
from app.measuring.words import plain
from app.session import Upload
from vision.errors import DeclarationError
from vision.job import Job, JobPhoto, job_from_bytes

_KEY = "job"


@dataclass(frozen=True)
class Opened:
    """The job that this session works on, and the name under which its corrections are kept."""

    sha256: str
    subject: str
    job: Job

    def side_of(self, upload: Upload) -> int:
        """Which side the job counts this photo to; the first for one it does not name."""
        return next((i for i, s in enumerate(self.job.sides) if any(_is(p, upload) for p in s.photos)), 0)

    @property
    def photos(self) -> int:
        """How many photos the job names."""
        return sum(len(s.photos) for s in self.job.sides)

    def missing(self, uploads: tuple[Upload, ...]) -> tuple[str, ...]:
        """Photos that the job names and nobody has dropped; those without a SHA-256 go by their name."""
        return tuple(p.path for s in self.job.sides for p in s.photos if not any(_is(p, u) for u in uploads))


def _is(photo: JobPhoto, upload: Upload) -> bool:
    """Whether this file is the photo that the job names: by its bytes, since phones use names again; without a SHA-256 by its name."""
    return photo.sha256.lower() == upload.sha256 if photo.sha256 else PurePath(photo.path).name == upload.name


def opened() -> Opened | None:
    """The job that was opened last."""
    return st.session_state.get(_KEY)


def draw() -> None:
    """The place to drop a job file; a new one takes over the page's facts.

    Raises
    ------
    DeclarationError
        As `vision.job.job_from_bytes`, or the job rests on a camera profile, which is a file that the page has not got, or points at places
        in a photo that it does not name by its bytes.
    """
    found = given.files("job-file", _field)
    if not found:
        st.session_state.pop(_KEY, None)
        return
    name, data = found[-1]
    sha256 = hashlib.sha256(data).hexdigest()
    before = opened()
    if before is None or before.sha256 != sha256:
        job = job_from_bytes(data, name)
        if job.method.camera_profile:
            remedy = "measure it by `shoulderline measure --job`, or take the profile out of the file"
            raise DeclarationError(name, f"it rests on the camera profile {job.method.camera_profile}, which this page has not got", remedy)
        if nameless := next((p.path for s in job.sides for p in s.photos if p.hints and not p.sha256), None):
            why = f"it points at places in {nameless}, but has no SHA-256 that says which photo that is"
            raise DeclarationError(name, why, "measure it by `shoulderline measure --job`: the job.toml of its result has it")
        _take_over(Opened(sha256, f"job-{sha256[:8]}", job))
    st.success(plain(f"{name} is open. Its facts, readings and corrections are in the fields as soon as its photos are dropped above."))


def _field() -> list[UploadedFile]:
    file = st.file_uploader("Job file (job.toml) of an earlier result", type=["toml"], key="job-file")
    return [] if file is None else [file]


def _take_over(found: Opened) -> None:
    st.session_state[_KEY] = found
    first = found.job.sides[0]
    kept = st.session_state.setdefault("facts", {})
    kept[found.subject] = first.declared
    for other in found.job.sides[1:]:
        kept[f"{found.subject}-other"] = other.declared
    photos = [p for s in found.job.sides for p in s.photos]
    points = tuple(work.Point(p.sha256.lower(), g.line.value, g.x_px, g.y_px) for p in photos for g in p.hints.guides)
    stretches = found.job.stretches
    work.replace_desk(
        found.subject,
        work.Work(
            tuple(work.Spot(r.position_mm, r.thickness_mm, r.set_aside) for r in first.declared.readings),
            stretches.leave_out,
            tuple((name, *span) for name, span in stretches.apart.items()),
            points,
            stretches.only,
            tuple((p.sha256.lower(), p.hints) for p in photos if p.hints),
        ),
    )
