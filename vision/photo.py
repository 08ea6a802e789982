"""Open a photo: upright pixels, its identity, its focal length; anything unusable is refused in one sentence.

Decoding goes to OpenCV where speed (JPEG) or 16 bit (PNG, TIFF) asks for it, to libheif for HEIC, to Pillow for the rest.
Each of these turns pictures by its own habit, so the EXIF turn is applied here, once, in one place per decoder.
"""

from __future__ import annotations

import contextlib
import hashlib
import io
import logging
import os
import re
import sys
import tempfile
import threading
import warnings
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pillow_heif
from PIL import Image, ImageCms

from vision.errors import PhotoRefused
from vision.flags import Note
from vision.focal import FULL_FRAME_DIAGONAL_MM, RESIZED
from vision.threads import side_by_side

MAX_MEGAPIXELS = 120
# 120 Mpx of four 16-bit samples, not compressed, is 0.96 GB: nothing larger can be an acceptable photo.
MAX_FILE_BYTES = 1_000_000_000
# Four squares of 8 modules at 3 px a module: below this the shortest usable piece of strip cannot be read.
MIN_SIDE_PX = 96
FORMATS = "JPEG, PNG, TIFF, WebP or HEIC"

_ORIENTATION, _MAKE, _MODEL, _EXIF_IFD, _F35, _EXIF_WIDTH, _EXIF_HEIGHT = 274, 271, 272, 0x8769, 41989, 40962, 40963
_TIFF_SUBFILE, _TIFF_BITS, _TIFF_PHOTOMETRIC, _DNG_VERSION = 254, 258, 262, 50706
_native_stderr_lock = threading.Lock()
# Without any handler Python prints Pillow's error log to stderr; an application's own handlers still get it.
logging.getLogger("PIL").addHandler(logging.NullHandler())


@dataclass(frozen=True, eq=False)
class Photo:
    """An upright photo in memory.

    Attributes
    ----------
    name : str
        File name without its folder, or the name given with the bytes.
    sha256 : str
        Of the file's bytes as read, in hexadecimal.
    pixels : (H, W, 3) uint8 or uint16
        RGB as coded (sRGB curve), after the EXIF turn; the centre of the first pixel is (0, 0). Grey is repeated in all
        three channels, an alpha channel is dropped. Read-only.
    focal_px : float or None
        ``f35 / 43.27 mm * diagonal_px`` from FocalLengthIn35mmFilm; None where the tag is missing or the picture no longer
        has the size that the camera recorded (a crop changes the diagonal, and a crop that keeps the proportions looks like
        a shrunken photo).
    camera : str
        EXIF make and model, or "".
    profile : str
        Name of an embedded ICC profile other than sRGB, or "".
    remarks : tuple of Note
        What a person should know about the file: a colour profile with another curve, damaged JPEG data.
    enlarged : int
        How many times the file's width and height the pixels have (`vision.finer`); 1 as opened.
    """

    name: str
    sha256: str
    pixels: np.ndarray
    focal_px: float | None
    camera: str
    profile: str = ""
    remarks: tuple[Note, ...] = ()
    enlarged: int = 1

    @property
    def width_px(self) -> int:
        """W of the upright photo."""
        return self.pixels.shape[1]

    @property
    def height_px(self) -> int:
        """H of the upright photo."""
        return self.pixels.shape[0]

    @property
    def full_scale(self) -> int:
        """The largest code a pixel can have: 255 or 65535."""
        return int(np.iinfo(self.pixels.dtype).max)

    def linear(self, region: tuple[slice, slice] | None = None) -> np.ndarray:
        """Linear light of the photo or of ``pixels[region]``, 0 to 1.

        Parameters
        ----------
        region : (slice, slice) or None
            Rows and columns, half-open as in ``pixels[rows, columns]``.

        Returns
        -------
        (h, w, 3) float32
            The sRGB curve (IEC 61966-2-1) undone. Display P3 shares that curve; other profiles are remarked upon in `remarks`.
        """
        part = self.pixels if region is None else self.pixels[region]
        table = _linear_table(self.full_scale + 1)
        if part.dtype == np.uint8 and part.size:
            return cv2.LUT(np.ascontiguousarray(part), table)
        return table[part]

    def grey(self) -> np.ndarray:
        """(H, W) uint8 luma of the coded values, for finding the strip."""
        grey = cv2.cvtColor(self.pixels, cv2.COLOR_RGB2GRAY)
        return grey if grey.dtype == np.uint8 else cv2.convertScaleAbs(grey, alpha=255 / 65535)


