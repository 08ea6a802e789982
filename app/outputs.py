"""A measurement's files as bytes, and the folder that holds them: all of them or none."""

from __future__ import annotations

import io
import os
import re
import shutil
import tempfile
from collections.abc import Mapping, Sequence
from pathlib import Path

import numpy as np
from PIL import Image

from app import files, overlay
from vision.errors import DeclarationError, ResultUnreadable
from vision.photo import Photo
from vision.results import Measurement

_OURS = re.compile(r"profile(-other)?\.csv|measurement\.json|job\.toml|report\.pdf|picture\.png|overlay(-\d+)?\.jpg")


def rgb8(photo: Photo) -> np.ndarray:
    """(H, W, 3) uint8 of a photo that may hold 16 bits."""
    pixels = photo.pixels
    if pixels.dtype == np.uint16:
        # 65535 / 255 = 257 exactly: black stays 0, white stays 255.
        pixels = ((pixels.astype(np.uint32) + 128) // 257).astype(np.uint8)
    return pixels


def overlay_names(count: int) -> tuple[str, ...]:
    """``overlay.jpg`` for one photo, ``overlay-1.jpg`` and so on for several."""
    return ("overlay.jpg",) if count == 1 else tuple(f"overlay-{i + 1}.jpg" for i in range(count))


def overlay_jpeg(picture: np.ndarray) -> bytes:
    """JPEG bytes; colour is kept at full resolution, or a line one pixel wide would lose its colour."""
    out = io.BytesIO()
    Image.fromarray(picture).save(out, "JPEG", quality=92, subsampling=0)
    return out.getvalue()


def build(measurement: Measurement, photos: Sequence[Photo], blade: str = "") -> dict[str, bytes]:
    """Every file of a result by its name, in the order of design.md section 9; `blade` heads the report."""
    # Imported here: matplotlib takes a second that a refused photo need not wait for.
    from app import report

    pictures = [rgb8(p) for p in photos]
    out = {name: text.encode() for name, text in files.tables(measurement).items()}
    out["measurement.json"] = files.measurement_text(measurement).encode()
    for i, name in enumerate(overlay_names(len(photos))):
        out[name] = overlay_jpeg(overlay.draw(pictures[i], measurement, i))
    out["report.pdf"] = report.pdf(measurement, pictures, blade)
    return out


def check_folder(folder: Path, photos: Sequence[Path] = ()) -> None:
    """Refuse a folder in which writing a result would destroy something that is not an earlier result.

    Raises
    ------
    DeclarationError
        `folder` is a file, would overwrite one of the photos, or holds files of a result's names without a readable
        ``measurement.json`` beside them.
    """
    if folder.exists() and not folder.is_dir():
        raise DeclarationError(f"--out {folder}", "it is a file, not a folder", "name a new or an existing folder")
    if not folder.is_dir():
        return
    for photo in photos:
        if photo.resolve().parent == folder.resolve() and _OURS.fullmatch(photo.name):
            raise DeclarationError(f"--out {folder}", f"the result would overwrite the photo {photo.name}", "name another folder")
    taken = sorted(p.name for p in folder.iterdir() if _OURS.fullmatch(p.name))
    if not taken:
        return
    try:
        files.read_measurement(folder / "measurement.json")
    except ResultUnreadable as error:
        why = f"it holds {taken[0]}, which no earlier result of this program explains"
        raise DeclarationError(f"--out {folder}", why, "move that file away or name another folder") from error


def write(folder: Path, contents: Mapping[str, bytes]) -> None:
    """Write every file or none: into a folder beside it first, then moved; foreign files in `folder` stay.

    An overlay left by an earlier result of more photos is removed, since it would pass for one of this result's.
    """
    folder = folder.absolute()
    folder.parent.mkdir(parents=True, exist_ok=True)
    beside = Path(tempfile.mkdtemp(prefix=f".{folder.name}-", dir=folder.parent))
    try:
        for name, data in contents.items():
            (beside / name).write_bytes(data)
        folder.mkdir(exist_ok=True)
        for name in contents:
            os.replace(beside / name, folder / name)
        for old in folder.iterdir():
            if _OURS.fullmatch(old.name) and old.name not in contents:
                old.unlink()
    finally:
        shutil.rmtree(beside, ignore_errors=True)


def write_file(path: Path, data: bytes) -> None:
    """Write one file completely or not at all."""
    path = path.absolute()
    if path.is_dir():
        raise DeclarationError(f"--out {path}", "it is a folder", "name the file to write")
    path.parent.mkdir(parents=True, exist_ok=True)
    handle, beside = tempfile.mkstemp(prefix=f".{path.name}-", dir=path.parent)
    try:
        with os.fdopen(handle, "wb") as out:
            out.write(data)
        os.chmod(beside, 0o666 & ~_umask())
        os.replace(beside, path)
    except BaseException:
        Path(beside).unlink(missing_ok=True)
        raise


def _umask() -> int:
    # The mask can only be read by setting it; mkstemp's own 0600 would keep others from reading the page.
    mask = os.umask(0)
    os.umask(mask)
    return mask
