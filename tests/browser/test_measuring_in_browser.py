"""What a person does on the measuring screen, in a real browser: point, type, mark, take back."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace

import numpy as np
import pypdfium2
import pytest
from scipy.special import ndtr

from app.demo import load
from app.files import profile_text
from app.headline import headline
from tests.browser.measuring import declare_angle, downloaded, fill, holds, ready, save, settled, to_screen, upload
from tests.browser.measuring import headline as shown
from tests.vision.drawn import PX_PER_MM, Drawn
from vision.hints import pointing_px
from vision.measure import measure
from vision.photo import open_photo

pytestmark = pytest.mark.browser


def _along(page, share: float) -> tuple[float, float]:
    """A place on the edge in the viewer: it opens on the edge, which runs through its middle."""
    page.locator(".sl-stage").scroll_into_view_if_needed()
    box = page.locator(".sl-stage").bounding_box()
    return box["x"] + share * box["width"], box["y"] + 0.5 * box["height"]


def _chart(page) -> dict[str, float]:
    """Where the thickness chart's plot lies."""
    over = page.locator(".sl-chart .u-over").nth(1)
    over.scroll_into_view_if_needed()
    return over.bounding_box()


def _position(page) -> float:
    page.wait_for_timeout(250)
    page.locator(".sl-viewer:not([data-position=''])[data-position]").wait_for(timeout=5_000)
    return float(page.locator(".sl-viewer").get_attribute("data-position"))


def test_pointing_at_the_photo_and_at_a_chart_is_one_place(open_page) -> None:
    page = open_page()
    ready(page)
    page.mouse.move(*_along(page, 0.3))
    here = _position(page)
    assert re.match(rf"{here:.1f} mm: bevel width \d", page.locator(".sl-readout").inner_text())
    box = _chart(page)
    page.mouse.move(box["x"] + 0.8 * box["width"], box["y"] + 20)
    there = _position(page)
    assert there > here + 10
    lines = page.locator(".sl-chart .u-cursor-x")
    assert len({round(lines.nth(i).bounding_box()["x"]) for i in range(2)}) == 1, "both charts point at the same place"


def test_a_spot_check_is_picked_in_the_photo_and_its_reading_typed(open_page, picture) -> None:
    page = open_page()
    ready(page)
    before = shown(page)
    page.get_by_label("adds a spot check").check()
    page.mouse.move(*_along(page, 0.6))
    place = _position(page)
    page.mouse.click(*_along(page, 0.6))
    pending = page.get_by_text("no reading yet")
    pending.wait_for(timeout=20_000)
    assert f"{place:.1f} mm" in pending.inner_text()
    fill(page, 6, 0.5, "0.44")
    page.get_by_text(f"{place:.1f} mm, 0.44 mm").wait_for(timeout=20_000)
    assert shown(page) != before
    picture(page, "measure-spot-check")
    page.get_by_role("button", name="Undo the last step").click()
    page.get_by_text("no reading yet").wait_for(timeout=20_000)


def test_on_a_phone_every_word_of_the_budgets_chart_is_on_the_page(open_page, picture) -> None:
    page = open_page(phone=True)
    ready(page)
    chart = page.get_by_test_id("stVegaLiteChart").first
    chart.scroll_into_view_if_needed()
    chart.get_by_text("µm (one standard uncertainty)").wait_for(timeout=20_000)
    outside = chart.evaluate("""chart => {
      const page = chart.getBoundingClientRect();
      return [...chart.querySelectorAll('svg text')].filter(t => {
        const box = t.getBoundingClientRect();
        return t.textContent && (box.left < page.left - 1 || box.right > page.right + 1);
      }).map(t => t.textContent);
    }""")
    assert outside == []
    picture(page, "measure-budget-phone")


@pytest.mark.parametrize("phone", [False, True])
def test_a_refused_fact_is_said_where_one_looks_and_the_photo_stays(open_page, picture, phone) -> None:
    page = open_page(phone=phone)
    ready(page)
    before = page.get_by_role("heading", name=" mm (").inner_text()
    page.get_by_role("spinbutton", name="Included angle, degrees").fill("500")
    button = page.get_by_role("button", name="Measure", exact=True)
    button.click()
    said = page.get_by_text("must lie between 4 and 120 degrees")
    said.nth(1).wait_for(timeout=20_000)
    settled(page)
    assert said.count() == 2
    button_box, beside = button.bounding_box(), said.nth(1).bounding_box()
    assert 0 < beside["y"] - button_box["y"] < 150, "the reason stands just below the button"
    viewer = page.locator(".sl-viewer[data-opened]")
    assert viewer.is_visible()
    assert said.nth(0).bounding_box()["y"] < viewer.bounding_box()["y"], "and above the photo"
    assert before in page.get_by_text("The last figure, not by what is refused above").inner_text()
    assert page.get_by_role("heading", name=" mm (").count() == 0
    picture(page, f"measure-refused-fact{'-phone' * phone}")


