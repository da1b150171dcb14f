"""A small invented mission with hostile names, as it looks at each stage of its life."""

import asyncio
import json
import shutil
from pathlib import Path

import httpx
import numpy as np
import pytest
import xarray as xr

from reeftally.analysis.estimates import Estimate, Estimates
from reeftally.analysis.results import write_results
from reeftally.intake import take_in
from reeftally.web import create_app

HOSTILE = "<script>alert('x')</script>\"&"

BOOK = """\
format = 1

[mission]
name = "INV & <b>7</b>"
title = "An invented basin <script>alert('x')</script>"
start = 2031-03-25T20:00:00Z
end = 2031-03-27T20:00:00Z

[site]
name = "Basin <img src=x onerror=alert(1)>"
latitude_deg = -14.20
longitude_deg = 78.50
utc_offset_h = 5.0
water_depth_m = 6.4
bottom = "rubble"
canopy_height_m = 0.14
displacement_height_m = 0.10
displacement_height_sd_m = 0.02
magnetic_declination_deg = 0.0

[[communities]]
name = "rubble"

[[stations]]
name = "mast <i>"
role = "bed"

[[instruments]]
label = "OXY-1"
kind = "optode"
serial = "1 <u>"
layout = "optode"
sample_interval_s = 60.0
salinity_setting = 0.0

[[instruments.terms]]
quantity = "oxygen"
noise_sd = 0.1
offset_sd = 3.0

[[instruments]]
label = "TEMP'2&"
kind = "logger"
serial = "2"
layout = "other"
sample_interval_s = 60.0

[[deployments]]
instrument = "OXY-1"
station = "mast <i>"
start = 2031-03-25T20:00:00Z
end = 2031-03-27T20:00:00Z
height_above_bed_m = 0.35
height_sd_m = 0.01
"""

LAYOUT = """\
format = 1
name = "optode"

[match]
filename = "OXY-*.csv"

[instrument]
from = "filename"
pattern = "^(OXY-[0-9])"

[text]
encoding = "utf-8"
delimiter = ","
decimal_mark = "."
header = "names"
missing = ["NaN"]

[time]
columns = ["time"]
format = "%Y-%m-%dT%H:%M:%SZ"
zone = "UTC"
stamp = "instant"

[[columns]]
name = "o2"
quantity = "oxygen_molar"
unit = "umol/L"

[[columns]]
name = "t"
quantity = "temperature"
unit = "degC"
"""

FIRST_NS = int(np.datetime64("2031-03-25T20:00:00", "ns").astype(np.int64))
MINUTE_NS = 60_000_000_000


def record(minutes, *, start=0, gap=(600, 660)):
    """Return the lines of a raw file; a stretch is missing."""
    lines = ["time,o2,t"]
    for k in range(start, start + minutes):
        if gap[0] <= k < gap[1]:
            continue
        stamp = np.datetime64(FIRST_NS + k * MINUTE_NS, "ns").astype("datetime64[s]")
        oxygen = 200.0 + 20.0 * np.sin(k / 230.0) + (40.0 if k == 333 else 0.0)
        lines.append(f"{stamp}Z,{oxygen:.3f},{28.0 + 0.3 * np.cos(k / 230.0):.4f}")
    return "\n".join(lines) + "\n"


def row(**changes):
    plain = {
        "quantity": "oxygen_flux", "method": "covariance", "subject": "site", "period": "mission",
        "start": "2031-03-25T20:00:00Z", "end": "2031-03-27T20:00:00Z", "value": -13.0, "unit": "mmol m-2 h-1",
        "lower": -14.0, "upper": -12.0, "level": 0.95, "random_sd": 0.3, "systematic_sd": 0.4, "n": 96, "flag": 1,
        "reason": "", "trail": "covariance", "budget": "", "channel": "",
    }  # fmt: skip
    return Estimate(**(plain | changes))


