"""The list, published: CSV and JSON hold every record and read back to equal ones; Markdown and HTML show the models."""

from __future__ import annotations

import base64
import hashlib
import html
from collections.abc import Sequence

from app.reference_log import bands, columns, words
from app.reference_log.contributions import csv_text, json_text
from app.reference_log.escape import markdown, page
from app.reference_log.store import Store
from app.reference_log.summary import Summary, all_summaries
from vision import rounding

FORMATS = ("csv", "json", "markdown", "html")
# U of a mean here is the half-width of its 95 % interval by Student's t, which is k = 2 for many specimens and more for few.
_WHAT = (
    "± is the 95 % interval of the mean over specimens. Each line holds only figures had in one way, of one kind of edge, in one "
    f"condition. Bands: {bands.CAVEAT}. Blades cut: local rules come first."
)


def export(store: Store, kind: str) -> str:
    """The whole log in one of `FORMATS`; corrections replace what they corrected."""
    if kind == "csv":
        return csv_text(columns.ALL, (columns.cells(s.record) for s in store.all()))
    if kind == "json":
        return json_text([columns.cells(s.record) for s in store.all()])
    summaries = all_summaries(store)
    return markdown_list(summaries) if kind == "markdown" else html_list(summaries)


def markdown_list(summaries: Sequence[Summary]) -> str:
    """A table of models."""
    lines = [
        "# Thickness behind the edge",
        "",
        _WHAT,
        "",
        "| maker | model | mean | specimens lie | specimens | next one | how it was had | contributors | left out |",
        "|---|---|---|---|---|---|---|---|---|",
    ]
    for s in summaries:
        cells = (markdown(s.maker), markdown(s.model), words.figure(s), _range(s), str(s.specimens), _next(s), markdown(s.group.name),
                 _people(s, markdown), str(_left_out(s)))  # fmt: skip
        lines.append(f"| {' | '.join(cells)} |")
    return "\n".join(lines) + "\n"


def html_list(summaries: Sequence[Summary]) -> str:
    """One self-contained page: a table that sorts on a click, with the range of each model drawn on one scale. No network.

    The policy in its head lets only this page's own script run, by its hash: contributed text that slipped through would still
    be dead.
    """
    top = max((max(s.max_mm, s.high_mm) for s in summaries), default=1.0)
    # A single wide t interval must not squeeze every other bar.
    top = min(top, 1.25 * max((s.max_mm for s in summaries), default=1.0))
    rows = "\n".join(_row(s, top) for s in summaries)
    heads = "".join(
        f'<th scope="col"><button type="button">{name}</button></th>'
        for name in ("maker", "model", "mean", f"0 to {top:.2f} mm", "specimens", "next one", "how it was had", "contributors", "left out")
    )
    digest = base64.b64encode(hashlib.sha256(_SCRIPT.encode()).digest()).decode()
    policy = f"default-src 'none'; style-src 'unsafe-inline'; script-src 'sha256-{digest}'; base-uri 'none'; form-action 'none'"
    return (
        f'<!DOCTYPE html>\n<html lang="en"><head><meta charset="utf-8"><meta http-equiv="Content-Security-Policy" content="{policy}">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1"><title>Thickness behind the edge</title>\n'
        f"<style>{_STYLE}</style></head><body>\n<h1>Thickness behind the edge</h1>\n<p>{html.escape(_WHAT)}</p>\n"
        f"<table><thead><tr>{heads}</tr></thead><tbody>\n{rows}\n</tbody></table>\n<script>{_SCRIPT}</script>\n</body></html>\n"
    )


def _row(s: Summary, top: float) -> str:
    disagree = "".join(f'<br><span class="no">{line}</span>' for line in words.disagreements(s, page))
    cells = (
        (page(s.maker), None), (page(s.model), None), (html.escape(words.figure(s)) + disagree, s.mean_mm), (_bar(s, top), s.min_mm),
        (str(s.specimens), s.specimens), (html.escape(_next(s)), -1.0 if s.specimens == 1 else s.next_low_mm), (page(s.group.name), None),
        (_people(s, page), len(s.contributors)), (str(_left_out(s)), _left_out(s)),
    )  # fmt: skip
    return "<tr>" + "".join(f"<td>{c}</td>" if key is None else f'<td data-key="{key:.9g}">{c}</td>' for c, key in cells) + "</tr>"


def _bar(s: Summary, top: float) -> str:
    """Thinnest to thickest specimen as a bar, the mean as a dot; 160 px wide, so 500 models are 500 lines of one page."""
    low, high, mean = (160.0 * min(1.0, v / top) for v in (s.min_mm, s.max_mm, s.mean_mm))
    label = html.escape(_range(s))
    return (
        f'<svg width="160" height="14" role="img" aria-label="{label}"><title>{label}</title><path d="M0 7H160" class="axis"/>'
        f'<path d="M{low:.1f} 7H{high:.1f}" class="range"/><circle cx="{mean:.1f}" cy="7" r="3"/></svg>'
    )


def _range(s: Summary) -> str:
    if s.specimens == 1:
        return f"{rounding.format_value(s.min_mm, s.u_mm)} mm"
    return words.between(s.min_mm, s.max_mm, s.u_mm)


def _next(s: Summary) -> str:
    return "not known" if s.specimens == 1 else words.next_range(s)


def _people(s: Summary, escape: words.Escape) -> str:
    shown = ", ".join(escape(c) for c in s.contributors[:5])
    return shown if len(s.contributors) <= 5 else f"{shown} and {len(s.contributors) - 5} more"


def _left_out(s: Summary) -> int:
    return sum(o.measurements for o in s.left_out)


_STYLE = (
    "body{font:15px/1.5 system-ui,sans-serif;margin:2rem;color:#1c2430;background:#fff}table{border-collapse:collapse}"
    "td,th{padding:.25rem .6rem;border-bottom:1px solid #d7dce3;text-align:left;vertical-align:top;overflow-wrap:anywhere;min-width:4rem}"
    "th{position:sticky;top:0;background:#fff}th button{font:inherit;font-weight:600;border:0;background:none;padding:0;cursor:pointer}"
    "th[aria-sort=ascending] button::after{content:' ▲'}th[aria-sort=descending] button::after{content:' ▼'}"
    ".axis{stroke:#d7dce3}.range{stroke:#3a6ea5;stroke-width:4}circle{fill:#1c2430}.no{color:#a3341f}"
)
_SCRIPT = (
    "document.querySelectorAll('th button').forEach((b,i)=>b.addEventListener('click',()=>{"
    "const h=b.parentNode,up=h.getAttribute('aria-sort')!=='ascending',body=document.querySelector('tbody');"
    "document.querySelectorAll('th').forEach(t=>t.removeAttribute('aria-sort'));"
    "h.setAttribute('aria-sort',up?'ascending':'descending');"
    "const v=r=>{const c=r.cells[i];return c.dataset.key===undefined?c.textContent.toLowerCase():parseFloat(c.dataset.key)};"
    "[...body.rows].sort((a,b)=>{const x=v(a),y=v(b);const d=typeof x==='number'?x-y:x.localeCompare(y);return up?d:-d})"
    ".forEach(r=>body.appendChild(r))}))"
)