@cache
def _linear_table(codes: int) -> np.ndarray:
    """(codes,) float32: linear light of each code, IEC 61966-2-1."""
    v = np.arange(codes, dtype=np.float64) / (codes - 1)
    table = np.where(v <= 0.04045, v / 12.92, ((v + 0.055) / 1.055) ** 2.4).astype(np.float32)
    table.setflags(write=False)
    return table


@dataclass(frozen=True)
class _Decoded:
    """What a decoder hands over: upright pixels, EXIF directory, ICC profile, remarks."""

    pixels: np.ndarray
    exif: Image.Exif
    icc: bytes
    remarks: tuple[Note, ...] = ()


def open_photo(source: str | Path | bytes, name: str | None = None) -> Photo:
    """Open a photo from a file or from its bytes.

    Parameters
    ----------
    source : str, Path or bytes
        A file's path, or a file's content.
    name : str, optional
        What to call it; by default the file's name, or ``"photo"`` for bytes.

    Raises
    ------
    PhotoRefused
        For everything that is not one readable photo of at most 120 megapixels, in one sentence.
    """
    if isinstance(source, str | Path):
        name = name or Path(source).name or str(source)
        data = _read(source, name)
    else:
        name, data = name or "photo", bytes(source)
    if not data:
        raise PhotoRefused(f"photo {name}", "the file is empty", "copy it from the camera again")
    try:
        with warnings.catch_warnings():
            # Pillow warns about odd EXIF blocks and about sizes below our own limit; both are judged here.
            warnings.simplefilter("ignore")
            decoded, sha256 = side_by_side(lambda: _decode(data, name), lambda: hashlib.sha256(data).hexdigest())
            return _photo(name, sha256, decoded)
    except PhotoRefused:
        raise
    except Image.DecompressionBombError:
        raise _too_large(name, "far more") from None
    except MemoryError:
        raise PhotoRefused(
            f"photo {name}", "there is not enough memory to decode it", "close other programs or use a smaller photo"
        ) from None
    except Exception as error:
        # Decoders fed with damaged bytes raise nearly anything (struct.error, SyntaxError, KeyError, OSError, ...).
        raise _damaged(name) from error


def _read(source: str | Path, name: str) -> bytes:
    """The bytes of a regular file."""
    path = Path(source)
    try:
        if path.is_dir():
            raise PhotoRefused(f"photo {name}", "it is a folder", "name the photo files inside it")
        if not path.exists():
            raise PhotoRefused(f"photo {source}", "there is no such file", "check the path")
        if not path.is_file():
            raise PhotoRefused(f"photo {name}", "it is not an ordinary file", "save the photo as a file")
        if path.stat().st_size > MAX_FILE_BYTES:
            raise PhotoRefused(f"photo {name}", f"the file is larger than {MAX_FILE_BYTES // 10**6} MB", "export it as a JPEG")
        return path.read_bytes()
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or "the path cannot be used"
        raise PhotoRefused(
            f"photo {name!r}", f"it cannot be read ({reason.lower()})", "check the path and the file's permissions"
        ) from None


def _damaged(name: str) -> PhotoRefused:
    return PhotoRefused(f"photo {name}", "the file is damaged or cut short", "copy it from the camera again")


def _too_large(name: str, how_many: str) -> PhotoRefused:
    return PhotoRefused(
        f"photo {name} ({how_many} megapixels)",
        f"at most {MAX_MEGAPIXELS} megapixels are taken",
        "shrink it or crop it around edge and strip, and declare the camera's distance",
    )


def _check_size(size: tuple[int, int], name: str) -> None:
    """Refuse by the header's size, before anything is decoded."""
    width, height = size
    if width * height > MAX_MEGAPIXELS * 1_000_000:
        raise _too_large(name, f"{width * height / 1e6:.0f}" if width * height >= 121e6 else f"{width * height / 1e6:.3f}")
    if min(width, height) < MIN_SIDE_PX:
        raise PhotoRefused(
            f"photo {name} ({width} x {height} px)",
            f"each side needs at least {MIN_SIDE_PX} px to show the strip",
            "use the camera's full size",
        )


