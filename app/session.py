"""What one page's session has measured: each photo is searched once, everything after the search is done anew when a fact changes.

A `Bench` belongs to one session and ends with it, so that nobody sees another's photos and the memory comes back. It keeps files'
bytes, lines found and tiles to look at, each bounded; a decoded photo (36 MB at 12 megapixels) is opened again when it is needed.
"""

from __future__ import annotations

import contextlib
import ctypes
import hashlib
import os
import threading
from collections import OrderedDict
from collections.abc import Callable, Hashable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any, TypeVar

import numpy as np
import streamlit as st

from app import files, first, outputs, overlay
from app.viewer import tiles
from vision.camera_profile import CameraProfile
from vision.declared import Declared
from vision.hints import Hints
from vision.job import Blade, Job, JobPhoto, JobSide, Method, job_text
from vision.lights import sight_together
from vision.measure import Settings, Side, check, conclude, seams, what_narrows
from vision.merge import Overlap
from vision.narrow import Narrowing
from vision.photo import Photo, open_photo
from vision.results import Measurement
from vision.sighting import Progress, Sighting, sight

# A whole edge is 3 to 8 photos a side; twice that, for a fact changed and changed back.
_MOST_SIGHTINGS = 32
# 3 MB each at 12 megapixels.
_MOST_PACKS = 16
# Fact changed and changed back; a result is a few thousand numbers.
_MOST_RESULTS = 4
_UNKNOWN = object()
# glibc's malloc.h.
_MMAP_THRESHOLD, _ARENA_MAX = -3, -8
# A search takes up to 0.8 GB (tests/benchmarks): ten sessions at once wait for each other rather than for the swap.
_SEARCHES = threading.BoundedSemaphore(max(1, min(4, os.cpu_count() or 1)))

T = TypeVar("T")


@dataclass(frozen=True, eq=False)
class Upload:
    """A photo's file as it was given; name and SHA-256 are all that `vision.measure.conclude` asks of a photo."""

    name: str
    data: bytes

    @cached_property
    def sha256(self) -> str:
        """Of the bytes, in hexadecimal."""
        return hashlib.sha256(self.data).hexdigest()

    def open(self) -> Photo:
        """The decoded photo; raises `PhotoRefused`."""
        return open_photo(self.data, self.name)


@dataclass(frozen=True)
class Task:
    """What is measured: one or two sides whose photos are `Upload`, and what holds for the whole."""

    sides: tuple[Side, ...]
    settings: Settings = field(default_factory=Settings)
    blade: Blade = field(default_factory=Blade)
    landmark: str = ""

    @property
    def uploads(self) -> tuple[Upload, ...]:
        """All photos, the first side's first."""
        return tuple(p for side in self.sides for p in side.photos)  # type: ignore[misc]

    @property
    def job(self) -> Job:
        """The job file's content: photos by name alone, so that kept beside them it measures them again."""
        two = len(self.sides) == 2
        sides = tuple(
            JobSide(
                tuple(JobPhoto(p.name, p.sha256, hints) for p, hints in zip(s.photos, hints_of(s), strict=True)),
                s.declared,
                self.landmark if two else "",
                s.landmark_mm,
                s.moved_light,
            )
            for s in self.sides
        )
        stretches = self.settings.stretches
        method = Method(repeatability_mm=self.settings.repeatability_mm)
        return Job(sides, self.blade, method, stretches) if stretches else Job(sides, self.blade, method)


