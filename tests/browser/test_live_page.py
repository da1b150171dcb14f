"""The live page in a real browser, at laptop and phone size: quiet, self-contained, readable, usable by keyboard."""

import re
import shutil

import pytest

from reeftally.mission import Intervention, read_tables, write_table
from reeftally.web.pages import find_pages

from .conftest import APPS, served

pytestmark = pytest.mark.browser

SIZES = {"laptop": (1366, 900), "phone": (390, 844)}
PAGES = [entry.href for entry in find_pages().values()]
ONES = {
    "demo": ["/sensor/OXY-1", "/sensor/VEL-A", "/sensor/PRO-N", "/number/0", "/number/covariance"],
    "diel": ["/number/0"],
}
MISSIONS = ["demo", "diel", "empty", "damaged"]

STOPS = "a[href], button, input:not([type=hidden]), select, canvas, [tabindex='0']"
WIDER = "document.documentElement.scrollWidth - document.documentElement.clientWidth"

# Text that ends outside the screen or is hidden by its own box; what scrolls inside itself is left out.
CUT = """() => {
  const out = [], wide = document.documentElement.clientWidth;
  const walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  while (walker.nextNode()) {
    const node = walker.currentNode, at = node.parentElement;
    if (!node.textContent.trim() || at.closest('script, .skip, .scroll, option, [hidden], thead')) continue;
    const range = document.createRange(); range.selectNodeContents(node);
    const box = range.getBoundingClientRect();
    if (box.width === 0) continue;
    if (box.right > wide + 1 || box.left < -1) out.push(node.textContent.trim().slice(0, 60));
  }
  return out;
}"""

# WCAG 2.1, 1.4.3: relative luminance and contrast ratio of every visible text against what lies behind it.
CONTRAST = """() => {
  const rgb = c => (c.match(/[\\d.]+/g) || []).map(Number);
  const channel = v => { v /= 255; return v <= 0.03928 ? v / 12.92 : Math.pow((v + 0.055) / 1.055, 2.4); };
  const light = c => 0.2126 * channel(c[0]) + 0.7152 * channel(c[1]) + 0.0722 * channel(c[2]);
  const behind = at => {
    for (let e = at; e; e = e.parentElement) {
      const c = rgb(getComputedStyle(e).backgroundColor);
      if (c.length === 3 || (c.length === 4 && c[3] > 0.99)) return c;
    }
    return [255, 255, 255];
  };
  const poor = []; let seen = 0;
  const walker = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  while (walker.nextNode()) {
    const node = walker.currentNode, at = node.parentElement;
    if (!node.textContent.trim() || at.closest('script, title, [hidden]') || !at.getClientRects().length) continue;
    const style = getComputedStyle(at), svg = at.closest('svg');
    const front = rgb(svg ? style.fill : style.color); let back = behind(at);
    if (front.length < 3) continue;
    if (svg && front.join() === back.join()) {
      // Words in the colour of the paper stand on a mark: that mark lies behind them.
      at.scrollIntoView({ block: 'center', inline: 'center' });
      const box = at.getBoundingClientRect();
      const under = document.elementsFromPoint(box.left + box.width / 2, box.top + box.height / 2)
        .find(e => svg.contains(e) && e !== at && e !== svg && rgb(getComputedStyle(e).fill).length >= 3
          && getComputedStyle(e).fill !== 'none' && e.tagName !== 'text' && rgb(getComputedStyle(e).fill)[3] !== 0);
      if (under) back = rgb(getComputedStyle(under).fill);
    }
    const a = light(front), b = light(back), ratio = (Math.max(a, b) + 0.05) / (Math.min(a, b) + 0.05);
    const size = parseFloat(style.fontSize), big = size >= 24 || (size >= 18.66 && Number(style.fontWeight) >= 700);
    seen += 1;
    if (ratio < (big ? 3 : 4.5)) poor.push([node.textContent.trim().slice(0, 40), ratio.toFixed(2)]);
  }
  return [seen, poor];
}"""

