"""A visitor's own browser: facts kept for the next visit, a comma for a decimal point, a phone's touch, second lines seen."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy.special import ndtr

from app.demo import load
from app.headline import headline
from tests.browser.conftest import STILL
from tests.browser.measuring import declare_angle, fill, holds, ready, save, settled, to_screen, upload
from tests.browser.measuring import headline as shown
from tests.vision.drawn import PX_PER_MM, Drawn
from vision.declared import Declared
from vision.measure import measure
from vision.photo import open_photo

pytestmark = pytest.mark.browser


@pytest.fixture(scope="module")
def belly():
    return next(d for d in load() if d.name == "belly-thickens")


def test_a_field_that_was_changed_is_said_beside_the_figure_until_it_is_taken_in(open_page, picture) -> None:
    page = open_page()
    ready(page)
    stale = page.get_by_text("this figure is not by them. Press Measure.")
    beside = page.get_by_text("Changed and not taken in yet: press “Measure”.")
    angle = page.get_by_role("spinbutton", name="Included angle, degrees")
    for line in (stale, beside):
        line.wait_for(state="hidden", timeout=5_000)
    before, was = shown(page), angle.input_value()
    angle.fill("31")
    stale.wait_for(timeout=5_000)
    beside.wait_for(timeout=5_000)
    picture(page, "measure-changed")
    angle.fill(was)
    stale.wait_for(state="hidden", timeout=5_000)
    page.get_by_text("cheek-down: lying on its lower cheek").click()
    stale.wait_for(timeout=5_000)
    page.get_by_text("level: held or propped").click()
    stale.wait_for(state="hidden", timeout=5_000)
    angle.fill("31")
    page.get_by_role("button", name="Measure", exact=True).click()
    stale.wait_for(state="hidden", timeout=20_000)
    beside.wait_for(state="hidden", timeout=5_000)
    assert shown(page) != before


def test_facts_filled_in_are_not_lost_on_a_slow_browser(open_page) -> None:
    """Its fields' own program comes late, and until then another run of the page has replaced what the first filled in."""
    late, program = [], "**/NumberInput*.js"
    page = open_page(prepare=lambda page: page.route(program, lambda route: late.append(route)))
    page.get_by_role("heading", name=" mm (").wait_for(timeout=180_000)
    settled(page)
    page.keyboard.press("r")
    settled(page)
    assert late
    # What is kept goes on now, and nothing is kept from here on.
    page.unroute(program)
    before = shown(page)
    holds(page.get_by_role("spinbutton", name="Edge above the strip's face, mm"), "0.4")
    holds(page.get_by_role("spinbutton", name="Height may be off by, mm"), "0.2")
    page.keyboard.press("r")
    assert shown(page) == before
    # What a person changes is theirs, typed or by arrow, though nothing has been pressed yet.
    angle = page.get_by_role("spinbutton", name="Included angle, degrees")
    holds(angle, "30")
    angle.press("ArrowUp")
    height = page.get_by_role("spinbutton", name="Edge above the strip's face, mm")
    height.fill("")
    page.wait_for_timeout(2_000)
    holds(angle, "31")
    holds(height, "")


def test_facts_are_kept_in_this_browser_alone_offered_and_forgotten(open_page, picture, belly) -> None:
    page = open_page()
    ready(page)
    upload(page, belly.photos[0])
    page.get_by_role("spinbutton", name="Edge above the strip's face, mm").fill("0.3")
    declare_angle(page, "31")
    page.get_by_text("Kept in this browser for your next photo").wait_for(timeout=20_000)
    before = shown(page)

    page.reload()
    ready(page)
    assert page.get_by_text("Last time in this browser").count() == 0, "a demo is its owner's"
    upload(page, belly.photos[0])
    page.get_by_text("Last time in this browser you declared: included angle 31").wait_for(timeout=20_000)
    angle = page.get_by_role("spinbutton", name="Included angle, degrees")
    holds(angle, "")
    picture(page, "measure-last-visit")
    page.get_by_role("button", name="Fill these in").click()
    ready(page)
    holds(angle, "31")
    holds(page.get_by_role("spinbutton", name="Edge above the strip's face, mm"), "0.3")
    assert shown(page) == before.replace(": 0", "; by the facts of your last visit, not checked yet: 0")
    page.get_by_role("button", name="Measure", exact=True).click()
    page.get_by_text("not checked yet").wait_for(state="detached", timeout=20_000)
    assert shown(page) == before

    stranger = open_page()
    ready(stranger)
    upload(stranger, belly.photos[0])
    settled(stranger)
    assert stranger.get_by_text("Last time in this browser").count() == 0
    assert stranger.evaluate("localStorage.getItem('shoulderline.facts')") is None

    page.get_by_role("button", name="Forget them").click()
    page.get_by_text("Kept in this browser for your next photo").wait_for(state="detached", timeout=20_000)
    settled(page)
    assert page.evaluate("localStorage.getItem('shoulderline.facts')") is None
    # What stands in the form stays there.
    holds(angle, "31")