def _decode(data: bytes, name: str) -> _Decoded:
    """Choose the decoder by content, never by the file's name."""
    if data[4:8] == b"ftyp" and pillow_heif.is_supported(io.BytesIO(data)):
        return _decode_heif(data, name)
    try:
        image = Image.open(io.BytesIO(data), formats=("JPEG", "PNG", "TIFF", "WEBP"))
    except Image.UnidentifiedImageError:
        if _known_start(data):
            raise _damaged(name) from None
        raise PhotoRefused(f"photo {name}", f"it is not a {FORMATS} picture", "export it as a JPEG at full size") from None
    with image:
        _check_size(image.size, name)
        _check_single(image, name)
        exif, icc = _exif(image), image.info.get("icc_profile") or b""
        # MPO is a JPEG with more pictures (previews, gain maps) behind the first, which is the photo itself.
        if image.format in ("JPEG", "MPO") and image.mode in ("RGB", "L"):
            pixels, complaint = _decode_cv2(data, cv2.IMREAD_COLOR_RGB | cv2.IMREAD_IGNORE_ORIENTATION, name)
            return _Decoded(_turn(pixels, _orientation(exif)), exif, icc, _jpeg_remarks(complaint))
        if _is_16_bit(image, data):
            return _Decoded(_decode_16_bit(image, data, exif, name), exif, icc)
        return _Decoded(_decode_pillow(image, exif, name), exif, icc)


def _known_start(data: bytes) -> bool:
    """Whether the first bytes are those of an accepted format."""
    starts = (b"\xff\xd8\xff", b"\x89PNG\r\n\x1a\n", b"II*\0", b"MM\0*")
    return data.startswith(starts) or data[8:12] == b"WEBP" or data[4:12] in (b"ftypheic", b"ftypheix", b"ftypmif1", b"ftypmsf1")


def _check_single(image: Image.Image, name: str) -> None:
    """Refuse animations, raw files and many-page scans: which picture is meant would be a guess."""
    if image.format == "TIFF":
        if _DNG_VERSION in image.tag_v2:  # type: ignore[attr-defined]
            raise PhotoRefused(f"photo {name}", "it is a camera's raw file (DNG)", "develop it to a JPEG or 16-bit TIFF at full size")
        for page in range(1, image.n_frames):  # type: ignore[attr-defined]
            image.seek(page)
            reduced = int(image.tag_v2.get(_TIFF_SUBFILE, 0)) & 1  # type: ignore[attr-defined]
            if not reduced:
                raise PhotoRefused(f"photo {name}", "it holds several pages", "save the one photo as a file of its own")
        image.seek(0)
    elif image.format in ("PNG", "WEBP") and getattr(image, "is_animated", False):
        raise PhotoRefused(f"photo {name}", "it is an animation of several pictures", "save the one picture as a file of its own")


def _decode_heif(data: bytes, name: str) -> _Decoded:
    """HEIC/HEIF. libheif turns the picture by its own `irot`/`imir` boxes, so the EXIF turn must not be applied again."""
    heif = pillow_heif.open_heif(io.BytesIO(data), convert_hdr_to_8bit=False)
    _check_size(heif.size, name)
    exif = Image.Exif()
    with contextlib.suppress(Exception):
        exif.load(heif.info.get("exif") or b"")
    pixels = np.asarray(heif)
    return _Decoded(_rgb(pixels, name), exif, heif.info.get("icc_profile") or b"")


def _is_16_bit(image: Image.Image, data: bytes) -> bool:
    """Whether samples have 16 bits; Pillow itself would cut RGB ones to 8."""
    if image.format == "PNG":
        return data[24] == 16  # IHDR: width, height, then bit depth
    if image.format == "TIFF":
        bits = image.tag_v2.get(_TIFF_BITS, (8,))  # type: ignore[attr-defined]
        return max(bits if isinstance(bits, tuple) else (bits,)) == 16
    return False