def test_a_stretch_is_left_out_by_two_clicks_and_taken_back(open_page) -> None:
    page = open_page()
    ready(page)
    before = shown(page)
    page.get_by_label("leaves a stretch out").check()
    page.mouse.click(*_along(page, 0.55))
    page.get_by_text("now the other end").wait_for()
    box = _chart(page)
    page.mouse.click(box["x"] + 0.9 * box["width"], box["y"] + 30)
    page.get_by_text("corrected by hand in 1 place").wait_for(timeout=20_000)
    assert shown(page) != before
    page.get_by_role("button", name="Remove").click()
    page.get_by_text("; corrected by hand").wait_for(state="detached", timeout=20_000)
    assert shown(page) == before


SHOULDER = """() => {
  const p = document.querySelector('.sl-viewer').slViewer.data.profile;
  return p.sx.map((x, i) => [x, p.sy[i], p.ax[i], p.ay[i]]);
}"""


@dataclass(frozen=True)
class TwoTone(Drawn):
    """A bevel whose upper half is darker over a few millimetres: two real lines there, and only one everywhere else."""

    lane: tuple[float, float, float] = (0.1, 0.1, 0.1)
    cheek: tuple[float, float, float] = (0.19, 0.19, 0.2)
    noise: float = 0.01

    def linear(self):
        upper = Drawn(lane=self.lane, cheek=self.cheek, noise=self.noise, bevel=tuple(0.62 * v for v in self.bevel)).linear()
        row, column = np.arange(len(upper))[:, None, None], np.arange(upper.shape[1])[None, :, None]
        # Borders as blurred as the rest of the picture; the patch's ends fade over a third of a millimetre.
        dark = ndtr((SPLIT_Y - row) / self.blur_px) * ndtr((column - DARK_PX[0]) / 20) * ndtr((DARK_PX[1] - column) / 20)
        return dark * upper + (1 - dark) * super().linear()


# 60 px/mm, the strip's near side 14 mm down, the apex 4.5 mm above it, a seen width of 0.9 mm; the dark patch is 6.7 mm long.
SHOULDER_Y, SPLIT_Y, DARK_PX = (14.0 - 5.4) * PX_PER_MM, (14.0 - 4.95) * PX_PER_MM, (700.0, 1100.0)


def test_a_guide_point_moves_the_line_and_is_taken_back(open_page, picture, tmp_path) -> None:
    """Of two lines that are both there the person means the one that was not taken."""
    drawn = TwoTone().photo()
    page = open_page()
    ready(page)
    upload(page, save(drawn, tmp_path / "two-tone.png"))
    declare_angle(page, "30")
    before = page.evaluate(SHOULDER)
    middle = min((row for row in before if row[1] is not None), key=lambda row: abs(row[0] - 900))
    meant = max(SPLIT_Y, SHOULDER_Y, key=lambda y: abs(y - middle[1]))
    page.get_by_label("puts the shoulder here").check()
    page.mouse.click(*to_screen(page, 900.0, meant))
    page.get_by_text("guide point on the shoulder at").wait_for(timeout=60_000)
    settled(page)
    page.wait_for_timeout(600)
    after = page.evaluate(SHOULDER)
    assert [row[2:] for row in after] == [row[2:] for row in before], "the apex is another line"
    near = [row for row in after if row[1] is not None and abs(row[0] - 900) < 0.5 * PX_PER_MM]
    assert len(near) > 3
    reach = pointing_px((drawn.width_px, drawn.height_px))
    assert max(abs(row[1] - meant) for row in near) < reach, "the line passes where the hand points"
    # A millimetre beyond the patch there is but one line, wherever the hand points.
    far = [(a, b) for a, b in zip(before, after, strict=True) if not DARK_PX[0] - PX_PER_MM < a[2] < DARK_PX[1] + PX_PER_MM]
    assert len(far) > 30
    # The finish is told by stretches of several mm, of which the place that was pointed at is no part now: a tenth of a px or two.
    assert all(a == pytest.approx(b, abs=0.2) for a, b in far if None not in (a[1], b[1])), "and only there"
    picture(page, "measure-guide-point")
    page.get_by_role("button", name="Remove", exact=True).click()
    page.get_by_text("Corrected by hand", exact=True).wait_for(state="detached", timeout=30_000)
    settled(page)
    page.wait_for_timeout(600)
    assert page.evaluate(SHOULDER) == before