def test_a_browser_lent_to_another_test_remembers_nothing(windows, address: str) -> None:
    options = {**STILL, "locale": "en-GB"}
    for _ in range(2):
        browser = windows.lend(options)
        page = browser.new_page()
        page.goto(address + "/_stcore/health")
        assert page.evaluate("localStorage.length") == 0
        assert "kept" not in {cookie["name"] for cookie in browser.cookies()}
        page.evaluate(
            """() => {
                const write = () => { localStorage.setItem('shoulderline.facts', '31'); document.cookie = 'kept=31; path=/'; };
                write();
                setInterval(write, 1);
                addEventListener('pagehide', write);
            }"""
        )
        windows.take_back(options, browser, address)
    assert windows.lend(options) is browser


def test_a_look_at_another_screen_loses_nothing(open_page, belly) -> None:
    page = open_page()
    ready(page)
    upload(page, belly.photos[0])
    declare_angle(page, "31")
    fill(page, 1, 0.2, "20")
    fill(page, 1, 0.5, "0.44")
    page.get_by_text("20.0 mm, 0.44 mm").wait_for(timeout=20_000)
    before = shown(page)
    page.get_by_role("link", name="Plan the next grind").click()
    page.get_by_text(f"For: {belly.photos[0].name}").wait_for(timeout=60_000)
    page.get_by_role("link", name="Measure", exact=True).click()
    ready(page)
    page.get_by_text(f"Still here: {belly.photos[0].name}").wait_for(timeout=20_000)
    assert shown(page) == before
    holds(page.get_by_role("spinbutton", name="Included angle, degrees"), "31")
    page.get_by_role("button", name="Remove", exact=True).click()
    page.get_by_text("A demo blade, measured").wait_for(timeout=60_000)


def test_a_comma_is_a_decimal_point_in_fields_and_in_the_table(open_page) -> None:
    """In a browser that writes points; one that writes commas takes both already."""
    page = open_page()
    ready(page)
    height = page.get_by_role("spinbutton", name="Edge above the strip's face, mm")
    height.click()
    page.keyboard.press("Control+A")
    page.keyboard.type("0,45", delay=40)
    holds(height, "0.45")
    page.keyboard.press("Control+A")
    page.evaluate("""() => {
      const field = document.activeElement, pasted = new DataTransfer();
      pasted.setData('text/plain', '0,35');
      const paste = { inputType: 'insertFromPaste', dataTransfer: pasted, bubbles: true, cancelable: true };
      if (field.dispatchEvent(new InputEvent('beforeinput', paste))) throw new Error('the comma was left to the browser');
    }""")
    holds(height, "0.35")
    fill(page, 1, 0.2, "12,6")
    fill(page, 1, 0.5, "0,47")
    page.get_by_text("12.6 mm, 0.47 mm").wait_for(timeout=20_000)
    # Words keep their commas.
    page.get_by_test_id("stFileUploaderDropzoneInput").first.wait_for(state="attached")
    assert page.evaluate("""() => {
      const field = document.createElement('input'); document.body.append(field);
      const left = field.dispatchEvent(new InputEvent('beforeinput', { data: ',', bubbles: true, cancelable: true }));
      field.remove(); return left;
    }""")