# How many points of the drawing carry something, by strips of a tenth of its width.
DRAWN = """() => {
  const c = document.querySelector('figure.trace canvas'), g = c.getContext('2d');
  const ratio = c.width / c.clientWidth, left = 60 * ratio, top = 22 * ratio, high = 120 * ratio;
  const ink = [], base = g.getImageData(left + 1, top, 1, 1).data, wide = (c.width - left - 10) / 10;
  for (let k = 0; k < 10; k += 1) {
    const d = g.getImageData(left + k * wide, top, wide, high).data; let n = 0;
    for (let i = 0; i < d.length; i += 4) { if (d[i + 3] > 0 && d[i + 2] - d[i] > 40) n += 1; }
    ink.push(n);
  }
  return ink;
}"""


class Watched:
    """A page whose log and requests are kept."""

    def __init__(self, browser, address, size, **more):
        width, height = SIZES[size]
        self.address = address
        self.context = browser.new_context(
            viewport={"width": width, "height": height}, has_touch=size == "phone", **more
        )
        self.page = self.context.new_page()
        self.logged, self.left = [], []
        self.page.on("console", lambda m: self.logged.append(m.text) if m.type in {"error", "warning"} else None)
        self.page.on("pageerror", lambda e: self.logged.append(str(e)))
        self.page.on("request", self._request)

    def _request(self, request):
        if not request.url.startswith((self.address, "data:")):
            self.left.append(request.url)

    def open(self, path):
        self.page.goto(self.address + path)
        if self.page.locator("figure.trace").count():
            self.page.wait_for_selector("figure.trace[data-state=drawn]", timeout=60_000)
            self.page.wait_for_timeout(100)
        return self.page


@pytest.fixture
def watched(browser, serve, request):
    made = []

    def make(folder, size="laptop", **more):
        made.append(Watched(browser, serve(folder), size, **more))
        return made[-1]

    yield make
    for one in made:
        one.context.close()


def named(page):
    return page.strip("/").replace("/", "-") or "morning"


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("kind", MISSIONS)
def test_every_page_is_quiet_self_contained_and_whole(watched, pictures, request, kind, size):
    one = watched(request.getfixturevalue(kind), size)
    for path in PAGES + ONES.get(kind, []):
        page = one.open(path)
        assert page.locator("h1").count() == 1, path
        assert "Traceback" not in page.content()
        assert page.evaluate(WIDER) <= 0, path
        assert page.evaluate(CUT) == [], path
        page.screenshot(path=pictures / f"page-{kind}-{named(path)}-{size}.png", full_page=True)
        assert one.logged == [], path
        assert one.left == [], path


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("tone", ["light", "dark"])
def test_every_text_stands_out_from_what_lies_behind_it(watched, pictures, demo, size, tone):
    one = watched(demo, size, color_scheme=tone)
    for path in PAGES + ONES["demo"]:
        page = one.open(path)
        seen, poor = page.evaluate(CONTRAST)
        assert seen > 10, path
        assert poor == [], path
        if tone == "dark":
            page.screenshot(path=pictures / f"page-demo-{named(path)}-{size}-dark.png", full_page=True)


@pytest.mark.parametrize("path", ["/", "/array", "/sensor/OXY-1", "/log"])
def test_the_keyboard_reaches_everything_in_order_and_shows_where_it_is(watched, demo, path):
    page = watched(demo).open(path)
    count = page.evaluate("stops => document.querySelectorAll(stops).length", STOPS)
    seen = []
    for _ in range(min(count, 60)):
        page.keyboard.press("Tab")
        seen.append(
            page.evaluate(
                """stops => { const e = document.activeElement, s = getComputedStyle(e), b = e.getBoundingClientRect();
                const all = [...document.querySelectorAll(stops)];
                return [all.indexOf(e), s.outlineStyle, parseFloat(s.outlineWidth), b.width * b.height]; }""",
                STOPS,
            )
        )
    if -1 in [row[0] for row in seen]:  # past the last one
        seen = seen[: [row[0] for row in seen].index(-1)]
    order = [row[0] for row in seen]

    assert order[0] == 0  # the way past the list of pages comes first
    assert order == sorted(order)
    assert len(order) > 12
    assert all(style == "solid" and width >= 2 and area > 0 for _, style, width, area in seen[1:])


