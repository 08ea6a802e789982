"""A job file opened on the page: whose photos its facts, readings and points belong to."""

from __future__ import annotations

import pytest

from app.measuring import given, reopen
from app.session import Upload
from vision.errors import DeclarationError
from vision.job import job_from_text

RIGHT, LEFT = Upload("right.jpg", b"the right side"), Upload("left.jpg", b"the left side")


def opened(right: str = "", left: str = "") -> reopen.Opened:
    sides = [
        f'[[sides]]\nlandmark = "heel"\nlandmark_mm = {mm}\nphotos = [{{ path = "{name}.jpg"{sha} }}]\n'
        f"declared.included_angle_deg = {angle}\n"
        for name, sha, angle, mm in (("right", right, 30, 1.0), ("left", left, 24, 90.0))
    ]
    return reopen.Opened("ab", "job-ab", job_from_text("".join(sides)))


def sha(upload: Upload, *, capital: bool = False) -> str:
    return f', sha256 = "{upload.sha256.upper() if capital else upload.sha256}"'


def test_sides_without_a_sha_go_by_their_photos_names() -> None:
    job = opened()
    assert [job.side_of(u) for u in (RIGHT, LEFT)] == [0, 1]
    assert job.missing((RIGHT, LEFT)) == ()
    assert job.missing((RIGHT,)) == ("left.jpg",)


@pytest.mark.parametrize("capital", [False, True])
def test_a_sha_goes_before_the_name(capital) -> None:
    job = opened(sha(RIGHT, capital=capital), sha(LEFT, capital=capital))
    # Renamed, and named like the other.
    there, here = Upload("left.jpg", RIGHT.data), Upload("a.jpg", LEFT.data)
    assert [job.side_of(u) for u in (there, here)] == [0, 1]
    assert job.missing((there, here)) == ()
    # Phones give their names again: another photo of that name is not the job's.
    assert job.missing((Upload("right.jpg", b"another knife"), here)) == ("right.jpg",)


def test_points_in_a_photo_that_is_not_named_by_its_bytes_are_not_dropped(monkeypatch) -> None:
    text = '[[sides]]\nphotos = [{ path = "a.jpg", guides = [{ line = "apex", x_px = 1.0, y_px = 2.0 }] }]\n'
    monkeypatch.setattr(given, "files", lambda *_: [("mine.toml", text.encode())])
    monkeypatch.setattr(reopen.st, "session_state", {})
    with pytest.raises(DeclarationError, match=r"points at places in a\.jpg, but has no SHA-256"):
        reopen.draw()
