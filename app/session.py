"""The app's one call into the library, remembered by photo bytes and declared facts."""

from __future__ import annotations

from dataclasses import dataclass

import streamlit as st

from app import outputs, overlay
from vision.declared import Declared
from vision.job import Job, JobPhoto, JobSide, job_text
from vision.measure import measure
from vision.photo import open_photo
from vision.results import Measurement

# The widest a picture is shown; a phone or a laptop never sees more, and the full size stays in the download.
_SHOWN_PX = 1600


@dataclass(frozen=True)
class Result:
    """A measurement, its files by name, and reduced pictures with both lines as (photo name, JPEG bytes)."""

    measurement: Measurement
    contents: dict[str, bytes]
    reduced: tuple[tuple[str, bytes], ...]


# Bounded: one entry holds a full-size overlay for each photo.
@st.cache_data(max_entries=8, show_spinner=False)
def measured(photos: tuple[tuple[str, bytes], ...], declared: Declared) -> Result:
    """Measure photos given as (name, bytes); the same bytes and facts are measured once."""
    opened = [open_photo(data, name) for name, data in photos]
    result = measure(opened, declared)
    reduced = []
    for i, photo in enumerate(opened):
        rgb = outputs.rgb8(photo)
        picture = overlay.draw(rgb, result, i, reduce=min(1.0, _SHOWN_PX / rgb.shape[1]))
        reduced.append((photo.name, outputs.overlay_jpeg(picture)))
    contents = outputs.build(result, opened)
    side = JobSide(tuple(JobPhoto(p.name, p.sha256) for p in opened), declared)
    # Names alone: kept beside the photos, the job file measures them again from the command line.
    contents["job.toml"] = job_text(Job((side,))).encode()
    return Result(result, contents, tuple(reduced))