def test_the_whole_way_by_touch_on_a_phone(open_page, picture, belly) -> None:
    page = open_page(phone=True)
    ready(page)
    upload(page, belly.photos[0])
    d = belly.declared
    for label, value in {
        "Included angle, degrees": d.included_angle_deg,
        "It may be off by, degrees": d.angle_tolerance_deg,
        "Edge above the strip's face, mm": d.edge_height_mm,
        "Height may be off by, mm": d.edge_height_tolerance_mm,
        "Check bar along the strip, mm": d.printed_bar_mm[0],
        "Check bar across it, mm": d.printed_bar_mm[1],
    }.items():
        field = page.get_by_role("spinbutton", name=label)
        field.tap()
        field.press("Control+A")
        page.keyboard.type(f"{value:g}")
    page.get_by_role("button", name="Measure", exact=True).tap()
    ready(page)
    first = d.readings[0]
    fill(page, 1, 0.2, f"{first.position_mm:g}", touch=True)
    fill(page, 1, 0.5, f"{first.thickness_mm:g}", touch=True)
    page.get_by_text(f"{first.position_mm:.1f} mm, {first.thickness_mm:g} mm").wait_for(timeout=20_000)
    expected = measure([open_photo(p) for p in belly.photos], replace(d, readings=(first,), camera_distance_mm=None))
    assert headline(expected)[0].text in shown(page)
    assert page.evaluate("document.documentElement.scrollWidth") <= 390, "the page does not scroll sideways"

    # A guide point on the line itself: the figure stays but for the search's own noise, and the result says who led it.
    page.get_by_label("puts the shoulder here").tap()
    at = page.evaluate("""() => {
      const p = document.querySelector('.sl-viewer').slViewer.data.profile, i = p.sx.length >> 1;
      return [p.sx[i], p.sy[i]];
    }""")
    page.touchscreen.tap(*to_screen(page, *at))
    page.get_by_text("guide point on the shoulder at").wait_for(timeout=60_000)
    ready(page)
    assert "corrected by hand in 1 place" in shown(page)
    point = page.evaluate("() => document.querySelector('.sl-viewer').slViewer.data.photos[0].guides[0]")
    # A finger is as good as the screen's own pixels here; on the phone's picture one of them is some 10 px of the photo.
    assert np.hypot(point[1] - at[0], point[2] - at[1]) < 15
    picture(page, "measure-touch")
    page.get_by_role("button", name="Undo the last step").tap()
    page.get_by_text("corrected by hand in 1 place").wait_for(state="detached", timeout=30_000)
    assert headline(expected)[0].text in shown(page)


class Split(Drawn):
    """A bevel in two tones: either step could be the shoulder."""

    def linear(self):
        upper = Drawn(lane=self.lane, cheek=self.cheek, noise=self.noise, bevel=tuple(0.63 * v for v in self.bevel)).linear()
        rows = np.arange(len(upper))[:, None, None]
        lower = ndtr((rows - ((14.0 - self.edge_mm) * PX_PER_MM - 0.6 * 0.9 * PX_PER_MM)) / self.blur_px)
        return lower * super().linear() + (1 - lower) * upper


# How many of the places on the second line are drawn upon, and how many where nothing is drawn, beside it.
DOTS = """() => {
  const v = document.querySelector('.sl-viewer').slViewer.picture, c = v.canvas.getContext('2d'), s = v.canvas.width / v.canvas.clientWidth;
  const view = v.view(), at = (o, x) => Math.round((o + (x + 0.5) * view.k) * s);
  const drawn = (x, y) => c.getImageData(at(view.x, x), at(view.y, y), 1, 1).data;
  const orange = (d) => d[3] > 60 && d[0] > 1.5 * d[2];
  const points = v.rivals.flatMap((r) => r.points), off = 12 / view.k;
  return { lines: v.rivals.length, points: points.length, on: points.filter(([x, y]) => orange(drawn(x, y))).length,
           beside: points.filter(([x, y]) => orange(drawn(x, y + off)) && orange(drawn(x, y - off))).length };
}"""


def test_a_second_line_is_dotted_on_the_photo(open_page, picture, tmp_path) -> None:
    photo = Split(lane=(0.1, 0.1, 0.1), cheek=(0.33, 0.33, 0.34), noise=0.01).photo()
    expected = measure([photo], Declared(included_angle_deg=30))
    assert expected.alternatives, "the photo shows two lines"
    page = open_page()
    ready(page)
    upload(page, save(photo, tmp_path / "split.png"))
    declare_angle(page, "30")
    page.get_by_text("look at the dotted line").first.wait_for(timeout=20_000)
    page.locator(".sl-bar").get_by_label("Show every pixel of the photo").click()
    page.wait_for_timeout(1500)
    seen = page.evaluate(DOTS)
    assert seen["lines"] == len(expected.alternatives)
    # Only what the window shows is drawn. Dots of 1.5 px every 5.5 px, as wide again with their ends.
    assert seen["on"] > 10
    assert seen["on"] < 0.9 * seen["points"], "dots, not a line"
    assert seen["beside"] < 0.1 * seen["on"]
    picture(page, "measure-second-line")
