"""Who may see and write what: names, codes, origins, paths."""

import pytest

from reeftally.web.guard import Access, host_of, is_loopback

from .conftest import client_of

SAME = {"origin": "http://127.0.0.1:8031", "sec-fetch-site": "same-origin"}
CODES = {"viewer": "viewer-code", "crew": "crew-code-long"}


def coded(folder):
    return client_of(folder, access=Access(codes=dict(CODES), hosts=frozenset({"192.0.2.7"})))


def enter(client, code):
    return client.post("/enter", data={"code": code}, headers=SAME)


@pytest.mark.parametrize("host", ["127.0.0.1:8031", "localhost", "[::1]:8031", "LOCALHOST:1", "127.9.9.9"])
def test_loopback_names_are_answered(client, host):
    assert client.get("/", headers={"host": host}).status_code == 200


@pytest.mark.parametrize(
    "host", ["reef.example", "127.0.0.1.reef.example", "192.0.2.7", "", "localhost.reef.example:8031", "[::2]"]
)
def test_other_names_are_refused(client, host):
    answer = client.get("/", headers={"host": host})

    assert answer.status_code == 421
    assert "INV" not in answer.text


@pytest.mark.parametrize("path", ["/", "/static/page.css", "/data/state", "/nowhere", "/files/nothing"])
def test_every_answer_carries_the_policy(client, path):
    headers = client.get(path).headers

    assert "default-src 'none'" in headers["content-security-policy"]
    assert "unsafe" not in headers["content-security-policy"]
    assert "frame-ancestors 'none'" in headers["content-security-policy"]
    assert headers["x-content-type-options"] == "nosniff"
    assert headers["cross-origin-resource-policy"] == "same-origin"


@pytest.mark.parametrize(
    "path",
    [
        "/files/../mission.toml", "/files/..%2F..%2Fmission.toml", "/files/mission.toml", "/files/%2Fetc%2Fpasswd",
        "/static/..%2Fapp.py", "/static/../app.py", "/raw/..%2F..%2Fmission.toml", "/raw/index.jsonl",
        "/raw/" + "0" * 64,
    ],
)  # fmt: skip
def test_paths_outside_are_refused(client, path):
    assert client.get(path).status_code == 404


def test_a_link_that_leads_out_of_the_mission_is_refused(mission, tmp_path):
    secret = tmp_path / "secret.html"
    secret.write_text("secret")
    (mission / "results" / "latest" / "report.html").symlink_to(secret)

    assert client_of(mission).get("/files/report.html").status_code == 404


def test_the_report_runs_apart_from_the_pages(mission):
    (mission / "results" / "latest" / "report.html").write_text("<script>1</script>")
    answer = client_of(mission).get("/files/report.html")

    assert answer.status_code == 200
    assert "sandbox" in answer.headers["content-security-policy"]
    assert "allow-same-origin" not in answer.headers["content-security-policy"]


def test_serving_beyond_needs_both_codes():
    with pytest.raises(ValueError, match="code"):
        Access(codes={"viewer": "only-viewers"}, hosts=frozenset({"192.0.2.7"}))


def test_without_a_code_nothing_is_shown(whole):
    client = coded(whole)

    for path in ("/", "/log", "/data/state", "/files/estimates.csv", "/events", "/static/trace.js"):
        answer = client.get(path)
        assert answer.status_code == 401, path
        assert "INV" not in answer.text
    assert client.get("/", headers={"accept": "text/html"}).headers["location"] == "/enter"


def test_a_wrong_code_is_refused_and_guessing_slows_down(whole):
    client = coded(whole)

    assert [enter(client, f"guess {k}").status_code for k in range(10)] == [403] * 10
    assert enter(client, CODES["crew"]).status_code == 403  # even the right one, for a minute


def test_a_viewer_sees_and_may_not_write(mission):
    client = coded(mission)
    answer = enter(client, CODES["viewer"])

    assert answer.status_code == 303
    assert "httponly" in answer.headers["set-cookie"].lower()
    assert "samesite=strict" in answer.headers["set-cookie"].lower()
    page = client.get("/log")
    assert page.status_code == 200
    assert "Only the crew may write here" in page.text
    assert "<form" not in page.text
    assert client.post("/write/note", data={"why": "x"}, headers=SAME).status_code == 403
    assert not (mission / "log" / "entries.jsonl").exists()


def test_the_crew_may_write(mission):
    client = coded(mission)
    enter(client, CODES["crew"])
    token = client.app.state.site.access.token("crew")

    assert client.post("/write/note", data={"why": "x", "token": token}, headers=SAME).status_code == 303


def test_a_code_of_another_server_is_no_code(whole):
    first, second = coded(whole), coded(whole)
    enter(first, CODES["crew"])
    second.cookies = first.cookies

    assert second.get("/log").status_code == 401


@pytest.mark.parametrize(
    "headers",
    [
        {}, {"origin": "http://reef.example"}, {"origin": "null"}, {"origin": "http://127.0.0.1:9999"},
        {"origin": "http://127.0.0.1:8031", "sec-fetch-site": "cross-site"}, {"sec-fetch-site": "same-site"},
    ],
)  # fmt: skip
def test_other_pages_cannot_write(mission, headers):
    client = client_of(mission)
    token = client.app.state.site.access.token("crew")
    answer = client.post("/write/note", data={"why": "x", "token": token}, headers=headers)

    assert answer.status_code == 403
    assert not (mission / "log" / "entries.jsonl").exists()


def test_a_form_needs_its_token_and_a_length(mission):
    client = client_of(mission)
    token = client.app.state.site.access.token("crew")

    assert client.post("/write/note", data={"why": "x"}, headers=SAME).status_code == 400
    assert client.post("/write/note", data={"why": "x", "token": "wrong"}, headers=SAME).status_code == 400
    assert client.post("/write/note", data={"why": "x" * 30_000, "token": token}, headers=SAME).status_code == 400
    assert client.post("/write/raw", data={"why": "x", "token": token}, headers=SAME).status_code == 400
    assert (
        client.post("/write/note", content=b"{}", headers=SAME | {"content-type": "application/json"}).status_code
        == 400
    )


def test_other_methods_are_refused(client):
    assert client.request("DELETE", "/log").status_code == 405
    assert client.request("PUT", "/").status_code == 405


@pytest.mark.parametrize(
    ("header", "host"),
    [
        ("a.example:80", "a.example"),
        ("[::1]:80", "::1"),
        ("A.Example", "a.example"),
        ("user@a.example", "a.example"),
        ("[", ""),
    ],
)
def test_the_host_is_read_from_its_header(header, host):
    assert host_of(header) == host


def test_loopback_is_an_address_or_its_one_name():
    assert is_loopback("127.0.0.1")
    assert is_loopback("::1")
    assert is_loopback("localhost")
    assert not is_loopback("0.0.0.0")
    assert not is_loopback("localhost.example")
    assert not is_loopback("")
