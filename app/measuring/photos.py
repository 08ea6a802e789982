"""Which photos are measured: the person's own, the device's camera, or a demo."""

from __future__ import annotations

from dataclasses import dataclass

import streamlit as st

from app import first
from app.demo import load
from app.measuring import reopen
from app.measuring.words import plain
from app.session import Upload, uploads
from vision.declared import Declared

KINDS = ["jpg", "jpeg", "png", "tif", "tiff", "webp", "heic", "heif"]
OWN = "own"


@dataclass(frozen=True)
class Chosen:
    """Photos of one subject; `declared` is what the demo's owner declares, None for the person's own.

    `other` are photos among them that an opened job file counts to the second side. `moved_light`: all show one setting,
    only the lamp was moved between them.
    """

    subject: str
    uploads: tuple[Upload, ...]
    declared: Declared | None
    other: tuple[Upload, ...] = ()
    moved_light: bool = False


def choose() -> Chosen:
    """Draw the ways in; without a photo of the person's own, a demo.

    Raises
    ------
    DeclarationError
        A job file that cannot be opened.
    """
    files = st.file_uploader(
        "Your photos of one edge along one strip", type=KINDS, accept_multiple_files=True, key="photos",
        help="Several photos are joined by the printed scale. They stay on the machine that serves this page.",
    )  # fmt: skip
    with st.expander("Take a photo now, open a job file again, or look at another demo"):
        taken = (
            st.camera_input("Edge and strip together, from straight above", resolution=None)
            if st.toggle("Use this device's camera")
            else None
        )
        reopen.draw()
        demos = {d.name: d for d in load()}
        name = st.selectbox(
            "Demo", list(demos), index=list(demos).index(first.NAME), format_func=lambda n: n.replace("-", " "), key="demo",
            help="The demo photos show an invented blade; their truth is known.",
        )  # fmt: skip
    given = [(f.name, f.getvalue()) for f in files] + ([("camera.jpg", taken.getvalue())] if taken else [])
    job = reopen.opened()
    if given:
        # What was said here of a demo would stand until the end of the search.
        st.empty()
        return _own(uploads(given), job)
    if job:
        st.info(plain(f"The job file waits for its photos: {', '.join(job.missing(()))}."))
    demo = demos[name]
    st.info("A demo blade, measured with what its owner declares. Drop your own photo above to measure yours.")
    return Chosen(f"demo:{name}", uploads([(p.name, p.read_bytes()) for p in demo.photos]), demo.declared)


def _own(given: tuple[Upload, ...], job: reopen.Opened | None) -> Chosen:
    if job is None:
        return Chosen(OWN, given, None, (), _moved(OWN, given, False))
    if missing := job.missing(given):
        st.warning(plain(f"The job file also names {', '.join(missing)}: drop these too, or the figures will not be those of the job."))
    sides = [tuple(u for u in given if job.side_of(u) == i) for i in range(2)]
    return Chosen(job.subject, sides[0], None, sides[1], _moved(job.subject, sides[0], job.job.sides[0].moved_light))


def _moved(subject: str, photos: tuple[Upload, ...], before: bool) -> bool:
    if len(photos) < 2:
        return False
    return st.checkbox(
        "Blade, strip and camera stayed; only the lamp was moved between these photos", before, key=f"{subject}-lights",
        help="They are then measured as one: rounding and glare move with the lamp, the shoulder does not.",
    )  # fmt: skip