def _decode_16_bit(image: Image.Image, data: bytes, exif: Image.Exif, name: str) -> np.ndarray:
    """16-bit PNG or TIFF. OpenCV would return a half-read picture as if whole, so Pillow reads it through first."""
    is_tiff, turn = image.format == "TIFF", _orientation(exif)
    _load(image)
    pixels, _ = _decode_cv2(data, cv2.IMREAD_UNCHANGED, name)
    if pixels.dtype != np.uint16:
        raise _samples_refused(name)
    if pixels.ndim == 3 and pixels.shape[2] >= 3:
        pixels = pixels[..., [2, 1, 0]]
    # OpenCV leaves a negative (TIFF 6.0: PhotometricInterpretation 0, WhiteIsZero) as it is; of 8 bits, Pillow turns it over.
    if is_tiff and image.tag_v2.get(_TIFF_PHOTOMETRIC) == 0:  # type: ignore[attr-defined]
        pixels = ~pixels
    # OpenCV turns TIFF by its tag whatever the flags say, and PNG never under IMREAD_UNCHANGED.
    return _rgb(pixels if is_tiff else _turn(pixels, turn), name)


def _decode_pillow(image: Image.Image, exif: Image.Exif, name: str) -> np.ndarray:
    """Everything of 8 bits or fewer that OpenCV has no better way for."""
    if image.mode in ("I", "F") or image.mode.startswith("I;"):
        raise _samples_refused(name)
    is_tiff, turn = image.format == "TIFF", _orientation(exif)
    _load(image)
    rgb = image if image.mode == "RGB" else image.convert("RGB")
    pixels = np.asarray(rgb)
    return _rgb(pixels if is_tiff else _turn(pixels, turn), name)


def _load(image: Image.Image) -> None:
    """Decode with Pillow, which applies a TIFF's turn by itself here; libtiff speaks to stderr like libjpeg."""
    with _native_stderr():
        image.load()


def _samples_refused(name: str) -> PhotoRefused:
    return PhotoRefused(f"photo {name}", "only 8 or 16 bits a sample are taken", "export it as a JPEG, or as a 16-bit TIFF or PNG")


def _rgb(pixels: np.ndarray, name: str) -> np.ndarray:
    """(H, W, 3) from grey, grey + alpha, RGB or RGB + alpha; alpha is dropped, never blended into the values measured."""
    if pixels.dtype not in (np.uint8, np.uint16):
        raise _samples_refused(name)
    if pixels.ndim == 3 and pixels.shape[2] <= 2:
        pixels = pixels[..., 0]
    if pixels.ndim == 2:
        pixels = np.repeat(pixels[..., None], 3, axis=2)
    return np.ascontiguousarray(pixels[..., :3])


def _decode_cv2(data: bytes, mode: int, name: str) -> tuple[np.ndarray, str]:
    """OpenCV's decoder and what its C libraries complained of."""
    with _native_stderr() as complaints:
        pixels = cv2.imdecode(np.frombuffer(data, np.uint8), mode)
    complaint = " ".join(complaints)
    # OpenCV 4 hands out a half-read JPEG with the rest grey; OpenCV 5 gives None.
    if pixels is None or "Premature end of JPEG" in complaint:
        raise _damaged(name)
    return pixels, complaint


@contextlib.contextmanager
def _native_stderr() -> Iterator[list[str]]:
    """Collect what C code writes to file descriptor 2: libjpeg prints its complaints there and offers no other way to hear them."""
    said: list[str] = []
    with _native_stderr_lock, tempfile.TemporaryFile() as sink:
        try:
            saved = os.dup(2)
        except OSError:  # a process without stderr has nothing to keep clean
            yield said
            return
        try:
            with contextlib.suppress(Exception):
                sys.stderr.flush()
            os.dup2(sink.fileno(), 2)
            yield said
        finally:
            os.dup2(saved, 2)
            os.close(saved)
            sink.seek(0)
            said.extend(sink.read().decode("utf-8", "replace").split("\n"))


def _jpeg_remarks(complaint: str) -> tuple[Note, ...]:
    if "orrupt" not in complaint:
        return ()
    text = "the JPEG data are damaged in places; part of the picture may be shifted or grey"
    return (Note("damaged-jpeg", text, "look at the photo, and copy it from the camera again"),)