def put_results(folder: Path, *, morning: bool = True) -> Path:
    """Write invented results, made by the writers that the chain uses."""
    estimates = Estimates()
    estimates.rows += [
        row(),
        row(subject=f"site {HOSTILE}", reason=HOSTILE, flag=3),
        row(quantity="sensor_offset", method="side_by_side", subject="OXY-1", period="instant", value=-2.0, lower=-2.8,
            upper=-1.2, unit="µmol kg-1", trail="side_by_side", channel="oxygen"),
        row(value=None, lower=None, upper=None, random_sd=None, systematic_sd=None, flag=9, reason="refused " + HOSTILE,
            period="night"),
    ]  # fmt: skip
    starts = np.arange(FIRST_NS, FIRST_NS + 2 * 86_400 * 10**9, 15 * MINUTE_NS, dtype=np.int64)
    values = 180.0 + 18.0 * np.sin(np.arange(starts.size) / 15.0)
    blocks = xr.Dataset(
        {
            "OXY-1__oxygen": ("time", values),
            "OXY-1__oxygen_corrected": ("time", values + 2.0),
            "OXY-1__oxygen_corrected_random_sd": ("time", np.full(starts.size, 0.1)),
            "OXY-1__oxygen_corrected_systematic_sd": ("time", np.full(starts.size, 0.4)),
        },
        coords={"time": ("time", starts.view("datetime64[ns]"))},
    )
    digests = [json.loads(line)["hash"] for line in (folder / "raw" / "index.jsonl").read_text().splitlines()]
    trail = {
        "snapshot": 1, "book_revision": 1, "decisions": ["E0001"], "software": {"code": "abc"},
        "settings": {"seed": 1, "von_karman": 0.41},
        "methods": {
            "covariance": {"what": f"Words {HOSTILE}", "equation": "F = <w'c'>", "functions": ["f"], "sources": ["S"]},
            "side_by_side": {"what": "Words", "equation": "x", "functions": ["g"], "sources": ["S"]},
        },
        "inputs": {"OXY-1": digests},
        "records": {
            "OXY-1": {"samples": 10, "flags": {"oxygen_molar": {"1": 9, "4": 1}}, "limits": {}, "withheld": {}},
        },
    }  # fmt: skip
    run = write_results(folder, estimates=estimates, groups={"blocks": blocks}, trail=trail, attributes={})
    if morning:
        window = {"start": "2031-03-26T20:00:00Z", "end": "2031-03-27T20:00:00Z"}
        link = {"page": "sensor", "subject": "OXY-1", **window}
        document = {
            "format": 1, "made": "2031-03-27T20:00:00Z", "window": window,
            "action": {"text": f"Swap the sensors {HOSTILE}", "why": f"Because {HOSTILE}", "link": link},
            "lines": [
                {
                    "kind": "k", "severity": "serious", "text": f"Line {k} {HOSTILE}", "link": link,
                    "estimates": [0, "covariance"],
                }
                for k in range(9)
            ],
            "alarms": [
                {
                    "text": f"Alarm {HOSTILE}", "why": HOSTILE, "check": HOSTILE, "since": window["start"],
                    "severity": "serious",
                }
            ],
            "targets": [
                {
                    "quantity": "oxygen_flux", "subject": HOSTILE, "period": "night", "wanted": "± 1 mmol m-2 h-1",
                    "reached": "", "state": "not measured",
                }
            ],
            "missing": [f"Missing {HOSTILE}"],
        }  # fmt: skip
        (run / "morning.json").write_text(json.dumps(document), encoding="utf-8")
        finding = {
            "id": "f-1",
            "severity": 3,
            "subject": "OXY-1",
            "what": HOSTILE,
            "evidence": HOSTILE,
            "proposal": HOSTILE,
        }
        (run / "findings.json").write_text(json.dumps({"format": 1, "findings": [finding]}), encoding="utf-8")
    return run


def bare(folder: Path) -> Path:
    """Make a mission with book and layout and nothing else."""
    (folder / "layouts").mkdir(parents=True)
    (folder / "inbox").mkdir()
    (folder / "tables").mkdir()
    (folder / "mission.toml").write_text(BOOK, encoding="utf-8")
    (folder / "layouts" / "optode.toml").write_text(LAYOUT, encoding="utf-8")
    return folder


def with_data(folder: Path) -> Path:
    """Make a mission with data and tables, without results."""
    bare(folder)
    (folder / "tables" / "interventions.csv").write_text(
        "time,instrument,kind,note,who\n"
        f'2031-03-26T08:00:00Z,OXY-1,cleaning,"{HOSTILE.replace(chr(34), chr(34) * 2)}",divers\n',
        encoding="utf-8",
    )
    (folder / "inbox" / "OXY-1_a'&.csv").write_text(record(2 * 1440), encoding="utf-8")
    take_in(folder, now_ns=0)
    return folder


@pytest.fixture(scope="session")
def whole(tmp_path_factory):
    """A finished mission; not to be changed."""
    folder = with_data(tmp_path_factory.mktemp("whole") / "mission")
    put_results(folder)
    return folder


@pytest.fixture
def mission(whole, tmp_path):
    """A finished mission of one's own."""
    return Path(shutil.copytree(whole, tmp_path / "mission", symlinks=True))


class Client:
    """Asks the application without a network; cookies are kept."""

    def __init__(self, app):
        self.app, self.cookies = app, httpx.Cookies()

    def request(self, method, path, **more):
        async def ask():
            transport = httpx.ASGITransport(app=self.app, raise_app_exceptions=True)
            async with httpx.AsyncClient(
                transport=transport, base_url="http://127.0.0.1:8031", cookies=self.cookies
            ) as client:
                answer = await client.request(method, path, **more)
                self.cookies = client.cookies
                return answer

        return asyncio.run(ask())

    def get(self, path, **more):
        return self.request("GET", path, **more)

    def post(self, path, **more):
        return self.request("POST", path, **more)


def client_of(folder, **more):
    return Client(create_app(folder, **more))


@pytest.fixture
def client(whole):
    return client_of(whole)
