"""Slides in a real browser without a network: every slide by keyboard, whole on the screen and large enough to read."""

from __future__ import annotations

import re
import subprocess
from types import SimpleNamespace

import pytest
from lab_page import browser, needs
from skips import NOT_ON_CI

import finishlab as fl
from finishlab.classroom.slides import _SIZES, _drawn
from finishlab.errors import ProcedureError, RecordsError

#: A screen of 1280 x 800, and what can be read on it from the back row.
SCREEN, LEAST_PX = {"width": 1280, "height": 800}, 24
TOPICS = ("passes", "grits", "wipe", "panels", "technicians")
#: What is cut, too small, or hidden behind the page number, on the slide that is shown.
LOOK = """
(least) => {
  const slide = document.querySelector("section:not([hidden])");
  const nav = document.querySelector("nav").getBoundingClientRect();
  const texts = [...slide.querySelectorAll("h1, h2, p, li, svg text")].filter((e) => e.textContent.trim());
  const wrong = [];
  for (const e of texts) {
    const at = e.getBoundingClientRect();
    if (at.left < 0 || at.top < 0 || at.right > innerWidth || at.bottom > innerHeight) wrong.push(["cut", e.textContent]);
    if (at.right > nav.left && at.bottom > nav.top) wrong.push(["under the page number", e.textContent]);
    const m = e.ownerSVGElement ? e.getScreenCTM() : { a: 1, b: 0 };
    const px = parseFloat(getComputedStyle(e).fontSize) * Math.hypot(m.a, m.b);
    const own = e.ownerSVGElement?.getBoundingClientRect();
    if (own && (at.left < own.left - 2 || at.top < own.top - 2 || at.right > own.right + 2 || at.bottom > own.bottom + 2))
      wrong.push(["cut by its figure", e.textContent]);
    if (px < least) wrong.push([`${px} px`, e.textContent]);
  }
  if (slide.scrollHeight > slide.clientHeight || slide.scrollWidth > slide.clientWidth) wrong.push(["scrolls", ""]);
  const root = document.documentElement;
  if (root.scrollHeight > innerHeight || root.scrollWidth > innerWidth) wrong.push(["page scrolls", ""]);
  const svg = slide.querySelector("svg");
  return { wrong, texts: texts.length, said: slide.querySelector("h1, h2").textContent,
           figure: svg ? svg.getBoundingClientRect().height : null,
           focused: document.activeElement === slide, shown: document.querySelectorAll("section:not([hidden])").length };
}
"""


@pytest.fixture(scope="module")
def results(model):
    more = [fl.step_counts(model, "cut_passes"), fl.certify(10, 10)]
    return [*(fl.lesson(topic, model) for topic in TOPICS), *more]


@pytest.fixture(scope="module")
def written(results, tmp_path_factory):
    path = tmp_path_factory.mktemp("class") / "class.html"
    assert fl.write_slides(results, path, title="How many passes <are> enough?") == path
    return path


@pytest.fixture(scope="module")
def seen(written):
    """The page open in a browser that has no network, and all that it asked for."""
    needs("playwright")
    with browser() as chromium:
        context = chromium.new_context(viewport=SCREEN, has_touch=True)
        context.set_offline(True)
        page = context.new_page()
        asked, said = [], []
        page.on("request", lambda request: asked.append(request.url))
        page.on("console", lambda message: said.append(message.text))
        page.on("pageerror", lambda error: said.append(str(error)))
        page.goto(written.as_uri())
        yield SimpleNamespace(page=page, asked=asked, said=said)


def _number(page) -> str:
    return page.locator("nav [role=status]").inner_text()


def test_every_slide_is_reached_by_keyboard_and_is_whole_and_large(seen, results):
    page, slides = seen.page, len(results) + 2
    page.keyboard.press("Home")
    looks = []
    for number in range(1, slides + 1):
        assert _number(page) == f"{number} / {slides}"
        looks.append(page.evaluate(LOOK, LEAST_PX))
        page.keyboard.press(("ArrowRight", " ", "PageDown", "ArrowDown")[number % 4])
    assert _number(page) == f"{slides} / {slides}", "the last slide stays"
    for number, look in enumerate(looks, start=1):
        assert look["wrong"] == [], f"slide {number}"
        assert look["shown"] == 1
        assert look["focused"]
    assert looks[0]["said"] == "How many passes <are> enough?"
    assert [look["said"] for look in looks[1:-3]] == [r.says for r in results[:-2]]
    assert all(r.text().startswith(look["said"][:-1]) for r, look in zip(results, looks[1:-1], strict=True))
    # The figure takes most of the page.
    assert all(look["figure"] > 0.5 * SCREEN["height"] for look in looks[1:-1])
    assert "data sheet" in page.locator("section:not([hidden])").inner_text()
    for key in ("ArrowLeft", "PageUp", "ArrowUp"):
        page.keyboard.press(key)
    assert _number(page) == f"{slides - 3} / {slides}"
    page.keyboard.press("Home")
    assert _number(page).startswith("1 /")
    page.keyboard.press("End")
    assert _number(page).startswith(f"{slides} /")


