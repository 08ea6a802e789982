"""A photo without the strip in the app: what is pointed at must lie in the photo, and the length be good to something."""

from __future__ import annotations

import pytest

from app.measuring import bare
from app.measuring.work import Point, Work
from app.session import Upload
from vision.errors import DeclarationError

UPLOAD = Upload("edge.jpg", b"the photo's bytes")


def pointed(*ends: tuple[float, float], cheek: bool = False) -> Work:
    """Two ends of a known length, and a line along the edge; with `cheek` the blade's side too."""
    places = [("scale", p) for p in ends] + [("along", (100.0, 500.0)), ("along", (900.0, 520.0))]
    places += [("cheek", (500.0, 300.0))] if cheek else []
    return Work(points=tuple(Point(UPLOAD.sha256, kind, *at) for kind, at in places))


def test_an_end_of_the_known_length_outside_the_photo_is_refused() -> None:
    said = bare.Bare(True, 41.1, 0.1)
    assert bare.hints(said, pointed((0, 100), (900, 100)), UPLOAD, lambda: (1280, 960)).scale is not None
    with pytest.raises(DeclarationError, match="outside the photo, which is 1280 x 960 px"):
        bare.hints(said, pointed((0, 100), (9900, 100)), UPLOAD, lambda: (1280, 960))


@pytest.mark.parametrize("between", [True, False])
def test_a_tolerance_of_nothing_is_not_said_yet(between: bool) -> None:
    work = pointed((0, 100), (900, 100), cheek=True)
    assert bare.missing(bare.Bare(between, 41.1, 0.1), work, UPLOAD) == ()
    assert bare.missing(bare.Bare(between, 41.1, 0.0), work, UPLOAD) == ("how far off that may be, more than zero",)


@pytest.mark.parametrize("between", [True, False])
def test_what_is_still_to_be_said_is_said_before_anything_is_refused(between: bool) -> None:
    """A scale of nothing or less is none, and a line alone does not say on which side of it the blade lies."""
    work = pointed((0, 100), (900, 100))
    side = "on which side of it the blade lies (one click on the cheek)"
    assert bare.missing(bare.Bare(between, 41.1, 0.1), work, UPLOAD) == (side,)
    guided = Work(points=(*work.points, Point(UPLOAD.sha256, "shoulder", 500.0, 480.0)))
    assert bare.missing(bare.Bare(between, 41.1, 0.1), guided, UPLOAD) == ()
    known = "the known length" if between else "the scale"
    assert bare.missing(bare.Bare(between, -5.0, 0.1), guided, UPLOAD) == (f"{known}, more than zero",)
