"""Block series of a run as the groups of `results.nc`.

Here:     names, units, standard names, ancillary uncertainty and flags of the series.
Not here: writing (`results`).
Rules:    a series keeps its gaps; every uncertain variable has its random and systematic companion.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt
import xarray as xr

from reeftally._checks import FloatArray
from reeftally.exchange import footprint
from reeftally.mission.units import CHANNELS

if TYPE_CHECKING:
    from reeftally.analysis.bursts import BurstSeries
    from reeftally.analysis.fluxes import CovarianceBlocks
    from reeftally.analysis.grid import Grid
    from reeftally.analysis.run import Chain

__all__ = ["add_series", "frame_of", "result_groups"]

_FLAG = {
    "flag_values": np.array([1, 2, 3, 4, 9], dtype=np.int8),
    "flag_meanings": "good not_evaluated suspect fail missing",
    "standard_name": "quality_flag",
    "units": "1",
}


def _attributes(quantity: str, **more: Any) -> dict[str, Any]:
    row = CHANNELS.get(quantity)
    out: dict[str, Any] = {}
    if row is not None:
        out = {"units": row.cf_unit or row.unit or "1", "long_name": row.meaning}
        if row.standard_name:
            out["standard_name"] = row.standard_name
    return out | more


def frame_of(grid: Grid) -> xr.Dataset:
    """Return an empty group on the time axis of the blocks."""
    bounds = np.stack([grid.edges[:-1], grid.edges[1:]], axis=1).view("datetime64[ns]")
    data = xr.Dataset(
        {"time_bounds": (("time", "bound"), bounds)},
        coords={
            "time": ("time", grid.starts.view("datetime64[ns]"), {"standard_name": "time", "bounds": "time_bounds"})
        },
    )
    for name in ("time", "time_bounds"):
        data[name].encoding.update(units="seconds since 1970-01-01T00:00:00Z", dtype="int64", calendar="standard")
    return data


def add_series(
    data: xr.Dataset,
    name: str,
    values: FloatArray,
    *,
    quantity: str = "",
    random: FloatArray | None = None,
    systematic: FloatArray | None = None,
    flag: FloatArray | None = None,
    dims: tuple[str, ...] = ("time",),
    **attributes: Any,
) -> None:
    """Add a series with its companions."""
    base = _attributes(quantity or name, **attributes)
    companions = []
    for suffix, part, words in (
        ("_random_sd", random, "random standard uncertainty"),
        ("_systematic_sd", systematic, "systematic standard uncertainty"),
    ):
        if part is not None:
            companions.append(name + suffix)
            own = {k: v for k, v in base.items() if k == "units"}
            own["long_name"] = f"{words} of {base.get('long_name', name)}"
            data[name + suffix] = (dims, np.asarray(part, dtype=np.float64), own)
    codes = np.where(np.isfinite(values), 1, 9) if flag is None else flag
    companions.append(f"{name}_flag")
    data[f"{name}_flag"] = (
        dims,
        np.asarray(codes, dtype=np.int8),
        {**_FLAG, "long_name": f"flag of {base.get('long_name', name)}"},
    )
    data[name] = (dims, np.asarray(values, dtype=np.float64), base | {"ancillary_variables": " ".join(companions)})


def result_groups(chain: Chain) -> dict[str, xr.Dataset]:
    """Return the groups of `results.nc`."""
    groups = {"blocks": _blocks(chain), "flow": _flow(chain), "exchange": _exchange(chain)}
    if chain.account is not None:
        groups["chemistry"] = _chemistry(chain)
        if chain.account.effects:
            groups["ledger"] = _ledger(chain)
    order = ("blocks", "chemistry", "flow", "exchange", "ledger")
    return {name: groups[name] for name in order if name in groups}


def _blocks(chain: Chain) -> xr.Dataset:
    data = frame_of(chain.grid)
    for label, blocks in sorted(chain.slow.items()):
        for quantity, means in sorted(blocks.channels.items()):
            if "_bin_" in quantity:
                continue
            name = f"{label}__{quantity}"
            add_series(data, name, means.mean, quantity=quantity, cell_methods="time: mean")
            data[f"{name}_n"] = ("time", means.n.astype(np.int32), {"units": "1", "long_name": "good samples"})
        for quantity in chain.offsets:
            offsets = chain.offsets[quantity]
            if label in offsets.labels and quantity in blocks.channels:
                corrected = offsets.corrected(label, chain.grid.seconds, blocks.channels[quantity].mean)
                variance = np.einsum(
                    "ps,pq,qs->s",
                    design := offsets.adjustment.shape.design(chain.grid.seconds)[:, offsets.row(label)],
                    offsets.adjustment.covariance,
                    design,
                )
                add_series(
                    data,
                    f"{label}__{quantity}_corrected",
                    corrected,
                    quantity=quantity,
                    random=np.full(chain.grid.count, offsets.adjustment.sensors_noise[offsets.row(label)]),
                    systematic=np.sqrt(np.maximum(variance, 0.0)),
                )
    return data


def _chemistry(chain: Chain) -> xr.Dataset:
    data = frame_of(chain.grid)
    account = chain.account
    if account is None:
        return data
    for name, (mean, random, systematic) in account.chemistry.items():
        add_series(data, name, mean, random=random, systematic=systematic)
    if np.isfinite(chain.water.pressure).any():
        add_series(data, "pressure", chain.water.pressure)
    return data


def _flow(chain: Chain) -> xr.Dataset:
    data = frame_of(chain.grid)
    currents = chain.currents
    if chain.velocimeters or np.isfinite(currents.friction_velocity).any():
        add_series(data, "speed", currents.speed)
        add_series(data, "direction_to", currents.direction_to)
        add_series(
            data,
            "friction_velocity",
            currents.friction_velocity,
            random=currents.friction_velocity_random_sd,
            systematic=currents.friction_velocity_systematic_sd,
        )
        for method, (value, random) in currents.estimates.items():
            add_series(
                data,
                f"friction_velocity_{method}",
                value,
                quantity="friction_velocity",
                random=random,
                systematic=currents.systematic[method],
            )
        add_series(
            data,
            "dissipation_rate",
            currents.dissipation,
            random=currents.dissipation_random_sd,
            systematic=currents.dissipation_systematic_sd,
        )
        add_series(data, "roughness_length", currents.roughness, random=currents.roughness * currents.log_roughness_sd)
        add_series(data, "significant_wave_height", currents.wave_height)
        add_series(data, "peak_wave_period", currents.wave_period)
    if currents.profile is not None:
        _profile(data, *currents.profile)
    for series in chain.velocimeters:
        _burst_reasons(data, series)
        _spectra(data, series, chain.grid.count)
    for blocks in chain.slow.values():
        if "speed" in blocks.channels and "speed" not in data:
            add_series(data, "speed", blocks.channels["speed"].mean)
    if np.isfinite(chain.light).any():
        add_series(data, "par", chain.light)
    return data


# Why a burst as a whole is refused, in the order of the bits.
BURST_REASONS = (
    "too_few_samples", "all_missing", "constant", "wrong_rate", "in_air", "low_correlation", "too_many_bad",
    "too_many_missing", "height_impossible",
)  # fmt: skip


def _burst_reasons(data: xr.Dataset, series: BurstSeries) -> None:
    """Add why each burst of a velocimeter was refused: 0 where it stands, -1 where there is none."""
    codes = np.full(data.sizes["time"], -1, dtype=np.int32)
    for block, record in series.records.items():
        said = set(filter(None, str(record["reasons"]).split("; ")))
        codes[block] = sum(1 << k for k, name in enumerate(BURST_REASONS) if name in said)
    data[f"{series.label}__burst_reason"] = (
        "time",
        codes,
        {
            "long_name": f"why a burst of {series.label} is refused; 0 where it stands, -1 without a burst",
            "units": "1",
            "flag_masks": np.array([1 << k for k in range(len(BURST_REASONS))], dtype=np.int32),
            "flag_meanings": " ".join(BURST_REASONS),
        },
    )


def _profile(data: xr.Dataset, label: str, heights: FloatArray, speed: FloatArray) -> None:
    """Add the speeds of the bins to which the log law was fitted."""
    axis = f"{label}__height"
    words = {"units": "m", "long_name": f"height of the bins of {label} above the bed"}
    data[axis] = (axis, np.asarray(heights, dtype=np.float64), words)
    data[f"{label}__profile_speed"] = (
        ("time", axis), speed.astype(np.float32),
        {"units": "m s-1", "long_name": f"speed along the flow by height, {label}"},
    )  # fmt: skip


def _spectra(data: xr.Dataset, series: BurstSeries, count: int) -> None:
    """Add the spectrum of vertical velocity of each burst, and the inertial subrange fitted to it."""
    axes = [r["spectrum_frequency"] for r in series.records.values() if np.size(r["spectrum_frequency"])]
    if not axes:
        return
    axis = max(axes, key=np.size)
    band = f"{series.label}__band"
    data[band] = (band, np.asarray(axis), {"units": "Hz", "long_name": f"frequency of the spectra of {series.label}"})
    for field, words in (("w", "spectrum of vertical velocity"), ("fit", "inertial subrange and noise as fitted")):
        out = np.full((count, axis.size), np.nan, dtype=np.float32)
        for block, record in series.records.items():
            if np.size(record[f"spectrum_{field}"]) == axis.size:
                out[block] = record[f"spectrum_{field}"]
        data[f"{series.label}__spectrum_{field}"] = (
            ("time", band), out, {"units": "m2 s-2 Hz-1", "long_name": f"{words}, {series.label}"},
        )  # fmt: skip


def _exchange(chain: Chain) -> xr.Dataset:
    data = frame_of(chain.grid)
    count = chain.grid.count
    if chain.covariance is not None:
        found = chain.covariance
        add_series(
            data,
            "oxygen_flux_covariance",
            found.series("flux", count),
            quantity="oxygen_flux",
            random=found.series("random_sd", count),
            systematic=found.series("systematic_sd", count),
        )
        data["oxygen_flux_covariance_reason"] = (
            "time",
            np.nan_to_num(found.series("reason", count), nan=-1).astype(np.int32),
            {"long_name": "bits of the reasons for refusal or doubt; -1 without a block", "units": "1"},
        )
        add_series(data, "storage", found.series("storage", count), quantity="oxygen_flux")
        add_series(data, "lag", found.series("lag", count), units="s", long_name="lag of the fast sensor used")
        flux = found.flux
        use = np.isfinite(flux.flux)
        if use.any():
            frequency = np.asarray(flux.frequency)
            data["frequency"] = ("frequency", frequency, {"units": "Hz", "long_name": "frequency"})
            for name in ("cospectrum", "ogive"):
                data[f"oxygen_{name}_mean"] = (
                    "frequency",
                    np.nanmean(np.asarray(getattr(flux, name))[use], axis=0),
                    {"long_name": f"mean {name} of vertical velocity and oxygen", "units": "mmol m-2 h-1"},
                )
            _flux_of_lag(data, found, use)
        _footprint(data, chain, found)
    for found_gradient in chain.gradients:
        name, quantity = (
            ("oxygen_flux_gradient", "oxygen_flux")
            if found_gradient.quantity == "oxygen"
            else ("dic_flux_gradient", "dic_flux")
        )
        add_series(
            data,
            name,
            found_gradient.series("flux", count),
            quantity=quantity,
            random=found_gradient.series("random_sd", count),
            systematic=found_gradient.series("systematic_sd", count),
        )
        if quantity == "dic_flux":
            data[name].attrs["comment"] = "DIC at constant alkalinity, from the pH gradient"
    return data


def _flux_of_lag(data: xr.Dataset, found: CovarianceBlocks, use: npt.NDArray[np.bool_]) -> None:
    """Add the mean flux against the lag, for each direction of the flow, with the lag used and its window."""
    groups = [number for number in (0, 1) if (use & (found.group == number)).any()]
    curve = np.asarray(found.flux.flux_of_lag)
    rows = [use & (found.group == number) for number in groups]
    expected = [float(np.nanmean(np.asarray(found.flux.lag_expected)[row])) for row in rows]
    data["flow_direction"] = (
        "flow_direction",
        np.array(groups, dtype=np.int32),
        {
            "long_name": "what the flow meets first",
            "flag_values": np.array([0, 1], dtype=np.int32),
            "flag_meanings": "velocity_volume fast_sensor",
        },
    )
    data["lag_time"] = ("lag_time", np.asarray(found.flux.lags), {"units": "s", "long_name": "lag of the fast sensor"})
    data["oxygen_flux_of_lag"] = (
        ("flow_direction", "lag_time"),
        np.stack([np.nanmean(curve[row], axis=0) for row in rows]),
        {"long_name": "mean turbulent oxygen flux against the lag of the fast sensor", "units": "mmol m-2 h-1"},
    )
    for name, values, what in (
        ("lag_used_mean", [float(np.nanmean(np.asarray(found.flux.lag)[row])) for row in rows], "mean lag used"),
        ("lag_expected_mean", expected, "mean lag by geometry and response"),
    ):
        data[name] = ("flow_direction", np.array(values), {"long_name": what, "units": "s"})


def _footprint(data: xr.Dataset, chain: Chain, found: CovarianceBlocks) -> None:
    """Add how far upstream the bed speaks in the covariance flux of each block, and where the form is out of range."""
    site = chain.context.book.site
    series = next(v for v in chain.velocimeters if v.label == found.velocimeter)
    rough = site.roughness_length_m
    if rough is None and np.isfinite(chain.currents.roughness).any():
        rough = float(np.nanmedian(chain.currents.roughness))
    if rough is None:
        return
    given = np.isfinite(found.series("flux", chain.grid.count))
    height = np.where(given, series.height, np.nanmedian(series.height))
    upstream = footprint(height=height, roughness_length=rough, depth=site.water_depth_m)
    add_series(
        data,
        "footprint_length",
        np.where(given, upstream.length, np.nan),
        units="m",
        long_name="distance upstream within which nine tenths of the flux arise (Berg, Roy and Wiberg 2007)",
        comment="; ".join(upstream.warnings()) or "inside the fitted range",
    )


def _ledger(chain: Chain) -> xr.Dataset:
    data = frame_of(chain.grid)
    account = chain.account
    if account is None:
        return data
    data = data.assign_coords(driver=("driver", list(account.drivers)))
    names = {"ph_total": "ph_change", "aragonite_saturation": "aragonite_saturation_change"}
    for quantity, (mean, random, systematic) in account.effects.items():
        add_series(
            data,
            names[quantity],
            mean.T,
            quantity=quantity,
            random=random.T,
            systematic=systematic.T,
            dims=("time", "driver"),
            long_name=f"change of {quantity} from today's reference water by each driver, order-independent split",
        )
        data[names[quantity]].attrs.pop("standard_name", None)
    return data
