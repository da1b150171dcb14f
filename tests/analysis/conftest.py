"""One rehearsed mission for all tests of the chain: made once, read by many."""

import datetime as dt
from pathlib import Path

import pytest

DECIDED = dt.datetime(2031, 3, 30, 18, tzinfo=dt.UTC)


@pytest.fixture(scope="session")
def demo(tmp_path_factory) -> Path:
    """The 36-hour demo, taken in, decisions accepted, analysed."""
    from reeftally.analysis.findings import accept
    from reeftally.analysis.run import analyse
    from reeftally.intake import take_in
    from reeftally.mission import edit_book
    from reeftally.rehearsal import rehearse

    folder = tmp_path_factory.mktemp("demo") / "mission"
    rehearse(folder, size="demo36", seed=1)
    # Fewer trials than a mission would use: these tests run the chain several times.
    edit_book(folder, {"analysis.period_trials": 2000, "analysis.block_trials": 200})
    take_in(folder, now_ns=0)
    accept(folder, ids=["all"], by="crew", now=DECIDED)
    analyse(folder)
    return folder


@pytest.fixture(scope="session")
def burst_maker():
    """Return the generator of synthetic bursts with known spectra and stress that the flow tests use."""
    import importlib.util
    import sys

    path = Path(__file__).resolve().parents[1] / "flow" / "conftest.py"
    spec = importlib.util.spec_from_file_location("flow_makers", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module.make_burst
