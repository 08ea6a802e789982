"""Every format, turn and refusal of `vision.photo`."""

from __future__ import annotations

import hashlib
import io
import math
import struct
import zlib
from pathlib import Path

import cv2
import numpy as np
import pillow_heif
import pytest
import tifffile
from PIL import Image, ImageCms, ImageOps

from vision import photo
from vision.errors import PhotoRefused
from vision.focal import of_account
from vision.photo import Photo, open_photo

H, W = 112, 160


def _scene(dtype: type = np.uint8) -> np.ndarray:
    """(H, W, 3) smooth and without symmetry, so that each turn of it looks different."""
    y, x = np.mgrid[0:H, 0:W]
    full = np.iinfo(dtype).max
    red, green, blue = x / W, y / H, ((x > 110) & (y < 30)) * 0.9 + 0.05
    return np.rint(np.stack([red, green, blue], axis=-1) * full).astype(dtype)


def _saved(image: Image.Image, kind: str, **options: object) -> bytes:
    out = io.BytesIO()
    image.save(out, kind, **options)
    return out.getvalue()


def _exif(orientation: int | None = None, f35: int | None = None, recorded: tuple[int, int] | None = None) -> Image.Exif:
    exif = Image.Exif()
    exif[271], exif[272] = "Invented Optics", "Camera One"
    if orientation is not None:
        exif[274] = orientation
    if f35 is not None:
        exif.get_ifd(0x8769)[41989] = f35
    if recorded is not None:
        exif.get_ifd(0x8769)[40962], exif.get_ifd(0x8769)[40963] = recorded
    return exif


def _heif(pixels: np.ndarray, mode: str, **options: object) -> bytes:
    out = io.BytesIO()
    pillow_heif.encode(mode, (pixels.shape[1], pixels.shape[0]), pixels.tobytes(), out, quality=-1, **options)
    return out.getvalue()


def _png16(pixels: np.ndarray, orientation: int | None = None) -> bytes:
    data = cv2.imencode(".png", pixels[..., ::-1] if pixels.ndim == 3 else pixels)[1].tobytes()
    if orientation is None:
        return data
    body = b"eXIf" + _exif(orientation).tobytes().removeprefix(b"Exif\0\0")
    chunk = struct.pack(">I", len(body) - 4) + body + struct.pack(">I", zlib.crc32(body))
    return data[:33] + chunk + data[33:]  # behind IHDR


def _tiff16(pixels: np.ndarray, orientation: int | None = None) -> bytes:
    out = io.BytesIO()
    tags = [] if orientation is None else [(274, "H", 1, orientation, True)]
    tifffile.imwrite(out, pixels, photometric="rgb" if pixels.ndim == 3 else "minisblack", extratags=tags)
    return out.getvalue()


RGB8, GREY8 = Image.fromarray(_scene()), Image.fromarray(_scene()[..., 0])
RGBA8 = Image.fromarray(np.dstack([_scene(), np.full((H, W), 128, np.uint8)]))
LA8 = Image.merge("LA", [GREY8, Image.new("L", GREY8.size, 77)])


