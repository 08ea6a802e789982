"""The library's sentences as the page says them: by the labels of its fields, never by the command's flags."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest

import app
import vision
from app.measuring.words import on_screen, seam, step
from vision.merge import Overlap
from vision.narrow import Narrowing, Step
from vision.sighting import _NO_STRIP

FORM = Path(app.__file__).parent


def _sentences() -> set[str]:
    """Every text of the library that names a flag, docstrings aside."""
    found = set()
    for path in Path(vision.__file__).parent.glob("*.py"):
        tree = ast.parse(path.read_text(encoding="utf-8"))
        docs = {id(n.value) for n in ast.walk(tree) if isinstance(n, ast.Expr) and isinstance(n.value, ast.Constant)}
        texts = [n.value for n in ast.walk(tree) if isinstance(n, ast.Constant) and isinstance(n.value, str) and id(n) not in docs]
        found |= {t for t in texts if re.search(r"--[a-z]", t)}
    return found


def test_no_sentence_of_the_library_names_a_flag_on_the_screen() -> None:
    found = _sentences()
    assert len(found) > 30
    assert {t: on_screen(t) for t in found if "--" in on_screen(t)} == {}


@pytest.mark.parametrize(
    ("said", "shown"),
    [
        ("measure it and give --edge-height", "measure it and fill in “Edge above the strip's face”"),
        ("--edge-height-tolerance 11", "“Height may be off by” 11"),
        ("if it lay on its cheek, give --lie cheek-down", "if it lay on its cheek, fill in “cheek-down”"),
        ("photograph both sides and name them in a job file", "photograph both sides and drop the other side's under “The other side"),
        ("draw a line along the edge: --along X,Y X,Y ...", "draw a line along the edge: “draws along the edge”"),
        ("set 0 to 27 mm apart (--apart tip=0:27)", "set 0 to 27 mm apart (“reports a stretch apart”)"),
        (_NO_STRIP, "or, if the strip is not in the photo, open “No strip in the photo?”"),
        ("look again at the point on the cheek (--cheek), which", "look again at the point on the cheek, which"),
        ("no flag here - nor -- here", "no flag here - nor -- here"),
    ],
)
def test_fields_go_by_their_labels(said: str, shown: str) -> None:
    assert on_screen(said).startswith(shown)


def test_every_label_is_one_that_the_page_has() -> None:
    written = "\n".join(p.read_text(encoding="utf-8") for p in FORM.rglob("*.py") if p.name != "words.py").lower()
    for text in _sentences():
        for label in re.findall(r"“(.+?)”", on_screen(text)):
            assert label.lower() in written, label


def test_a_seam_says_wider_or_narrower() -> None:
    names = ("one.jpg", "two.jpg")
    assert "0.132 ± 0.033 mm narrower; THEY DISAGREE" in seam(Overlap(0, 1, 6.0, 48.0, -0.132, 0.0165), names)
    assert "0.010 ± 0.033 mm wider; they agree" in seam(Overlap(0, 1, 6.0, 48.0, 0.0101, 0.0165), names)


def test_a_step_names_only_what_it_gains() -> None:
    now = Narrowing(0.0155, 0.0175, ())
    tip = Step("readings-tip", 0.0155, 0.0155, (43.0, 45.0))
    said = step(tip, now)
    assert said.startswith("two more caliper readings near the tip end, at 43 and 45 mm: ")
    assert step(tip, now, more=False).startswith("two caliper readings near the tip end"), "more than none is no more"
    assert "main stretch" not in said
    assert "last millimetre ± 0.031 instead of ± 0.035 mm" in said