@dataclass(frozen=True, eq=False)
class Result:
    """A measurement and what it was made from; its files are made when somebody asks for them. `seams` are each side's, in order."""

    measurement: Measurement
    task: Task
    seams: tuple[tuple[Overlap, ...], ...] = ()

    def names(self) -> tuple[str, ...]:
        """Names of the files there are, the report first."""
        tables = ("profile.csv", "profile-other.csv") if self.measurement.other is not None else ("profile.csv",)
        return ("report.pdf", *tables, *outputs.overlay_names(len(self.measurement.photos)), "picture.png", "measurement.json", "job.toml")

    def rgb(self, index: int) -> np.ndarray:
        """(H, W, 3) uint8 of one of the photos, decoded anew."""
        return outputs.rgb8(self.task.uploads[index].open())

    def file(self, name: str) -> bytes:
        """One file's bytes; the same as `shoulderline measure` writes."""
        if name.endswith(".csv"):
            return files.tables(self.measurement)[name].encode()
        if name == "measurement.json":
            return files.measurement_text(self.measurement).encode()
        if name == "job.toml":
            return job_text(self.task.job).encode()
        if name == "report.pdf":
            # Imported here: matplotlib takes a second that a first look need not wait for.
            from app import report

            pictures = [self.rgb(i) for i in range(len(self.measurement.photos))]
            return report.pdf(self.measurement, pictures, self.task.blade.in_words)
        if name == "picture.png":
            from app import picture

            shown = picture.photo_to_show(self.measurement)
            return picture.png(self.measurement, self.rgb(shown), shown)
        index = outputs.overlay_names(len(self.measurement.photos)).index(name)
        return outputs.overlay_jpeg(overlay.draw(self.rgb(index), self.measurement, index))


class _Concluded:
    """A result with the lines behind it; what would narrow it is worked out when somebody looks."""

    def __init__(self, result: Result, seen: list[list[Sighting]]) -> None:
        self.result, self.seen = result, seen
        self.narrowing: Any = _UNKNOWN


class Bench:
    """One session's lines and tiles, the least lately used forgotten first."""

    def __init__(self) -> None:
        self._sightings: OrderedDict[Hashable, Sighting] = OrderedDict()
        self._packs: OrderedDict[str, tiles.Pack] = OrderedDict()
        self._concluded: OrderedDict[Hashable, _Concluded] = OrderedDict()
        self.searches = 0

    def look(self, task: Task, report: Progress | None = None) -> list[list[Sighting]]:
        """Each side's photos with their lines; only photos that are new, or whose view was declared anew, are searched.

        Raises
        ------
        ShoulderlineError
            As `vision.measure.measure_sides`.
        """
        report = report or (lambda stage, share: None)
        check(task.sides)
        count, index, seen = len(task.uploads), 0, []
        for side in task.sides:
            seen.append([])
            if side.moved_light:
                seen[-1].append(self._together(side, task.settings.profile, _part(report, index, count)))
                index += len(side.photos)
                continue
            for upload, hints in zip(side.photos, hints_of(side), strict=True):
                seen[-1].append(self._sighting(upload, side.declared, task.settings.profile, hints, _part(report, index, count)))
                index += 1
        return seen

    def measure(self, task: Task, report: Progress | None = None) -> Result:
        """Measure what `look` sees; the page is drawn anew for every click, and what nothing has changed is not worked out again."""
        seen = self.look(task, report)
        if report:
            report("thickness", 0.95)

        def made() -> _Concluded:
            joins = tuple(seams(side, group, task.settings.repeatability_mm) for side, group in zip(task.sides, seen, strict=True))
            return _Concluded(Result(conclude(task.sides, seen, task.settings), task, joins), seen)

        return _remembered(self._concluded, _key(task), _MOST_RESULTS, made).result

    def narrowing(self, result: Result) -> Narrowing | None:
        """What would narrow the band of a result that `measure` gave most."""
        kept = self._concluded[_key(result.task)]
        if kept.narrowing is _UNKNOWN:
            kept.narrowing = what_narrows(result.task.sides, kept.seen, result.task.settings)
        return kept.narrowing

    def _together(self, side: Side, profile: CameraProfile | None, report: Progress) -> Sighting:
        """Photos of one setting with the lamp moved: one search of all of them."""
        hints = hints_of(side)
        key = (tuple((u.sha256, u.name) for u in side.photos), side.declared.of_the_view, profile, hints)

        def search() -> Sighting:
            self.searches += 1
            with _turn(report):
                photos = [u.open() for u in side.photos]  # type: ignore[attr-defined]
                return sight_together(photos, side.declared, profile, hints, report)

        return _remembered(self._sightings, key, _MOST_SIGHTINGS, search)

    def pack(self, upload: Upload) -> tiles.Pack:
        """Tiles of one photo."""
        shared = first.pack(upload.sha256)
        return shared or _remembered(self._packs, upload.sha256, _MOST_PACKS, lambda: tiles.pack(outputs.rgb8(upload.open())))

    def _sighting(self, upload: Upload, declared: Declared, profile: CameraProfile | None, hints: Hints, report: Progress) -> Sighting:
        view = declared.of_the_view
        ready = first.sighting(upload.sha256, upload.name, view) if profile is None and not hints else None
        key = (upload.sha256, upload.name, view, profile, hints)

        def search() -> Sighting:
            self.searches += 1
            with _turn(report):
                report(f"open {upload.name}", 0.0)
                photo = upload.open()
                # The tiles are wanted next and the pixels are here now.
                _remembered(self._packs, upload.sha256, _MOST_PACKS, lambda: tiles.pack(outputs.rgb8(photo)))
                return sight(photo, declared, profile, hints, report)

        return ready or _remembered(self._sightings, key, _MOST_SIGHTINGS, search)


