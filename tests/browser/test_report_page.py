"""The report in a real browser: no error, no request, nothing wider than the screen; pictures kept to look at."""

from html.parser import HTMLParser
from pathlib import Path

import pytest

pytestmark = pytest.mark.browser
SIZES = {"laptop": (1366, 900), "phone": (500, 900)}


@pytest.fixture(scope="module")
def page(diel) -> Path:
    return (diel / "results" / "latest" / "report.html").resolve()


class Loads(HTMLParser):
    """Collect what a page would load from elsewhere."""

    def __init__(self) -> None:
        super().__init__()
        self.found: list[str] = []

    def handle_starttag(self, tag, attrs):
        for name, value in attrs:
            if name in {"src", "poster"} or (name == "href" and tag == "link"):
                self.found.append(value or "")


@pytest.mark.parametrize("size", SIZES)
def test_the_page_opens_without_an_error_or_a_request(chromium, page, size):
    width, height = SIZES[size]

    dom, logged = chromium.run(page, width=width, height=height)
    loads = Loads()
    loads.feed(dom)

    assert "How sure" in dom
    assert not logged
    assert not [address for address in loads.found if address and not address.startswith(("data:", "#"))]


@pytest.mark.parametrize("size", SIZES)
@pytest.mark.parametrize("dark", [False, True])
def test_a_picture_of_the_page_is_kept(chromium, page, pictures, size, dark):
    width, height = SIZES[size]
    picture = pictures / f"report-{size}{'-dark' if dark else ''}.png"
    picture.unlink(missing_ok=True)

    _, logged = chromium.run(page, width=width, height=height, picture=picture, dark=dark)

    assert not logged
    assert picture.stat().st_size > 20_000


def test_nothing_is_wider_than_a_phone(chromium, page, tmp_path):
    # The page measures itself; the browser prints what it found into the title.
    copy = tmp_path / "report.html"
    measure = "document.title='WIDE '+(document.documentElement.scrollWidth-innerWidth)"
    probe = f"<script>addEventListener('load',()=>{{{measure}}})</script>"
    # Only the last closing tag is the page's own; others may stand in the text of a bundled script.
    head, tail = page.read_text(encoding="utf-8").rsplit("</body>", 1)
    copy.write_text(f"{head}{probe}</body>{tail}", encoding="utf-8")

    dom, _ = chromium.run(copy, width=500, height=900)

    assert "<title>WIDE 0</title>" in dom or "<title>WIDE -" in dom
