"""What the crew did not do widens the gradient fluxes, and their rows say so (36-hour demo, an invented reef)."""

import shutil

import pandas as pd
import pytest

from reeftally.analysis.run import analyse

pytestmark = pytest.mark.slow


def gradient(folder):
    table = pd.read_csv(folder / "results" / "latest" / "estimates.csv", keep_default_na=False)
    table = table[table["method"].isin(["gradient", "gradient_ph_alkalinity"]) & (table["period"] == "mission")]
    table = table[table["quantity"].isin(["oxygen_flux", "dic_flux"])].set_index("quantity")
    assert set(table.index) == {"oxygen_flux", "dic_flux"}
    return table


def test_without_side_by_side_and_heights_at_recovery_gradients_are_wider_and_say_so(demo, tmp_path):
    before = gradient(demo)
    copy = tmp_path / "copy"
    shutil.copytree(demo, copy, symlinks=True)
    book = (copy / "mission.toml").read_text(encoding="utf-8").split("[[")
    kept = [part for part in book if not part.startswith("intercalibrations]]")]
    (copy / "mission.toml").write_text("[[".join(kept), encoding="utf-8")
    heights = (copy / "tables" / "heights.csv").read_text(encoding="utf-8").splitlines(keepends=True)
    early = [line for line in heights[1:] if line.startswith(("OXY-1,", "PHI-1,"))][:2]
    (copy / "tables" / "heights.csv").write_text("".join([heights[0], *early]), encoding="utf-8")

    analyse(copy)

    after = gradient(copy)
    for quantity, label in (("oxygen_flux", "OXY-1"), ("dic_flux", "PHI-1")):
        row = after.loc[quantity]
        assert "never side by side" in row["reason"]
        assert f"height of {label} not measured at recovery: taken as known to 5 cm" in row["reason"]
        assert "side by side" not in before.loc[quantity]["reason"]
        assert "recovery" not in before.loc[quantity]["reason"]
        was, now = before.loc[quantity], row
        assert float(now["upper"]) - float(now["lower"]) > float(was["upper"]) - float(was["lower"])