def _key(task: Task) -> str:
    """Everything that a result rests on, as text: equal figures print alike."""
    sides = [([(u.sha256, u.name) for u in s.photos], s.declared, s.landmark_mm, hints_of(s), s.moved_light) for s in task.sides]  # type: ignore[attr-defined]
    return repr((sides, task.settings, task.blade, task.landmark))


def hints_of(side: Side) -> tuple[Hints, ...]:
    """What was pointed at in each of the side's photos."""
    return tuple(h or Hints() for h in side.hints) or (Hints(),) * len(side.photos)


def bench() -> Bench:
    """The bench of the session that runs this script."""
    return st.session_state.setdefault("bench", Bench())


def uploads(photos: Sequence[tuple[str, bytes]]) -> tuple[Upload, ...]:
    """Photos from (name, bytes)."""
    return tuple(Upload(name, data) for name, data in photos)


def one_side(photos: Sequence[Upload], declared: Declared, hints: tuple[Hints, ...] = ()) -> Task:
    """The commonest task: photos along one strip."""
    return Task((Side(tuple(photos), declared, None, hints),))  # type: ignore[arg-type]


def with_declared(task: Task, declared: Declared) -> Task:
    """The task with other facts of its first side."""
    return replace(task, sides=(replace(task.sides[0], declared=declared), *task.sides[1:]))


@contextmanager
def _turn(report: Progress) -> Iterator[None]:
    if not _SEARCHES.acquire(blocking=False):
        report("wait for another measurement to end", 0.0)
        _SEARCHES.acquire()
    try:
        yield
    finally:
        _SEARCHES.release()
        _give_back()


def _give_back() -> None:
    """Hand freed memory back to the system: glibc keeps an arena for each thread, and every session has its own thread."""
    with contextlib.suppress(OSError, AttributeError):
        ctypes.CDLL("libc.so.6").malloc_trim(0)


def keep_small() -> None:
    """For a server: few arenas, and every picture in pages of its own, which go back to the system the moment it is freed.

    Left alone, glibc raises the size from which it does so to that of the largest array freed, and ten sessions' pictures end up
    in arenas that never shrink. No other system's C library needs telling.
    """
    with contextlib.suppress(OSError, AttributeError):
        libc = ctypes.CDLL("libc.so.6")
        libc.mallopt(_MMAP_THRESHOLD, 1 << 20)
        libc.mallopt(_ARENA_MAX, 2)


def _remembered(store: OrderedDict, key: Hashable, most: int, make: Callable[[], T]) -> T:
    if key not in store:
        store[key] = make()
    store.move_to_end(key)
    while len(store) > most:
        store.popitem(last=False)
    return store[key]


def _part(report: Progress, index: int, count: int) -> Progress:
    return lambda stage, share: report(stage, 0.9 * (index + share) / count)