@pytest.mark.parametrize(
    ("data", "grey", "tolerance"),
    [
        pytest.param(_saved(RGB8, "JPEG", quality=98, subsampling=0), False, 6, id="jpeg"),
        pytest.param(_saved(RGB8, "JPEG", quality=98, subsampling=0, progressive=True), False, 6, id="jpeg-progressive"),
        pytest.param(_saved(GREY8, "JPEG", quality=98), True, 6, id="jpeg-grey"),
        pytest.param(_saved(RGB8, "PNG"), False, 0, id="png"),
        pytest.param(_saved(GREY8, "PNG"), True, 0, id="png-grey"),
        pytest.param(_saved(LA8, "PNG"), True, 0, id="png-grey-alpha"),
        pytest.param(_saved(RGBA8, "PNG"), False, 0, id="png-alpha"),
        pytest.param(_saved(RGB8, "TIFF"), False, 0, id="tiff"),
        pytest.param(_saved(RGB8, "TIFF", compression="tiff_lzw"), False, 0, id="tiff-lzw"),
        pytest.param(_saved(GREY8, "TIFF", compression="tiff_deflate"), True, 0, id="tiff-grey"),
        pytest.param(_saved(RGBA8, "TIFF"), False, 0, id="tiff-alpha"),
        pytest.param(_saved(RGB8, "WEBP", lossless=True), False, 0, id="webp"),
        pytest.param(_saved(RGB8, "WEBP", quality=95), False, 30, id="webp-lossy"),
        pytest.param(_saved(RGBA8, "WEBP", lossless=True), False, 0, id="webp-alpha"),
        pytest.param(_heif(_scene(), "RGB", chroma=444, matrix_coefficients=0), False, 3, id="heic"),
        pytest.param(_heif(_scene()[..., 0], "L"), True, 3, id="heic-grey"),
    ],
)
def test_eight_bit_formats(data: bytes, grey: bool, tolerance: int) -> None:
    got = open_photo(data, "x")
    want = np.repeat(_scene()[..., :1], 3, axis=2) if grey else _scene()
    assert got.pixels.dtype == np.uint8
    assert got.pixels.shape == (H, W, 3)
    # The blue corner's hard border rings in lossy codecs: judged by the 98th percentile there, everywhere when lossless.
    off = np.abs(got.pixels.astype(int) - want)
    assert (np.percentile(off, 98) if tolerance else off.max()) <= tolerance
    assert got.sha256 == hashlib.sha256(data).hexdigest()
    assert (got.width_px, got.height_px, got.full_scale) == (W, H, 255)


def test_palette_and_cmyk() -> None:
    palette = open_photo(_saved(RGB8.quantize(256), "PNG"))
    assert np.abs(palette.pixels.astype(int) - _scene()).mean() < 8
    with_holes = open_photo(_saved(RGB8.quantize(255), "PNG", transparency=3))
    assert with_holes.pixels.shape == (H, W, 3)
    cmyk = open_photo(_saved(RGB8.convert("CMYK"), "JPEG", quality=98))
    assert np.percentile(np.abs(cmyk.pixels.astype(int) - _scene()), 95) <= 10


@pytest.mark.parametrize("grey", [False, True])
@pytest.mark.parametrize("writer", [_png16, _tiff16])
def test_sixteen_bit_is_kept(writer: object, grey: bool) -> None:
    scene = _scene(np.uint16)
    got = open_photo(writer(scene[..., 0] if grey else scene))  # type: ignore[operator]
    assert got.pixels.dtype == np.uint16
    assert np.array_equal(got.pixels, np.repeat(scene[..., :1], 3, axis=2) if grey else scene)
    assert got.full_scale == 65535
    assert got.grey().dtype == np.uint8
    assert np.abs(got.grey().astype(int) - cv2.cvtColor(got.pixels, cv2.COLOR_RGB2GRAY) / 257.0).max() <= 1


def test_ten_bit_heic_keeps_its_depth() -> None:
    scene = _scene(np.uint16)
    got = open_photo(_heif(scene, "RGB;16", chroma=444, matrix_coefficients=0))
    assert got.pixels.dtype == np.uint16
    assert np.percentile(np.abs(got.pixels.astype(int) - scene), 98) < 0.01 * 65535


def _stored_for(orientation: int, upright: np.ndarray) -> np.ndarray:
    """What a camera stores under `orientation` so that the picture stands upright: the inverse of Pillow's transposition."""
    inverse = {1: 1, 2: 2, 3: 3, 4: 4, 5: 5, 6: 8, 7: 7, 8: 6}[orientation]
    image = Image.fromarray(upright)
    image.getexif()[274] = inverse
    return np.array(ImageOps.exif_transpose(image))


