"""Every page at every stage of a mission: what is missing is named with what to do; hostile words stay words."""

from html.parser import HTMLParser

import pytest

from reeftally.web.pages import find_pages

from .conftest import HOSTILE, bare, client_of, put_results, with_data

PAGES = [entry.href for entry in find_pages().values()]
ONES = ["/sensor/OXY-1", "/number/0", "/number/covariance"]


def text_of(client, path):
    answer = client.get(path)
    assert answer.status_code == 200, path
    return answer.text


class Tags(HTMLParser):
    """The elements of a page, and every attribute that could run something."""

    def __init__(self):
        super().__init__()
        self.tags, self.scripts, self.handlers, self.links, self.words = [], [], [], [], []

    def handle_starttag(self, tag, attrs):
        self.tags.append(tag)
        if tag == "script":
            self.scripts.append(dict(attrs))
        self.handlers += [name for name, _ in attrs if name.startswith("on") or name == "style"]
        self.links += [value or "" for name, value in attrs if name in {"href", "src", "action"}]

    def handle_data(self, data):
        self.words.append(data)


def parsed(text):
    tags = Tags()
    tags.feed(text)
    return tags


@pytest.mark.parametrize("path", PAGES + ONES)
def test_hostile_names_are_shown_as_words(client, path):
    tags = parsed(text_of(client, path))

    assert not {"iframe", "object", "b", "u", "i"} & set(tags.tags)
    assert tags.tags.count("img") == sum(link.endswith("/wide-light.svg") for link in tags.links)
    assert all("src" in s or s.get("type") == "application/json" for s in tags.scripts)
    assert not tags.handlers
    assert all(link.startswith(("/", "#")) and not link.startswith("//") for link in tags.links)


def test_hostile_words_are_there_to_be_read(client):
    words = "".join(parsed(text_of(client, "/")).words)

    assert f"Swap the sensors {HOSTILE}" in words
    assert "INV & <b>7</b>" in words


def test_the_morning_shows_seven_lines_at_most_each_with_its_evidence(client):
    text = text_of(client, "/")

    assert [f"Line {k} " in text for k in range(9)] == [True] * 7 + [False] * 2
    assert text.count('<li class="serious">') == 7 + 1  # and one alarm
    assert text.count('href="/sensor/OXY-1?start=2031-03-26T20%3A00%3A00Z') == 8
    assert 'href="/number/covariance"' in text
    assert text.index("Swap the sensors") < text.index("instruments speak") < text.index("Line 0")


def test_an_instrument_without_data_is_named(client):
    text = text_of(client, "/array")

    assert "nothing yet" in text
    assert "TEMP&#39;2&amp;" in text


def test_a_sensor_shows_its_errors_flags_finding_and_place(client):
    text = text_of(client, "/sensor/OXY-1")

    assert "−2.00 (−2.80 to −1.20) µmol kg⁻¹" in text
    assert "10.00 % (1)" in text
    assert "0.35 ± 0.01 m above the bed" in text
    assert "Findings" in text


def test_a_number_is_three_steps_from_its_raw_file(client, whole):
    morning = parsed(text_of(client, "/")).links
    number = next(link for link in morning if link.startswith("/number/") and link != "/number/covariance")
    explained = text_of(client, number)
    raw = next(link for link in parsed(explained).links if link.startswith("/raw/"))
    content = client.get(raw)

    assert "F = &lt;w&#39;c&#39;&gt;" in explained
    assert "von karman 0.41" in explained
    assert content.status_code == 200
    assert content.content.startswith(b"time,o2,t\n")
    assert content.headers["content-type"] == "application/octet-stream"


def test_a_refused_number_gives_its_reason(client):
    assert "refused &lt;script&gt;" in text_of(client, "/number/3")


@pytest.mark.parametrize("path", PAGES)
def test_an_empty_folder_says_that_the_book_is_missing(tmp_path, path):
    text = text_of(client_of(tmp_path), path)

    assert "Traceback" not in text
    assert "mission.toml" in text or "Nothing" in text or "cannot be read" in text


@pytest.mark.parametrize("path", [p for p in PAGES if p not in {"/log", "/dive"}])
def test_a_mission_without_data_says_what_to_do(tmp_path, path):
    text = text_of(client_of(bare(tmp_path / "m")), path)

    if path == "/plan":
        # A plan is made before anything is taken in: it says what the book lacks.
        assert "The book holds no targets." in text
        return
    assert "Nothing has been taken in yet" in text or "nothing yet" in text


def test_data_without_results_say_what_to_run(tmp_path):
    folder = with_data(tmp_path / "m")
    client = client_of(folder)

    assert f"reeftally analyse {folder}" in text_of(client, "/")
    assert "Data are here, results are not yet" in text_of(client, "/sensor/OXY-1")
    window = client.get("/data/series?label=OXY-1&channels=temperature&start=1932000000000&end=1933000000000&width=9")
    assert window.json()["series"]["temperature"]["low"] != [None] * 9


def test_results_without_a_morning_list_show_what_they_have(tmp_path):
    folder = with_data(tmp_path / "m")
    put_results(folder, morning=False)

    assert "no list of what to do" in text_of(client_of(folder), "/")


@pytest.mark.parametrize(
    ("file", "words"),
    [
        ("mission.toml", "The mission book cannot be read"),
        ("results/latest/trail.json", "The results cannot be read"),
        ("results/latest/estimates.csv", "The results cannot be read"),
        ("results/latest/morning.json", "The morning&#39;s findings cannot be read"),
    ],
)
def test_a_damaged_file_is_named_on_the_first_page(mission, file, words):
    (mission / file).write_bytes(b"\x00\xff not what it was")

    assert words in text_of(client_of(mission), "/")


@pytest.mark.parametrize(
    "file",
    [
        "mission.toml",
        "results/latest/trail.json",
        "observations/catalogue.sqlite",
        "log/entries.jsonl",
        "tables/interventions.csv",
        "results/latest/results.nc",
    ],
)
@pytest.mark.parametrize("path", PAGES + ONES[:1])
def test_no_damage_makes_a_page_fail(mission, file, path):
    (mission / file).parent.mkdir(exist_ok=True)
    (mission / file).write_bytes(b"\x00\xff not what it was\n")
    answer = client_of(mission).get(path)

    assert answer.status_code in {200, 404}
    assert "Traceback" not in answer.text


def test_a_changed_file_is_seen_at_once(mission):
    client = client_of(mission)
    before = text_of(client, "/log")
    with (mission / "tables" / "interventions.csv").open("a") as file:
        file.write("2031-03-26T09:00:00Z,OXY-1,swap,as new as can be,divers\n")

    assert "as new as can be" not in before
    assert "as new as can be" in text_of(client, "/log")


def test_an_unknown_page_and_an_unknown_sensor_are_404(client):
    assert client.get("/nowhere").status_code == 404
    assert client.get("/sensor/OXY-9").status_code == 404
    assert client.get("/number/abcdef012345").status_code == 404


def test_a_fault_of_one_page_is_shown_without_its_trace(client, monkeypatch):
    site = client.app.state.site
    broken = site.pages["array"]
    monkeypatch.setitem(site.pages, "array", type(broken)("array", "Array", 20, lambda look, query: 1 / 0))
    answer = client.get("/array")

    assert answer.status_code == 500
    assert "ZeroDivisionError" in answer.text
    assert "Traceback" not in answer.text