def test_the_keyboard_alone_walks_the_edge_marks_and_downloads(open_page) -> None:
    page = open_page()
    ready(page)
    mode = page.get_by_label("looks closer")
    mode.focus()
    for _ in range(4):
        page.keyboard.press("ArrowRight")
    assert page.get_by_label("leaves a stretch out").is_checked()
    stage = page.locator(".sl-stage")
    for _ in range(12):
        page.keyboard.press("Tab")
        if stage.evaluate("e => e === document.activeElement"):
            break
    assert stage.evaluate("e => e === document.activeElement"), "the photo is reached by Tab"
    for _ in range(5):
        page.keyboard.press("Shift+ArrowRight")
    first = _position(page)
    page.keyboard.press("Enter")
    for _ in range(5):
        page.keyboard.press("Shift+ArrowRight")
    last = _position(page)
    assert last > first + 3
    page.keyboard.press("Enter")
    page.get_by_text(f"left out: {first:.1f} to {last:.1f} mm").wait_for(timeout=20_000)
    assert downloaded(page, "report.pdf", key=True).read_bytes().startswith(b"%PDF")


# What stands on the page at each of its changes: a bar; a figure, files or a photo; the words that a demo is shown.
WATCH = """() => {
  window.slSeen = [];
  const main = document.querySelector('[data-testid=stMain]');
  const look = () => {
    const text = main.innerText;
    window.slSeen.push({
      bar: !!main.querySelector('[data-testid=stProgress]'), viewer: !!main.querySelector('.sl-viewer'),
      demo: text.includes('A demo blade'),
      figure: / mm \\(0\\.\\d+ ± /.test(text) || text.includes('report.pdf') || text.includes('agrees: this caliper'),
    });
  };
  new MutationObserver(look).observe(main, { subtree: true, childList: true, characterData: true });
}"""


# A slow browser draws what has come meanwhile in one go, and a bar that came and went was never on its page. What the server sends after a
# bar's words ("edge …") therefore waits until they are shown, however slow the browser; for 10 s at most, so that no test hangs on it.
EACH_BAR = """(() => {
  const listen = WebSocket.prototype.addEventListener;
  const words = (data) => new TextDecoder().decode(data).match(/[a-z]+ …/)?.[0];
  const shown = () => document.querySelector('[data-testid=stProgress]')?.innerText ?? '';
  const frame = () => new Promise((go) => requestAnimationFrame(go));
  async function drawn(said) {
    const end = performance.now() + 10000;
    while (said && !shown().includes(said) && performance.now() < end) await frame();
  }
  WebSocket.prototype.addEventListener = function (kind, heard, ...more) {
    if (kind !== 'message') return listen.call(this, kind, heard, ...more);
    let before = Promise.resolve();
    const later = (event) => { before = before.then(() => { heard.call(this, event); return drawn(words(event.data)); }); };
    return listen.call(this, kind, later, ...more);
  };
})()"""


def test_no_earlier_figure_stands_while_another_photo_is_searched(open_page) -> None:
    demo = next(d for d in load() if d.name == "belly-thickens")
    page = open_page(prepare=lambda page: page.add_init_script(EACH_BAR))
    ready(page)
    page.evaluate(WATCH)
    page.get_by_test_id("stFileUploaderDropzoneInput").first.set_input_files(demo.photos[0])
    page.get_by_text("Strip and edge are found").wait_for(timeout=60_000)
    page.locator(".sl-viewer[data-opened]").wait_for(timeout=60_000)
    searching = [seen for seen in page.evaluate("window.slSeen") if seen["bar"]]
    assert searching
    assert not any(seen["figure"] or seen["demo"] or seen["viewer"] for seen in searching)
    assert page.evaluate("document.querySelector('.sl-viewer').slViewer.mine().length") > 100, "both lines are there before any fact"
    # The same photo at another height is another search: its figures go, the photo under its zoom stays.
    page.get_by_role("spinbutton", name="Included angle, degrees").fill("30")
    page.get_by_role("button", name="Measure", exact=True).click()
    ready(page)
    page.evaluate("window.slSeen = []; document.querySelector('.sl-viewer').slViewer.kept = true")
    page.get_by_role("spinbutton", name="Edge above the strip's face, mm").fill("0.9")
    page.get_by_role("button", name="Measure", exact=True).click()
    page.get_by_text("Edge height not declared").wait_for(state="detached", timeout=60_000)
    ready(page)
    searching = [seen for seen in page.evaluate("window.slSeen") if seen["bar"]]
    assert searching
    assert not any(seen["figure"] for seen in searching)
    assert page.evaluate("document.querySelector('.sl-viewer').slViewer.kept")