@pytest.mark.parametrize("orientation", range(1, 9))
@pytest.mark.parametrize("kind", ["jpeg", "jpeg-grey", "png", "png16", "tiff", "tiff16", "webp", "heic"])
def test_turned_exactly_once(kind: str, orientation: int) -> None:
    upright = _scene()
    stored, exif = _stored_for(orientation, upright), _exif(orientation)
    wide = _scene(np.uint16)
    data = {
        "jpeg": lambda: _saved(Image.fromarray(stored), "JPEG", quality=98, subsampling=0, exif=exif),
        "jpeg-grey": lambda: _saved(Image.fromarray(stored[..., 0]), "JPEG", quality=98, exif=exif),
        "png": lambda: _saved(Image.fromarray(stored), "PNG", exif=exif),
        "png16": lambda: _png16(
            np.dstack([_stored_for(orientation, np.ascontiguousarray(c)) for c in np.moveaxis(wide, 2, 0)]), orientation
        ),
        "tiff": lambda: _saved(Image.fromarray(stored), "TIFF", tiffinfo={274: orientation}),
        "tiff16": lambda: _tiff16(
            np.dstack([_stored_for(orientation, np.ascontiguousarray(c)) for c in np.moveaxis(wide, 2, 0)]), orientation
        ),
        "webp": lambda: _saved(Image.fromarray(stored), "WEBP", lossless=True, exif=exif),
        "heic": lambda: _heif(stored, "RGB", chroma=444, matrix_coefficients=0, exif=exif.tobytes()),
    }[kind]()
    got = open_photo(data)
    assert got.pixels.shape == upright.shape
    want = wide if kind.endswith("16") else np.repeat(upright[..., :1], 3, axis=2) if kind == "jpeg-grey" else upright
    off = np.abs(got.pixels.astype(int) - want)
    if kind.startswith(("jpeg", "heic")):
        assert np.percentile(off, 98) <= 6
    else:
        assert off.max() == 0


def test_strange_orientation_counts_as_upright() -> None:
    assert np.array_equal(open_photo(_saved(RGB8, "PNG", exif=_exif(99))).pixels, _scene())


@pytest.mark.parametrize("photometric", [0, 1])
def test_a_grey_tiff_of_16_bits_may_be_a_negative(photometric: int) -> None:
    """TIFF 6.0, section 4: PhotometricInterpretation 0 is WhiteIsZero."""
    grey = np.linspace(0, 65535, W).astype("<u2")[None].repeat(H, axis=0)
    data = (grey if photometric else 65535 - grey).tobytes()
    tags = {256: W, 257: H, 258: 16, 259: 1, 262: photometric, 273: 8, 277: 1, 278: H, 279: len(data)}
    entries = b"".join(struct.pack("<HHII", tag, 4, 1, value) for tag, value in tags.items())
    file = b"II*\0" + struct.pack("<I", 8 + len(data)) + data + struct.pack("<H", len(tags)) + entries + bytes(4)
    assert np.array_equal(open_photo(file).pixels[..., 0], grey)


def test_focal_length_and_camera() -> None:
    """f35 is defined over the diagonal (43.27 mm) of 36 mm x 24 mm (Exif 2.32; design.md section 4)."""
    got = open_photo(_saved(RGB8, "JPEG", exif=_exif(6, f35=26)))
    assert got.focal_px == pytest.approx(26 / math.hypot(36, 24) * np.hypot(W, H))
    assert got.camera == "Invented Optics Camera One"
    heic = open_photo(_heif(_scene(), "RGB", exif=_exif(1, f35=26).tobytes()))
    assert heic.focal_px == pytest.approx(26 / math.hypot(36, 24) * np.hypot(W, H))


@pytest.mark.parametrize("f35", [0, 1, 65535])
def test_filler_focal_length_is_none(f35: int) -> None:
    assert open_photo(_saved(RGB8, "JPEG", exif=_exif(f35=f35))).focal_px is None