def test_nothing_is_asked_of_any_network_and_nothing_is_refused(seen, written):
    seen.page.keyboard.press("End")
    assert [url for url in seen.asked if not url.startswith("file:")] == []
    assert seen.asked == [written.as_uri()]
    # The page's own policy refuses nothing of its own: an unnamed script or style would be told here.
    assert seen.said == []
    text = written.read_text(encoding="utf-8")
    assert "default-src 'none'" in text
    assert not re.search(r"https?://|@import|<link|<iframe|src=", text.replace("default-src=", ""))


def test_a_click_a_tap_and_the_buttons_turn_the_page(seen):
    page = seen.page
    page.keyboard.press("Home")
    page.mouse.click(900, 300)
    assert _number(page).startswith("2 /")
    page.touchscreen.tap(900, 300)
    assert _number(page).startswith("3 /")
    page.mouse.click(100, 300)
    assert _number(page).startswith("2 /")
    page.get_by_role("button", name="On").click()
    assert _number(page).startswith("3 /")
    # Reached by Tab and worked by Space, as a button is.
    page.get_by_role("button", name="Back").focus()
    page.keyboard.press("Space")
    assert _number(page).startswith("2 /")
    page.keyboard.press("Home")


def test_notes_are_the_instructors_until_asked_for(seen, results):
    page = seen.page
    page.keyboard.press("Home")
    page.keyboard.press("ArrowRight")
    note = page.locator("section:not([hidden]) .note")
    assert not note.is_visible()
    page.keyboard.press("n")
    assert note.is_visible()
    assert note.inner_text() == results[0].note
    page.keyboard.press("n")
    assert not note.is_visible()


def test_a_slide_comes_back_where_it_was_left(seen):
    page = seen.page
    page.keyboard.press("Home")
    page.keyboard.press("ArrowRight")
    page.keyboard.press("ArrowRight")
    page.reload()
    assert _number(page).startswith("3 /")


def test_on_paper_every_slide_is_a_page_with_its_notes(seen, results, tmp_path):
    needs("playwright")
    path = tmp_path / "class.pdf"
    seen.page.pdf(path=path, prefer_css_page_size=True)
    try:
        found = subprocess.run(
            ["pdftotext", "-layout", str(path), "-"], capture_output=True, text=True, check=True
        )
    except FileNotFoundError:
        pytest.skip(NOT_ON_CI["reader"])
    pages = found.stdout.split("\f")[:-1]
    assert len(pages) == len(results) + 2
    for page, result in zip(pages[1:], results[:-2], strict=False):
        assert " ".join(result.note.split()[:6]) in " ".join(page.split())


def test_a_figure_with_much_in_it_is_drawn_larger_rather_than_cut(model, results):
    dense = [fl.pass_curve(model, "cut_passes"), fl.step_constants(model), fl.frontier(model, "gloss_20")]
    widths = []
    for result in [*results, *dense]:
        figure = _drawn(result)
        wide, high = figure.get_size_inches()
        widths.append(wide)
        drawn = figure.get_tightbbox()
        assert min(drawn.x0, drawn.y0) > -0.04
        assert drawn.x1 < wide + 0.04
        assert drawn.y1 < high + 0.04
    # A lesson is in the largest type.
    assert set(widths[: len(results)]) == {_SIZES[0][0]}
    assert max(widths[len(results) :]) > _SIZES[0][0]


def test_figures_do_not_take_each_others_clips(written):
    text = written.read_text(encoding="utf-8")
    ids = re.findall(r'\sid="([^"]+)"', text)
    assert len(ids) == len(set(ids))
    used = set(re.findall(r'url\(#([^)]+)\)|href="#([^"]+)"', text))
    assert {a or b for a, b in used} <= set(ids)


def test_what_cannot_be_shown_is_refused_all_at_once(tmp_path):
    with pytest.raises(ProcedureError) as refused:
        fl.write_slides([], tmp_path / "class.pptx", title="x")
    assert len(refused.value.mistakes) == 2
    with pytest.raises(ProcedureError, match="number 2 is of type str"):
        fl.write_slides([fl.certify(3, 3), "a sentence"], tmp_path / "class.html", title="x")
    with pytest.raises(RecordsError, match="was not written"):
        fl.write_slides([fl.certify(3, 3)], tmp_path / "none" / "class.html", title="x")
    assert list(tmp_path.iterdir()) == []
