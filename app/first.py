"""The demo that the page opens on, measured once a process, in the background from the moment the app is served.

It is measured like any other photo by the program that runs, so what it shows cannot be out of date.
"""

from __future__ import annotations

import hashlib
import threading
from concurrent.futures import Future
from dataclasses import dataclass

from app import outputs
from app.demo import Demo, load
from app.viewer import tiles
from vision.declared import Declared
from vision.photo import open_photo
from vision.sighting import Sighting, sight

NAME = "plain-edge"
_LOCK = threading.Lock()
_running: dict[str, Future[_Ready]] = {}


@dataclass(frozen=True, eq=False)
class _Ready:
    """Lines and tiles of the demo's photo, and the declared view they were found with."""

    sighting: Sighting
    view: Declared
    pack: tiles.Pack


def demo() -> Demo:
    """The demo that the page opens on."""
    return next(d for d in load() if d.name == NAME)


def warm() -> None:
    """Begin, unless somebody has; returns at once."""
    with _LOCK:
        if _running:
            return
        chosen = demo()
        _running[_sha256(chosen)] = future = Future()
    # Not a daemon: an interpreter that ends while a daemon is inside OpenCV aborts with a core dump. It takes a few seconds at most.
    threading.Thread(target=_work, args=(chosen, future), name="first demo").start()


def sighting(sha256: str, name: str, view: Declared) -> Sighting | None:
    """The demo's lines when this is its photo, seen as its owner declares; waits for them."""
    ready = _ready(sha256)
    return ready.sighting if ready and ready.view == view and ready.sighting.record.name == name else None


def pack(sha256: str) -> tiles.Pack | None:
    """The demo's tiles when this is its photo; waits for them."""
    ready = _ready(sha256)
    return ready.pack if ready else None


def _ready(sha256: str) -> _Ready | None:
    future = _running.get(sha256)
    return future.result() if future else None


def _work(chosen: Demo, future: Future[_Ready]) -> None:
    try:
        photo = open_photo(chosen.photos[0])
        view = chosen.declared.of_the_view
        future.set_result(_Ready(sight(photo, chosen.declared), view, tiles.pack(outputs.rgb8(photo))))
    except BaseException as error:  # whoever waits must hear of it
        future.set_exception(error)


def _sha256(chosen: Demo) -> str:
    return hashlib.sha256(chosen.photos[0].read_bytes()).hexdigest()
