"""Which photos are measured: the person's own, the device's camera, or a demo."""

from __future__ import annotations

from dataclasses import dataclass

import streamlit as st
from streamlit.runtime.uploaded_file_manager import UploadedFile

from app import fields, first
from app.demo import load
from app.measuring import given, reopen
from app.measuring.words import plain
from app.session import Upload, uploads
from vision.declared import Declared

KINDS = ["jpg", "jpeg", "png", "tif", "tiff", "webp", "heic", "heif"]
OWN = "own"


@dataclass(frozen=True)
class Chosen:
    """Photos of one subject; `declared` is what the demo's owner declares, None for the person's own.

    `other` are photos among them that an opened job file counts to the second side. `moved_light`: all show one setting,
    only the lamp was moved between them. `strange`: the opened job file names none of them.
    """

    subject: str
    uploads: tuple[Upload, ...]
    declared: Declared | None
    other: tuple[Upload, ...] = ()
    moved_light: bool = False
    strange: bool = False


def choose() -> Chosen:
    """Draw the ways in; without a photo of the person's own, a demo.

    Raises
    ------
    DeclarationError
        A job file that cannot be opened.
    """
    dropped = given.files(
        "photos",
        lambda: st.file_uploader(
            "Your photos of one edge along one strip", type=KINDS, accept_multiple_files=True, key="photos",
            help="Several photos are joined by the printed scale. They stay on the machine that serves this page.",
        ),
    )  # fmt: skip
    with st.expander("Take a photo now, open a job file again, or look at another demo"):
        taken = given.files("camera", _camera)
        reopen.draw()
        demos = {d.name: d for d in load()}
        name = st.selectbox(
            "Demo", list(demos), index=list(demos).index(first.NAME), format_func=lambda n: n.replace("-", " "), key="demo",
            help="The demo photos show an invented blade; their truth is known.",
        )  # fmt: skip
    mine = uploads((*dropped, *taken))
    job = reopen.opened()
    if mine:
        # What was said here of a demo would stand until the end of the search.
        st.empty()
        return _own(mine, job)
    if job:
        st.info(plain(f"The job file waits for its photos: {', '.join(job.missing(()))}."))
    demo = demos[name]
    st.info("A demo blade, measured with what its owner declares. Drop your own photo above to measure yours.")
    return Chosen(f"demo:{name}", uploads([(p.name, p.read_bytes()) for p in demo.photos]), demo.declared)


def _camera() -> list[UploadedFile]:
    if not st.toggle("Use this device's camera"):
        return []
    taken = st.camera_input("Edge and strip together, from straight above", resolution=None, key="camera")
    return [taken] if taken else []


def _own(mine: tuple[Upload, ...], job: reopen.Opened | None) -> Chosen:
    if job is None:
        return Chosen(OWN, mine, None, (), _moved(OWN, mine, False))
    missing = job.missing(mine)
    if missing:
        st.warning(plain(f"The job file also names {', '.join(missing)}: drop these too, or the figures will not be those of the job."))
    sides = [tuple(u for u in mine if job.side_of(u) == i) for i in range(2)]
    moved = _moved(job.subject, sides[0], job.job.sides[0].moved_light)
    return Chosen(job.subject, sides[0], None, sides[1], moved, strange=len(missing) == job.photos)


def _moved(subject: str, photos: tuple[Upload, ...], before: bool) -> bool:
    if len(photos) < 2:
        return False
    return st.checkbox(
        "Blade, strip and camera stayed; only the lamp was moved between these photos", key=fields.lasting(f"{subject}-lights", before),
        help="They are then measured as one: rounding and glare move with the lamp, the shoulder does not.",
    )  # fmt: skip
