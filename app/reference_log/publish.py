"""The list, published: CSV and JSON hold every record and read back to equal ones; Markdown and HTML show the models."""

from __future__ import annotations

import base64
import hashlib
import html
from collections.abc import Sequence

from app.reference_log import columns, words
from app.reference_log.contributions import csv_text, json_text
from app.reference_log.escape import markdown, page
from app.reference_log.store import Store
from app.reference_log.summary import Summary, all_summaries

FORMATS = ("csv", "json", "markdown", "html")
_HEAD = "| maker | model | mean | specimens lie | specimens | next one | how it was had | contributors | left out |"
_REGION = '<div tabindex="0" role="region" aria-label="The list; scrolls sideways">'
_WHAT = (
    "± is the 95 % interval of the mean over specimens; of a single specimen, how well that one was measured (k = 2). Each line holds only "
    "figures had in one way, of one kind of edge, in one condition; the rest is counted as left out. A figure says nothing about safety, "
    "strength or quality. Blades cut: local rules come first."
)


def export(store: Store, kind: str) -> str:
    """The whole log in one of `FORMATS`; corrections replace what they corrected."""
    if kind == "csv":
        return csv_text(columns.ALL, (columns.cells(s.record) for s in store.all()))
    if kind == "json":
        return json_text([columns.cells(s.record) for s in store.all()])
    summaries = all_summaries(store)
    return markdown_list(summaries) if kind == "markdown" else html_list(summaries)


def is_list(data: bytes, kind: str) -> bool:
    """Whether a file's bytes are the list in this format, of this log or another."""
    # A filled-in template has only the first of these columns.
    own = {"csv": csv_text(columns.ALL, []), "json": f'"{columns.ALL[-1]}": ', "markdown": _HEAD, "html": _REGION}[kind]
    return own.encode() in data or (kind == "json" and data == json_text([]).encode())


def markdown_list(summaries: Sequence[Summary]) -> str:
    """A table of models."""
    lines = [
        "# Thickness behind the edge",
        "",
        _WHAT,
        "",
        _HEAD,
        "|---|---|---|---|---|---|---|---|---|",
    ]
    for s in summaries:
        cells = (markdown(s.maker), markdown(s.model), words.figure(s), words.specimens_lie(s), str(s.specimens), _next(s),
                 markdown(s.group.name),
                 _people(s, markdown), str(words.left_out_count(s)))  # fmt: skip
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
        "<p>A heading sorts by its column. Bars run from the thinnest to the thickest specimen, the dot is the mean.</p>\n"
        f"{_REGION}"
        f"<table><thead><tr>{heads}</tr></thead><tbody>\n{rows}\n</tbody></table></div>\n<script>{_SCRIPT}</script>\n</body></html>\n"
    )


def _row(s: Summary, top: float) -> str:
    disagree = "".join(f'<br><span class="no">{line}</span>' for line in words.disagreements(s, page))
    cells = (
        (page(s.maker), None), (page(s.model), None), (_figure(s) + disagree, s.mean_mm), (_bar(s, top), s.min_mm),
        (str(s.specimens), s.specimens), (html.escape(_next(s)), -1.0 if s.specimens == 1 else s.next_low_mm), (page(s.group.name), None),
        (_people(s, page), len(s.contributors)), (str(words.left_out_count(s)), words.left_out_count(s)),
    )  # fmt: skip
    return "<tr>" + "".join(f"<td>{c}</td>" if key is None else f'<td data-key="{key:.9g}">{c}</td>' for c, key in cells) + "</tr>"


def _figure(s: Summary) -> str:
    return html.escape(words.figure(s)).replace(" (", "<br>(")


def _bar(s: Summary, top: float) -> str:
    """Thinnest to thickest specimen as a bar, the mean as a dot; one line high, so 500 models are 500 lines of one page."""
    low, high, mean = (_BAR_PX * min(1.0, v / top) for v in (s.min_mm, s.max_mm, s.mean_mm))
    label = html.escape(words.specimens_lie(s))
    head = f'<svg width="{_BAR_PX:.0f}" height="14" role="img" aria-label="{label}"><title>{label}</title>'
    axis = f'<path d="M0 7H{_BAR_PX:.0f}" class="axis"/>'
    return f'{head}{axis}<path d="M{low:.1f} 7H{high:.1f}" class="range"/><circle cx="{mean:.1f}" cy="7" r="2.5"/></svg>'


def _next(s: Summary) -> str:
    return "not known" if s.specimens == 1 else words.next_range(s)


def _people(s: Summary, escape: words.Escape) -> str:
    shown = ", ".join(escape(c) for c in s.contributors[:5])
    return shown if len(s.contributors) <= 5 else f"{shown} and {len(s.contributors) - 5} more"


_BAR_PX = 240.0
_STYLE = (
    ":root{color-scheme:light dark;--text:#1c2430;--page:#fff;--line:#d7dce3;--bar:#7aa5cc;--dot:#0b2f52;--no:#a3341f}"
    "@media(prefers-color-scheme:dark){:root{--text:#e6e9ef;--page:#16181c;--line:#3a4048;--bar:#3f6c94;--dot:#dcefff;--no:#ff9a85}}"
    "body{font:15px/1.5 system-ui,sans-serif;margin:1rem;color:var(--text);background:var(--page)}"
    "p{max-width:60rem}div{overflow:auto;max-height:92vh}table{border-collapse:collapse}"
    "td,th{padding:.25rem .6rem;border-bottom:1px solid var(--line);text-align:left;vertical-align:top}"
    "th{position:sticky;top:0;background:var(--page);white-space:nowrap}"
    # A name of 10 kB breaks into lines and scrolls in a box of six; a short one stays whole.
    "td bdi{display:inline-block;max-width:16rem;max-height:9em;overflow:auto;overflow-wrap:break-word;vertical-align:top}"
    "td:nth-child(3),td:nth-child(6){white-space:nowrap}td:nth-child(7){min-width:14rem}"
    ".no{display:inline-block;max-width:18rem;white-space:normal;color:var(--no)}"
    "th button{font:inherit;font-weight:600;border:0;background:none;padding:0;color:inherit;cursor:pointer}"
    # Said by aria-sort already: the second form keeps the arrow out of the button's name.
    "th[aria-sort=ascending] button::after{content:' ▲';content:' ▲'/''}"
    "th[aria-sort=descending] button::after{content:' ▼';content:' ▼'/''}"
    ".axis{stroke:var(--line)}.range{stroke:var(--bar);stroke-width:8}circle{fill:var(--dot)}"
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