@pytest.mark.parametrize(
    ("recorded", "kept"),
    [((W, H), True), ((H, W), True), ((W + 30, H), False), ((4 * W, 4 * H), False), ((3 * H, 3 * W), False)],
    ids=["as taken", "turned", "cropped", "smaller", "smaller and turned"],
)
def test_a_photo_of_another_size_than_recorded_has_no_focal_length(recorded: tuple[int, int], kept: bool) -> None:
    """Shrunken, its 35 mm equivalent still holds; cropped in the same proportions it is off by the crop. Nothing tells the two apart."""
    got = open_photo(_saved(RGB8, "JPEG", exif=_exif(f35=26, recorded=recorded)))
    assert (got.focal_px is not None) is kept
    assert [note.code for note in got.remarks] == ["photo-resized"] * (not kept)
    assert kept or f"{recorded[0]} x {recorded[1]}" in got.remarks[0].text
    # Who declares the camera's distance is not told of a focal length that nobody asks for.
    assert of_account(got.remarks, "declared distance") == ()
    assert of_account(got.remarks, "assumed distance") == of_account(got.remarks, "assumed lens") == got.remarks


def test_no_exif_and_broken_exif() -> None:
    assert open_photo(_saved(RGB8, "PNG")).focal_px is None
    assert open_photo(_saved(RGB8, "PNG")).camera == ""
    broken = open_photo(_saved(RGB8, "JPEG", exif=b"Exif\0\0II*\0\xff\xff\xff\x7fnonsense"))
    assert (broken.focal_px, broken.camera) == (None, "")


def test_linear_light() -> None:
    """IEC 61966-2-1: code 0.5 is 0.21404 of full light, 10/255 lies on the straight foot."""
    pixels = np.zeros((4, 5, 3), np.uint8)
    pixels[0, 0], pixels[1, 1], pixels[2, 2] = 10, 128, 255
    got = Photo("x", "", pixels, None, "").linear()
    assert got.dtype == np.float32
    assert got[0, 0, 0] == pytest.approx(10 / 255 / 12.92, rel=1e-6)
    assert got[1, 1, 1] == pytest.approx(((128 / 255 + 0.055) / 1.055) ** 2.4, rel=1e-6)
    assert got[2, 2, 2] == 1.0
    deep = Photo("x", "", np.full((2, 2, 3), 32768, np.uint16), None, "").linear()
    assert deep[0, 0, 0] == pytest.approx(0.2140, abs=1e-4)


@pytest.mark.parametrize("dtype", [np.uint8, np.uint16])
def test_linear_region(dtype: type) -> None:
    whole = Photo("x", "", _scene(dtype), None, "")
    region = (slice(10, 31), slice(40, 99))
    assert np.array_equal(whole.linear(region), whole.linear()[region])
    assert whole.linear((slice(5, 5), slice(0, 9))).shape == (0, 9, 3)


def test_pixels_are_read_only() -> None:
    with pytest.raises(ValueError, match="read-only"):
        open_photo(_saved(RGB8, "PNG")).pixels[0, 0, 0] = 1


@pytest.mark.parametrize(
    ("name", "said"),
    [("sRGB IEC61966-2.1", False), ("Display P3", False), ("Linear sRGB built-in", True), ("DCI(P3) RGB", True), ("Rec2100 PQ", True)],
)
def test_another_curve_is_said_by_whatever_name(name: str, said: bool, monkeypatch) -> None:
    monkeypatch.setattr(ImageCms, "getProfileDescription", lambda _profile: name)
    srgb = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    assert [n.code for n in open_photo(_saved(RGB8, "JPEG", icc_profile=srgb)).remarks] == ["colour-profile"] * said


def test_colour_profile() -> None:
    srgb = ImageCms.ImageCmsProfile(ImageCms.createProfile("sRGB")).tobytes()
    plain = open_photo(_saved(RGB8, "JPEG", icc_profile=srgb))
    assert (plain.profile, plain.remarks) == ("", ())
    lab = ImageCms.ImageCmsProfile(ImageCms.createProfile("LAB")).tobytes()
    other = open_photo(_saved(RGB8, "JPEG", icc_profile=lab))
    assert other.profile
    assert [note.code for note in other.remarks] == ["colour-profile"]
    junk = open_photo(_saved(RGB8, "JPEG", icc_profile=b"junk"))
    assert junk.profile == "unreadable colour profile"


