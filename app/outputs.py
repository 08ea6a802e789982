"""A measurement's files as bytes, and the folder that holds them: all of them or none."""

from __future__ import annotations

import io
import os
import re
import shutil
import tempfile
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path

import numpy as np
from PIL import Image

from app import files, overlay
from vision.errors import DeclarationError, ResultUnreadable, ShoulderlineError
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
    check_place(folder)
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


def check_place(folder: Path) -> None:
    """Refuse a folder that is a file, or would lie in one; raises `DeclarationError`."""
    if folder.exists() and not folder.is_dir():
        raise DeclarationError(f"--out {folder}", "it is a file, not a folder", "name a new or an existing folder")
    _check_way(f"--out {folder}", folder)


def write(folder: Path, contents: Mapping[str, bytes]) -> None:
    """Write every file or none: into a folder beside it first, then moved; foreign files in `folder` stay.

    An overlay left by an earlier result of more photos is removed, since it would pass for one of this result's.
    """
    try:
        _write(folder.absolute(), contents)
    except OSError as error:
        raise _unwritable(f"--out {folder}", folder, error) from error


def _write(folder: Path, contents: Mapping[str, bytes]) -> None:
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


def check_file(path: Path, ours: bytes | Callable[[bytes], bool], kind: str, read: Sequence[Path] = (), flag: str = "--out") -> None:
    """Refuse a file to write in whose place stands a folder, what the command reads, or something that is not its own earlier output.

    Parameters
    ----------
    path : Path
    ours : bytes or callable
        What every file of this kind that the program wrote holds; or whether these bytes are such a file.
    kind : str
        In words, "strip's page".
    read : sequence of Path
        Files that the command reads.
    flag : str
        Which flag named it.

    Raises
    ------
    DeclarationError
    """
    keep_apart(flag, path, *read)
    if not path.exists():
        return
    try:
        # An empty file holds nothing to lose; a device or a pipe is no file to replace.
        known = path.is_file() and (not path.stat().st_size or _holds(path.read_bytes(), ours))
    except OSError as error:
        raise _unwritable(f"{flag} {path}", path, error) from error
    if not known:
        rule = f"it is there already and no {kind} that this program wrote"
        raise DeclarationError(f"{flag} {path}", rule, "move it away or name another file")


def _holds(data: bytes, ours: bytes | Callable[[bytes], bool]) -> bool:
    return ours in data if isinstance(ours, bytes) else ours(data)


def keep_apart(flag: str, path: Path, *read: Path, refusal: type[ShoulderlineError] = DeclarationError) -> None:
    """Refuse a folder, and to write over what a command reads; raises `refusal`."""
    if path.is_dir():
        raise refusal(f"{flag} {path}", "it is a folder", "name the file to write")
    if path.exists() and any(kept.exists() and path.samefile(kept) for kept in read):
        raise refusal(f"{flag} {path}", "writing there would destroy what is read from it", "name another file")


def write_file(path: Path, data: bytes, flag: str = "--out") -> None:
    """Write one file completely or not at all; raises `DeclarationError`, naming `flag`, where that cannot be."""
    keep_apart(flag, path)
    try:
        _write_file(path.absolute(), data)
    except OSError as error:
        raise _unwritable(f"{flag} {path}", path, error) from error


def _write_file(path: Path, data: bytes) -> None:
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


def _unwritable(what: str, path: Path, error: OSError) -> DeclarationError:
    """The refusal names what the person gave; the system names a hidden file beside it."""
    try:
        _check_way(what, path)
    except DeclarationError as refusal:
        return refusal
    rule = f"it cannot be written ({error.strerror or type(error).__name__})"
    return DeclarationError(what, rule, "check the permissions there and the free space, or name another place")


def _check_way(what: str, path: Path) -> None:
    """Refuse a place that would lie in a file."""
    if file := next((p for p in path.absolute().parents if p.exists() and not p.is_dir()), None):
        raise DeclarationError(what, f"{file} is a file, not a folder", "name a place in a folder")


def _umask() -> int:
    # The mask can only be read by setting it; mkstemp's own 0600 would keep others from reading the page.
    mask = os.umask(0)
    os.umask(mask)
    return mask