def test_an_emptied_fact_is_declared_no_longer(open_page) -> None:
    """The demo's owner has declared the height: who takes it back must not get it back."""
    page = open_page()
    ready(page)
    height = page.get_by_role("spinbutton", name="Edge above the strip's face, mm")
    holds(height, "0.4")
    height.fill("")
    page.get_by_role("button", name="Measure", exact=True).click()
    page.get_by_text("Edge height not declared").wait_for(timeout=60_000)
    holds(height, "")
    height.fill("400")
    page.get_by_role("button", name="Measure", exact=True).click()
    page.get_by_text("it must lie between -20 and 50 mm").first.wait_for(timeout=30_000)
    settled(page)
    assert page.get_by_role("heading", name=" mm (").count() == 0
    holds(height, "400")


# How often the photo's viewer looks up in two seconds.
LOOKS = """() => new Promise((done) => {
  const own = OpenSeadragon.requestAnimationFrame;
  let looks = 0;
  OpenSeadragon.requestAnimationFrame = (act) => own(() => { looks += 1; act(); });
  setTimeout(() => { OpenSeadragon.requestAnimationFrame = own; done(looks); }, 2000);
})"""


def test_the_viewer_rests_and_wakes_at_a_touch(open_page) -> None:
    """Asked for every frame that a screen draws, it had kept a tenth of a processor busy, and of a phone's battery."""
    page = open_page()
    ready(page)
    page.wait_for_timeout(2000)
    assert 2 <= page.evaluate(LOOKS) <= 20, "four times a second, where a screen draws sixty"
    zoom = "() => document.querySelector('.sl-viewer').slViewer.picture.viewer.viewport.getZoom(true)"
    before = page.evaluate(zoom)
    page.get_by_role("button", name="Zoom in").click()
    page.wait_for_function(f"(before) => ({zoom})() > 1.4 * before", arg=before, timeout=20_000)


def test_full_size_shows_the_photos_own_pixels(open_page) -> None:
    page = open_page()
    ready(page)
    page.locator(".sl-bar").get_by_label("Show every pixel of the photo").click()
    page.wait_for_timeout(1500)
    # Tiles are cut from the photo at full size: a photo px takes one screen px.
    k = page.evaluate("() => document.querySelector('.sl-viewer').slViewer.picture.view().k * devicePixelRatio")
    assert k == pytest.approx(1.0, abs=0.02)


def test_a_persons_own_photo_from_upload_to_report(open_page, picture, tmp_path) -> None:
    demo = next(d for d in load() if d.name == "belly-thickens")
    page = open_page()
    ready(page)
    page.get_by_test_id("stFileUploaderDropzoneInput").first.set_input_files(demo.photos[0])
    page.get_by_text("Strip and edge are found").wait_for(timeout=60_000)
    d = demo.declared
    assert d.printed_bar_mm is not None
    facts = {
        "Included angle, degrees": d.included_angle_deg,
        "It may be off by, degrees": d.angle_tolerance_deg,
        "Edge above the strip's face, mm": d.edge_height_mm,
        "Height may be off by, mm": d.edge_height_tolerance_mm,
        "Check bar along the strip, mm": d.printed_bar_mm[0],
        "Check bar across it, mm": d.printed_bar_mm[1],
    }
    for label, value in facts.items():
        page.get_by_role("spinbutton", name=label).fill(f"{value:g}")
    page.get_by_role("button", name="Measure", exact=True).click()
    page.locator(".sl-viewer[data-opened]").wait_for(timeout=60_000)
    expected = measure([open_photo(p) for p in demo.photos], replace(d, readings=(), camera_distance_mm=None))
    assert headline(expected)[0].text in shown(page)
    first = d.readings[0]
    fill(page, 1, 0.2, f"{first.position_mm:g}")
    fill(page, 1, 0.5, f"{first.thickness_mm:g}")
    page.get_by_text(f"{first.position_mm:.1f} mm, {first.thickness_mm:g} mm").wait_for(timeout=20_000)
    expected = measure([open_photo(p) for p in demo.photos], replace(d, readings=(first,), camera_distance_mm=None))
    assert headline(expected)[0].text in shown(page)
    picture(page, "measure-own-photo")
    report = pypdfium2.PdfDocument(downloaded(page, "report.pdf"))
    text = " ".join(report[i].get_textpage().get_text_bounded() for i in range(len(report)))
    assert headline(expected)[0].text in " ".join(text.split())
    assert downloaded(page, "profile.csv").read_text(encoding="utf-8") == profile_text(expected)