def test_the_skip_link_leads_into_the_page(watched, demo):
    page = watched(demo).open("/log")
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.getBoundingClientRect().left") >= 0
    page.keyboard.press("Enter")

    assert page.evaluate("document.activeElement.id") == "main"


def test_a_record_is_drawn_and_pans_without_asking_the_server(watched, demo):
    page = watched(demo).open("/sensor/OXY-1")
    page.locator("button[data-do=day]").click()
    page.wait_for_timeout(600)
    assert min(page.evaluate(DRAWN)) > 0
    page.route("**/data/series**", lambda route: route.abort())
    page.locator("canvas").focus()
    for _ in range(4):  # four fifths of a screen back
        page.keyboard.press("ArrowLeft")
    page.wait_for_timeout(60)

    assert min(page.evaluate(DRAWN)) > 0


def test_a_record_can_be_read_off(watched, demo):
    page = watched(demo).open("/sensor/OXY-1")
    box = page.locator("canvas").bounding_box()
    page.mouse.move(box["x"] + box["width"] / 2, box["y"] + 60)

    assert re.search(r"\d+ Mar \d\d:\d\d.* UTC \(\d\d:\d\d local\) · .*: \d", page.locator(".readout").inner_text())


def test_a_drawing_becomes_live_without_any_code_made_from_text(watched, demo):
    one = watched(demo)
    for path in PAGES:
        page = one.open(path)
        if page.locator("button[data-live]").count():
            page.locator("button[data-live]").first.click()
            page.wait_for_selector(".live canvas", timeout=20_000)
    assert one.logged == []
    assert one.left == []


@pytest.mark.parametrize("kind", ["demo", "diel"])
def test_the_morning_prints_on_one_side_of_paper(watched, request, kind):
    page = watched(request.getfixturevalue(kind)).open("/")
    printed = page.pdf(format="A4", margin={"top": "14mm", "bottom": "14mm", "left": "14mm", "right": "14mm"})

    assert len(re.findall(rb"/Type\s*/Page\b", printed)) == 1


def test_an_open_page_hears_what_is_new_and_what_is_lost(browser, diel, tmp_path):
    folder = tmp_path / "mission"
    shutil.copytree(diel, folder, symlinks=True)
    (folder / "tables").mkdir(exist_ok=True)
    with served(folder) as address:
        one = Watched(browser, address, "phone")
        page = one.open("/log")
        table = folder / "tables" / "interventions.csv"
        write_table(
            table, [*read_tables(folder / "tables").interventions, Intervention(time_ns=10**18, kind="brushed off")]
        )
        app = APPS[address]
        app.state.site.broadcast.tell("results", {"what": "new"})
        page.wait_for_selector("text=brushed off", timeout=10_000)
        assert app.state.site.broadcast.readers == 1
    page.wait_for_selector("text=lost its server", timeout=20_000)
    one.context.close()


def test_a_tap_on_a_phone_writes_what_was_done(browser, diel, tmp_path):
    folder = tmp_path / "mission"
    shutil.copytree(diel, folder, symlinks=True)
    with served(folder) as address:
        one = Watched(browser, address, "phone")
        page = one.open("/log")
        page.locator("button[value=cleaning]").tap()  # one tap from the log, two from any page
        page.wait_for_selector("text=Written as E0001")
        page.locator("button", has_text="Take it back").tap()
        page.wait_for_selector("text=Taken back")
        assert one.logged == []
        one.context.close()

    assert read_tables(folder / "tables").interventions == ()