def test_more_pictures_behind_a_jpeg() -> None:
    """Phones append previews and gain maps (MPO); the first picture is the photo."""
    data = _saved(RGB8, "MPO", save_all=True, append_images=[GREY8.convert("RGB").resize((W // 2, H // 2))])
    assert open_photo(data).pixels.shape == (H, W, 3)
    assert open_photo(_saved(RGB8, "JPEG") + b"trailer" * 99).pixels.shape == (H, W, 3)


def test_path_and_name(tmp_path: Path) -> None:
    path = tmp_path / "edge.jpg"
    path.write_bytes(_saved(RGB8, "PNG"))  # content decides, not the ending
    assert open_photo(path).name == open_photo(str(path)).name == "edge.jpg"
    assert open_photo(path, "other").name == "other"
    assert open_photo(path.read_bytes()).name == "photo"


def _png_header(width: int, height: int) -> bytes:
    body = b"IHDR" + struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0)
    return (
        b"\x89PNG\r\n\x1a\n"
        + struct.pack(">I", 13)
        + body
        + struct.pack(">I", zlib.crc32(body))
        + struct.pack(">I", 0)
        + b"IDAT"
        + b"\x35\xaf\x06\x1e"
    )


def _frames(kind: str) -> bytes:
    return _saved(RGB8, kind, save_all=True, append_images=[RGB8.rotate(180), RGB8])


REFUSALS = {
    "empty": (b"", "empty"),
    "text": (b"position_mm,width\n1,2\n" * 50, "not a"),
    "gif": (_saved(RGB8.quantize(16), "GIF"), "not a"),
    "bmp": (_saved(RGB8, "BMP"), "not a"),
    "pdf": (b"%PDF-1.4\n" + b"x" * 999, "not a"),
    "tiny": (_saved(Image.new("RGB", (30, 20)), "PNG"), "30 x 20 px"),
    "slim": (_saved(Image.new("RGB", (5000, 8)), "PNG"), "5000 x 8 px"),
    "121 Mpx": (_png_header(12100, 10000), "at most 120 megapixels"),
    "bomb": (_png_header(60000, 60000), "at most 120 megapixels"),
    "animated png": (_frames("PNG"), "animation"),
    "animated webp": (_frames("WEBP"), "animation"),
    "pages": (_frames("TIFF"), "several pages"),
    "float": (_saved(Image.fromarray(_scene()[..., 0].astype(np.float32)), "TIFF"), "8 or 16 bits"),
    "32 bit": (_saved(Image.fromarray(_scene()[..., 0].astype(np.int32)), "TIFF"), "8 or 16 bits"),
    "half jpeg": (_saved(RGB8, "JPEG")[:900], "damaged or cut short"),
    "jpeg start": (b"\xff\xd8\xff\xe0", "damaged or cut short"),
    "half png": (_saved(RGB8, "PNG")[:-300], "damaged or cut short"),
    "half 16-bit png": (_png16(_scene(np.uint16))[:-900], "damaged or cut short"),
    "half tiff": (_saved(RGB8, "TIFF", compression="tiff_lzw")[:-900], "damaged or cut short"),
    "half 16-bit tiff": (_tiff16(_scene(np.uint16))[:-900], "damaged or cut short"),
    "half webp": (_saved(RGB8, "WEBP", quality=95)[:-200], "damaged or cut short"),
    "half heic": (_heif(_scene(), "RGB")[:-300], "damaged or cut short"),
}


@pytest.mark.parametrize("case", REFUSALS)
def test_refused_in_one_sentence(case: str, capfd: pytest.CaptureFixture[str]) -> None:
    data, words = REFUSALS[case]
    with pytest.raises(PhotoRefused) as caught:
        open_photo(data, "edge.jpg")
    said = str(caught.value)
    assert words in said
    assert said.startswith("photo edge.jpg")
    assert said.count("\n") == 0
    assert said.endswith(".")
    assert capfd.readouterr() == ("", "")


def test_limit_is_120_megapixels_exactly() -> None:
    """The header alone decides: 120.0 Mpx passes the size check (and fails later, having no pixels)."""
    with pytest.raises(PhotoRefused, match="damaged"):
        open_photo(_png_header(12000, 10000))
    with pytest.raises(PhotoRefused, match="at most 120"):
        open_photo(_png_header(12001, 10000))


def test_large_heic_is_refused_by_its_header(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(photo, "MAX_MEGAPIXELS", 0.01)
    with pytest.raises(PhotoRefused, match="megapixels"):
        open_photo(_heif(_scene(), "RGB"))


def test_paths_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with pytest.raises(PhotoRefused, match="folder"):
        open_photo(tmp_path)
    with pytest.raises(PhotoRefused, match="no such file"):
        open_photo(tmp_path / "none.jpg")
    with pytest.raises(PhotoRefused, match="photo"):
        open_photo("bad\0name.jpg")
    with pytest.raises(PhotoRefused, match="photo"):
        open_photo("x" * 5000)
    with pytest.raises(PhotoRefused, match="ordinary"):
        open_photo("/dev/null")
    big = tmp_path / "big.tif"
    big.write_bytes(b"II*\0" + b"0" * 99)
    monkeypatch.setattr(photo, "MAX_FILE_BYTES", 50)
    with pytest.raises(PhotoRefused, match="larger than"):
        open_photo(big)


SEEDS = {
    "jpeg": _saved(RGB8, "JPEG", quality=80, exif=_exif(6, 26)),
    "png": _saved(RGB8, "PNG", exif=_exif(3)),
    "png16": _png16(_scene(np.uint16), 6),
    "tiff": _saved(RGB8, "TIFF", compression="tiff_lzw"),
    "tiff16": _tiff16(_scene(np.uint16), 5),
    "webp": _saved(RGB8, "WEBP", quality=80, exif=_exif(8)),
    "heic": _heif(_scene(), "RGB", exif=_exif(1, 26).tobytes()),
}


def _opens_or_refuses(data: bytes) -> bool:
    try:
        return open_photo(data, "edge").pixels.ndim == 3
    except PhotoRefused:
        return False


@pytest.mark.parametrize("kind", SEEDS)
def test_truncated_anywhere(kind: str, capfd: pytest.CaptureFixture[str]) -> None:
    """Cut short at 60 places: refused, and silently so; only a missing tail that holds no pixels may pass."""
    data, rng = SEEDS[kind], np.random.default_rng(11)
    assert _opens_or_refuses(data)
    for end in np.sort(rng.integers(0, int(0.9 * len(data)), 60)):
        assert not _opens_or_refuses(data[:end]), f"cut at {end} of {len(data)} passed"
    assert capfd.readouterr() == ("", "")


@pytest.mark.parametrize("kind", SEEDS)
def test_damaged_anywhere(kind: str, capfd: pytest.CaptureFixture[str]) -> None:
    """Bytes changed at random: a photo or a refusal, never another error, never a library's words."""
    rng = np.random.default_rng(12)
    for _ in range(60):
        data = bytearray(SEEDS[kind])
        for place in rng.integers(0, len(data), 4):
            data[place] = rng.integers(256)
        _opens_or_refuses(bytes(data))
    assert capfd.readouterr() == ("", "")


def test_pillow_log_stays_silent(capfd: pytest.CaptureFixture[str]) -> None:
    """2048 samples a pixel in the header: Pillow logs an error, which Python would print if nobody listened."""
    data = bytearray(SEEDS["tiff16"])
    entry = data.index(struct.pack("<HHI", 277, 3, 1))
    data[entry + 8 : entry + 10] = struct.pack("<H", 2048)
    assert not _opens_or_refuses(bytes(data))
    assert capfd.readouterr() == ("", "")


def test_damaged_jpeg_is_remarked_upon(capfd: pytest.CaptureFixture[str]) -> None:
    data = bytearray(SEEDS["jpeg"])
    for place in np.linspace(0.5, 0.95, 40) * len(data):
        data[int(place)] = 0xA5
    got = open_photo(bytes(data))
    assert [note.code for note in got.remarks] == ["damaged-jpeg"]
    assert capfd.readouterr() == ("", "")