def _exif(image: Image.Image) -> Image.Exif:
    """EXIF, or an empty directory where the block is broken."""
    try:
        exif = image.getexif()
        exif.get_ifd(_EXIF_IFD)
    except Exception:  # a broken EXIF block must not cost the photo
        return Image.Exif()
    return exif


def _orientation(exif: Image.Exif) -> int:
    """1 to 8; anything else counts as upright."""
    value: Any = exif.get(_ORIENTATION, 1)
    return int(value) if isinstance(value, int) and 1 <= value <= 8 else 1


def _turn(pixels: np.ndarray, orientation: int) -> np.ndarray:
    """Apply an EXIF orientation (Exif 2.32, tag 274): which side of the scene the stored first row and column are."""
    if orientation >= 5:
        pixels = cv2.transpose(pixels)
    if orientation in (2, 3, 6, 7):
        pixels = cv2.flip(pixels, 1)
    if orientation in (3, 4, 7, 8):
        pixels = cv2.flip(pixels, 0)
    return pixels


def _photo(name: str, sha256: str, decoded: _Decoded) -> Photo:
    """Put the facts around the pixels."""
    pixels = decoded.pixels
    pixels.setflags(write=False)
    profile, remarks = _profile(decoded.icc)
    focal_px, resized = _focal_px(decoded.exif, pixels.shape[1], pixels.shape[0])
    return Photo(
        name=name,
        sha256=sha256,
        pixels=pixels,
        focal_px=focal_px,
        camera=_camera(decoded.exif),
        profile=profile,
        remarks=decoded.remarks + remarks + resized,
    )


def _camera(exif: Image.Exif) -> str:
    """Make and model as one printable line."""
    make, model = ("".join(c for c in str(exif.get(tag) or "") if c.isprintable()).strip() for tag in (_MAKE, _MODEL))
    return model if make and model.lower().startswith(make.lower()) else f"{make} {model}".strip()


def _focal_px(exif: Image.Exif, width: int, height: int) -> tuple[float | None, tuple[Note, ...]]:
    """Focal length in px, or None where EXIF does not tell or no longer fits the picture, and a remark on that."""
    directory = exif.get_ifd(_EXIF_IFD)
    try:
        f35 = float(directory.get(_F35, 0))
        recorded = float(directory.get(_EXIF_WIDTH, 0)), float(directory.get(_EXIF_HEIGHT, 0))
    except (TypeError, ValueError, ZeroDivisionError):
        return None, ()
    # Phones and cameras span 10 to 1000 mm in this tag; beyond that it is a filler value (0, 1, 65535).
    if not 5 <= f35 <= 2000:
        return None, ()
    # Either way round: turned upright, the longer side may be the other one. A shrunken photo keeps its focal length in px per
    # diagonal and a cropped one does not, and a crop of the same proportions is told from neither the file nor the picture.
    if min(recorded) > 0 and any(abs(was / now - 1) > 0.01 for was, now in zip(sorted(recorded), sorted((width, height)), strict=True)):
        text = (
            f"the photo has {width} x {height} px and its EXIF block says {recorded[0]:.0f} x {recorded[1]:.0f}: shrunken or cropped, "
            "so the focal length in it is not used"
        )
        return None, (Note(RESIZED, text, "use the photo as the camera stored it, or declare the camera's distance", "info"),)
    return f35 / FULL_FRAME_DIAGONAL_MM * float(np.hypot(width, height)), ()


def _profile(icc: bytes) -> tuple[str, tuple[Note, ...]]:
    """Name of a profile other than sRGB, and a remark where its curve is another."""
    if not icc:
        return "", ()
    try:
        name = ImageCms.getProfileDescription(ImageCms.ImageCmsProfile(io.BytesIO(icc))).strip()
    except Exception:  # littlecms refuses broken profiles with its own error class
        name = "unreadable colour profile"
    # Linear light and the cinema's curve go by names that hold the others' too.
    another = re.search(r"linear|dci|\bpq\b|hlg|2084", name.lower()) is not None
    if not another and "srgb" in name.lower():
        return "", ()
    if not another and "p3" in name.lower():  # Display P3: other primaries, sRGB's curve
        return name, ()
    text = f"the photo carries the colour profile {name!r}; its values are read with the sRGB curve all the same"
    return name, (Note("colour-profile", text, "export the photo in sRGB", "info"),)
