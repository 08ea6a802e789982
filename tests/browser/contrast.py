"""Text of a page in the browser that does not stand out from its ground."""

from __future__ import annotations

import time

# Every text of the page against the ground it stands on (WCAG 2.2, contrast ratio).
# Disabled fields are exempt there, and so are pictures.
_FAINT = """() => {
  const parse = c => { const v = c.match(/[\\d.]+/g).map(Number); return v.length < 4 ? [...v, 1] : v; };
  const over = (top, under) => top.slice(0, 3).map((v, i) => v * top[3] + under[i] * (1 - top[3])).concat(1);
  const light = c => { const l = c.slice(0, 3).map(v => v / 255).map(v => v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4);
    return 0.2126 * l[0] + 0.7152 * l[1] + 0.0722 * l[2]; };
  const ground = e => { const stack = []; for (; e; e = e.parentElement) stack.push(parse(getComputedStyle(e).backgroundColor));
    return stack.reverse().reduce((under, c) => over(c, under), [255, 255, 255, 1]); };
  const faint = []; const walker = document.createTreeWalker(document.querySelector("[data-testid=stMain]"), NodeFilter.SHOW_TEXT);
  while (walker.nextNode()) {
    const e = walker.currentNode.parentElement, text = walker.currentNode.textContent.trim();
    if (!text || e.closest("script,style,svg,[disabled],[aria-disabled=true]") || !e.getClientRects().length) continue;
    // A slider's figure hangs above its thumb, not upon it.
    const back = ground(e.closest("[data-testid=stSliderThumbValue]")?.closest("[data-testid=stSlider]") ?? e);
    const colour = parse(getComputedStyle(e).color);
    for (let up = e; up; up = up.parentElement) colour[3] *= Number(getComputedStyle(up).opacity);
    if (colour[3] < 0.01) continue;  // a slider's ends, until it is pointed at
    const front = over(colour, back);
    const [high, low] = [light(front), light(back)].sort((a, b) => b - a), ratio = (high + 0.05) / (low + 0.05);
    if (ratio < 4.5) faint.push(ratio.toFixed(2) + ": " + text.slice(0, 60));
  }
  return faint; }"""


# A theme that was just asked for comes in by and by.
_MOST_S = 20.0


def faint(page) -> list[str]:
    """``"ratio: text"`` of every text that stays below 4.5 : 1."""
    end = time.monotonic() + _MOST_S
    while (found := page.evaluate(_FAINT)) and time.monotonic() < end:
        page.wait_for_timeout(300)
    return found
