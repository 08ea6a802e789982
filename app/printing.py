"""The page to print as files and as a picture."""

from __future__ import annotations

import io
import tempfile
from functools import cache
from pathlib import Path

import pypdfium2

from app.report import PDFIUM
from calibration_targets import strip

PAPERS = {"a4": "A4", "letter": "US Letter"}
# 1,200 px wide: the squares can be told apart, the markers need not be.
_SHOWN_PX = 1200


@cache
def page_pdf(paper: str) -> bytes:
    """The page as a vector PDF, true to scale; the same bytes as `shoulderline target` writes."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "strip.pdf"
        strip.draw_pdf(path, paper)
        return path.read_bytes()


@cache
def page_png(paper: str) -> bytes:
    """A picture of the page, to be looked at and not printed."""
    out = io.BytesIO()
    with PDFIUM:
        page = pypdfium2.PdfDocument(page_pdf(paper))[0]
        page.render(scale=_SHOWN_PX / page.get_width()).to_pil().save(out, "PNG")
    return out.getvalue()
