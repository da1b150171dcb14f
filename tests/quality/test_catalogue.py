"""The catalogue of faults, row by row: a record with the fault planted, and what must be done about it.

Rows 1 to 12 (time), 31 to 48 (values and units), 49 to 64 (sensors in the water). Rows 13 to 30 (files) are tested with
the intake. All records are invented.
"""

import datetime as dt

import numpy as np
import pytest

from reeftally import exchange, flow
from reeftally.calibration.clocks import clock_segments
from reeftally.calibration.fouling import cleaning_steps, settling
from reeftally.calibration.lags import light_clock, shared_lag, stamp_position
from reeftally.calibration.stamps import (
    anchor_segment,
    daylight_saving_steps,
    find_resets,
    order_by_counter,
    rebuild_times,
)
from reeftally.calibration.timescales import gps_to_utc, read_date_both_ways, serial_dates
from reeftally.errors import InputError, NotAcceptedError
from reeftally.mission.solar import elevation
from reeftally.quality import mounting as m
from reeftally.quality import values as v
from reeftally.quality.currents import tilt
from reeftally.quality.qartod import attenuated_signal, flat_line
from reeftally.quality.record import flag_record
from reeftally.seawater.oxygen import salinity_factor, solubility

DAY = 86400.0
ROWS = {}


def utc(*parts):
    return dt.datetime(*parts, tzinfo=dt.UTC).timestamp()


T0 = utc(2031, 3, 26)


def row(number):
    def keep(function):
        ROWS[number] = function
        return function

    return keep


def says(doubt, *words):
    """Whether a doubt names what was found, what was expected and how to mend it, and holds the words."""
    assert doubt is not None
    assert doubt.found
    assert doubt.wanted
    assert doubt.proposal
    for word in words:
        assert word in doubt.text, doubt.text


def wave(seed, time):
    rng = np.random.default_rng(seed)
    period, phase = np.exp(rng.uniform(np.log(400), np.log(9000), 100)), rng.uniform(0, 6.3, 100)
    return np.sin(2 * np.pi * (time - T0)[:, None] / period + phase).sum(axis=1) / 7.0


def shared(error, seed=1):
    rng = np.random.default_rng(seed)
    time = T0 + np.arange(0, DAY, 60.0)
    return shared_lag(
        time=time + error, values=wave(seed, time) + rng.normal(0, 0.2, time.size),
        reference_time=time, reference_values=wave(seed, time) + rng.normal(0, 0.2, time.size), largest=7200.0,
    )  # fmt: skip


@row(1)
def clock_offset():
    lag = shared(540.0)

    assert lag.cause == "clock"
    assert lag.lower <= 540.0 <= lag.upper
    assert lag.upper - lag.lower < 30.0


@row(2)
def local_time_taken_for_utc():
    time = T0 + np.arange(0, 4 * DAY, 300.0)
    light = np.clip(np.sin(np.radians(elevation(np.rint(time * 1e9).astype(np.int64), -14.2, 78.5))), 0, None)

    found = light_clock(time=time + 5 * 3600, light=1500 * light, longitude=78.5)

    assert found.cause == "zone"
    assert found.zone_hours == 5.0
    assert shared(3600.0).cause == "zone"


@row(3)
def daylight_saving_in_mid_file():
    for change, jump in ((utc(2031, 3, 30, 1), 3600.0), (utc(2031, 10, 26, 1), -3600.0)):
        true = change + np.arange(-5000, 5000, 10.0)
        (step,) = daylight_saving_steps(stamps=true + jump * (true >= change), interval=10.0)

        assert step.index == 500
        assert "split" in step.proposal


@row(4)
def clock_drift():
    true = T0 + np.array([0.0, 10.0]) * DAY
    (segment,) = clock_segments(true_time=true, stamp=true + np.array([0.0, 21.0]), sd=[0.2, 0.2])

    assert segment.cause == "drift"
    assert segment.per_day == pytest.approx(-2.1, abs=0.05)
    assert segment.per_day_sd < 0.05


@row(5)
def clock_reset_to_an_epoch():
    stamps = np.concatenate([T0 + np.arange(100.0), utc(2000, 1, 1) + np.arange(100.0)])
    (step,) = find_resets(stamps=stamps, start=T0, end=T0 + 10 * DAY)

    assert step.index == 100
    assert anchor_segment(stamps=stamps[100:], restart_time=T0 + 500)[0] == T0 + 500 - utc(2000, 1, 1)
    with pytest.raises(NotAcceptedError):
        anchor_segment(stamps=stamps[100:])


@row(6)
def satellite_time():
    assert gps_to_utc(T0 + 18.0) == T0


@row(7)
def day_and_month_exchanged():
    _, verdict = read_date_both_ways(texts=["03/04/2031", "04/04/2031"], start=T0, end=utc(2031, 4, 5))

    assert verdict.startswith("day first")
    assert "Confirm" in verdict


@row(8)
def serial_dates_and_two_digit_years():
    days = (T0 - utc(1899, 12, 30)) / DAY

    assert "serial_1900" in serial_dates(values=[days + 0.5], start=T0, end=T0 + DAY)[1]
    assert "serial_1904" in serial_dates(values=[days + 0.5 - 1462], start=T0, end=T0 + DAY)[1]
    assert "two_digit_year" in serial_dates(values=[utc(1931, 3, 26, 12)], start=T0 - DAY, end=T0 + 2 * DAY)[1]


@row(9)
def stamps_that_go_back():
    order, none = order_by_counter(stamps=[0.0, 2.0, 1.0], counter=[0, 2, 1])
    _, back = order_by_counter(stamps=[0.0, 2.0, 1.0])

    assert order.tolist() == [0, 2, 1]
    assert not none
    assert back[0].index == 2


@row(10)
def stamp_at_start_or_end_of_the_interval():
    assert stamp_position(lag=-302.0, lag_sd=15.0, averaging=600.0).position == "start"
    assert stamp_position(lag=4.0, lag_sd=15.0, averaging=600.0).position == "middle"
    assert stamp_position(lag=290.0, lag_sd=15.0, averaging=600.0).position == "end"
    assert stamp_position(lag=150.0, lag_sd=80.0, averaging=600.0).position == "unclear"


@row(11)
def whole_seconds_at_eight_hertz():
    number = np.arange(4000)
    found = rebuild_times(stamps=np.floor(T0 + number / 8.0), rate=8.0, counter=number)

    assert np.abs(found.time - (T0 + number / 8.0)).max() < 0.13
    assert "counter" in found.rule


@row(12)
def real_rate_is_not_the_nominal_one():
    number = np.arange(100000)
    found = rebuild_times(stamps=np.floor(number / 31.97), rate=32.0, counter=number)

    assert found.rate == pytest.approx(31.97, abs=1e-3)
    assert found.slide_per_day == pytest.approx(-81.0, abs=3.0)


OXYGEN = 195.0 + np.random.default_rng(3).normal(0, 5, 500)


@row(31)
def oxygen_unit():
    given = {"temperature": 28.4, "salinity": 35.1}

    assert v.oxygen_unit(oxygen=OXYGEN, **given) is None
    says(v.oxygen_unit(oxygen=OXYGEN * 1.0225 * 31.9988e-3, **given), "mg/L", "state the unit")
    says(v.oxygen_unit(oxygen=OXYGEN * 1.0225 * 22.3916e-3, **given), "mL/L")
    # 37.5 % would be read as µmol/kg of 19 %: percent of saturation needs a value below its own 40 % limit.
    share = 100 * OXYGEN / solubility(temperature=28.4, salinity=35.1) * 0.7
    says(v.oxygen_unit(oxygen=share, **given), "state the unit")


@row(32)
def velocity_unit():
    rng = np.random.default_rng(1)
    neighbour = np.abs(rng.normal(0.08, 0.03, 500))

    assert v.velocity_unit(speed=neighbour * 1.2, neighbour=neighbour) is None
    says(v.velocity_unit(speed=neighbour * 120, neighbour=neighbour), "cm/s")
    says(v.velocity_unit(speed=neighbour * 900, tide=0.08), "mm/s")


@row(33)
def negative_oxygen():
    record = np.array([0.1, -0.2, -1.0, np.nan])
    flags = v.negative_values(values=record, noise_sd=0.1)

    assert flags.tolist() == [1, 3, 4, 9]
    assert record[1] == -0.2


@row(34)
def salinity_setting():
    factor = float(salinity_factor(temperature=28.4, salinity=35.1, salinity_setting=0.0))
    given = {"reference": OXYGEN, "temperature": 28.4, "salinity": 35.1}

    # Fresh and sea water in equilibrium with air at 28 degC hold 7.83 and 6.4 mg/L (tables, from memory): 1.22; colder
    # water has the factor of 1.25 and more that is often quoted.
    assert 1 / factor == pytest.approx(7.83 / 6.4, abs=0.015)
    assert v.salinity_setting(reading=OXYGEN * 1.02, declared=0.0, **given) is None
    says(v.salinity_setting(reading=OXYGEN / factor, declared=35.0, **given), "Read the setting")
    says(v.salinity_setting(reading=OXYGEN * factor, declared=0.0, **given), "applied twice")
    with pytest.raises(InputError, match="no salinity setting"):
        v.salinity_setting(reading=OXYGEN, declared=None, **given)


@row(35)
def salinity_spikes():
    rng = np.random.default_rng(2)
    time = np.arange(2000) * 5.0
    salinity = 35.1 + rng.normal(0, 0.003, 2000)
    bubbles = rng.choice(np.arange(50, 1950, 10), 30, replace=False)
    salinity[bubbles] -= rng.uniform(0.1, 2.0, 30)
    flags = v.salinity_spikes(salinity=salinity, noise_sd=0.003)
    bridged, sd = v.bridge_salinity(time=time, salinity=salinity, flags=flags, longest=60.0, walk_sd=0.05)

    assert (flags[bubbles] == 4).all()
    assert (np.delete(flags, bubbles) == 1).mean() > 0.995
    assert np.abs(bridged[bubbles] - 35.1).max() < 0.02
    assert (sd[bubbles] > 0).all()


@row(36)
def ph_scale():
    rng = np.random.default_rng(4)
    given = {"sd": 0.003, "temperature": 28.4, "salinity": 35.1}
    small = rng.normal(0, 0.005, 10)

    assert v.ph_scale(difference=small, declared="total", **given) is None
    says(v.ph_scale(difference=small + 0.118, declared="total", **given), "free", "state it in the layout")
    with pytest.raises(InputError, match="no pH scale"):
        v.ph_scale(difference=small, declared=None, **given)


@row(37)
def ph_as_voltage():
    assert v.looks_like_voltage(values=[8.0, 8.1]) is None
    says(v.looks_like_voltage(values=[-0.87, -0.88]), "volts", "no pH until then")
    says(v.looks_like_voltage(values=[870.0, 880.0]), "millivolts with the sign reversed")
    says(v.looks_like_voltage(values=[21000.0]), "counts")


@row(39)
def digits_exchanged():
    assert v.coefficient_against_history(new=1.2345, previous=1.22) is None
    says(v.coefficient_against_history(new=2.1345, previous=1.2345), "digits", "certificate")
    assert v.coefficient_against_history(new=1.5, previous=1.2345).numbers["swapped"] == 0.0


@row(40)
def stuck_value():
    fine = 185 + np.random.default_rng(5).normal(0, 0.1, 2000)
    fine[500:560] = fine[500]
    coarse = np.round(28.4 + np.random.default_rng(6).normal(0, 0.004, 2000), 2)
    time = np.arange(2000) * 5.0

    assert (flat_line(values=fine, tolerance=0.0)[501:560] == 4).all()
    flags = flag_record(time=time, values=coarse, quantity="temperature", interval=5.0, noise_sd=0.004)
    assert (flags.tests["flat_line"] == 4).mean() < 0.005


@row(41)
def attenuated_signal_with_neighbour():
    rng = np.random.default_rng(7)
    common = np.cumsum(rng.normal(0, 0.1, 2000))
    own, other = common + rng.normal(0, 0.05, 2000), common + rng.normal(0, 0.05, 2000)
    own[1000:1400] = own[1000] + 0.01 * rng.normal(0, 0.1, 400)
    flags = v.attenuated_against(values=own, neighbour=other, window=100)

    assert (flags[1000:1400] == 4).all()
    assert (flags[:1000] == 1).all()
    assert (attenuated_signal(values=own, window=100, warn_below=0.05, fail_below=0.02)[1000:1400] == 4).all()


@row(42)
def spikes_are_counted():
    rng = np.random.default_rng(8)
    values = 185 + rng.normal(0, 0.1, 5000)
    where = rng.choice(np.arange(10, 4990, 5), 60, replace=False)
    values[where] += rng.choice([-1, 1], 60) * 5
    result = flag_record(time=np.arange(5000) * 5.0, values=values, quantity="oxygen", interval=5.0, noise_sd=0.1)

    assert (result.tests["spike"][where] == 4).mean() > 0.95
    assert result.counts()[4] >= 57


@row(43)
def low_resolution():
    step, sd = v.resolution(values=np.round(28 + np.random.default_rng(9).normal(0, 0.3, 500), 1))

    assert step == pytest.approx(0.1)
    assert sd == pytest.approx(0.1 / np.sqrt(12))


@row(44)
def atmosphere_in_pressure():
    rng = np.random.default_rng(10)
    air = 1011 + np.cumsum(rng.normal(0, 0.2, 2000))
    water = 5.5 * 1.0027 + 0.3 * np.sin(np.arange(2000) / 90.0)

    assert v.air_in_pressure(pressure=water, depth=5.5, depth_sd=0.1, air_pressure=air) is None
    says(
        v.air_in_pressure(pressure=water + air / 100, depth=5.5, depth_sd=0.1, air_pressure=air), "holds the atmosphere"
    )
    says(v.air_in_pressure(pressure=water + 1.5, depth=5.5, depth_sd=0.1), "tare")


@row(45)
def temperature_of_an_optode():
    assert v.optode_temperature(temperature=[28.42], reference=[28.4]) is None
    says(v.optode_temperature(temperature=[29.4], reference=[28.4]), "+1.6 %", "CTD")


@row(46)
def light_unit_and_shadow():
    rng = np.random.default_rng(11)
    hour = np.tile(np.arange(0, 24, 0.25), 8)
    sky = 1200 * np.clip(np.sin(np.pi * (hour - 6) / 12), 0, None)
    light = sky * rng.uniform(0.3, 1.0, hour.size)
    shadow = np.where((hour >= 9) & (hour < 10), 0.3, 1.0)

    assert v.light_unit(light=light, clear_sky=sky) is None
    says(v.light_unit(light=light / 4.57, clear_sky=sky), "W m-2")
    assert v.shaded_hours(hour=hour, light=light * shadow, clear_sky=sky) == [9]
    assert v.shaded_hours(hour=hour, light=light, clear_sky=sky) == []


@row(47)
def wiper():
    time = np.arange(3000) * 60.0
    values = 500 + np.random.default_rng(12).normal(0, 3, 3000)
    values[5::60] -= 200
    period, mask = v.periodic_outliers(time=time, values=values, limit=30.0)
    none, _ = v.periodic_outliers(time=time, values=np.where(mask, 500, values), limit=30.0)

    assert period == pytest.approx(3600.0)
    assert mask[5::60].all()
    assert mask.sum() == 50
    assert none is None


@row(48)
def acoustic_range():
    flags = v.acoustic_range(correlation=[95, -3, 120, 90, np.nan], signal_to_noise=[20, 20, 20, 1, 20])

    assert flags.tolist() == [1, 4, 4, 4, 9]


@row(49)
def fouling():
    rng = np.random.default_rng(13)
    time = np.arange(0, 6 * DAY, 900.0)
    d = rng.normal(0, 0.1, time.size) - 2.5 * np.clip(time / DAY / 4, 0, 1) * (time < 4 * DAY)
    (step,) = cleaning_steps(time=time, difference=d, cleanings=[4 * DAY])

    assert step.claimed
    assert step.step == pytest.approx(2.5, rel=0.2)
    assert step.lower < 2.5 < step.upper


@row(50)
def conditioning():
    rng = np.random.default_rng(14)
    time = np.arange(0, 6 * DAY, 1800.0)
    found = settling(
        time=time, difference=0.02 * np.exp(-time / DAY) + rng.normal(0, 0.001, time.size), start=0.0, tolerance=0.002
    )

    assert found.claimed
    assert found.until == pytest.approx(np.log(10), abs=0.5)


@row(51)
def wrong_height():
    # Stated with the catalogue: 5 cm on both heights about 10 %, on the lower one about 14 %.
    both = m.height_error_cost(lower_height=0.25, upper_height=0.90, lower_error=0.05, upper_error=0.05)
    lower = m.height_error_cost(lower_height=0.25, upper_height=0.90, lower_error=0.05, upper_error=0.0)

    assert abs(both) == pytest.approx(0.10, abs=0.005)
    assert abs(lower) == pytest.approx(0.14, abs=0.005)


def frame(seed):
    rng = np.random.default_rng(seed)
    time = np.arange(200) * 900.0
    tide = 6 + 0.5 * np.sin(2 * np.pi * time / 44712)
    return rng, time, rng.normal(1, 0.1, 200), rng.normal(2, 0.1, 200), tide, tide + rng.normal(0, 0.005, 200)


@row(52)
def frame_that_sank_or_tipped():
    _, time, pitch, roll, tide, pressure = frame(15)
    assert m.frame_steps(time=time, pitch=pitch, roll=roll, pressure=pressure, neighbour_pressure=tide) == []
    pitch[120:] += 4.0
    pressure[120:] += 0.06
    found = m.frame_steps(time=time, pitch=pitch, roll=roll, pressure=pressure, neighbour_pressure=tide)

    assert len(found) == 2
    assert all(abs(d.start - time[120]) <= 900.0 for d in found)
    says(found[0], "End the deployment", "measured again")
    assert (tilt(pitch=[40.0], roll=[0.0]) == 4).all()


@row(53)
def upside_down():
    rng = np.random.default_rng(16)
    time = np.arange(0, 900, 0.25)
    swell = 0.1 * np.sin(2 * np.pi * time / 9.0)
    pressure = 0.1 * np.sin(2 * np.pi * time / 9.0)
    w = 0.02 * np.cos(2 * np.pi * time / 9.0)
    noise = rng.normal(0, 0.003, (3, time.size))
    up = flow.orientation(velocity=np.stack([0.1 + swell, 0 * w, w]) + noise, sample_rate=4.0, pressure=pressure)
    down = flow.orientation(velocity=np.stack([0.1 + swell, 0 * w, -w]) + noise, sample_rate=4.0, pressure=pressure)

    assert up.z > 4.0
    assert down.z < -4.0


@row(54)
def compass_error():
    rng = np.random.default_rng(17)
    angle = 2 * np.pi * np.arange(500) / 50.0
    east, north = 0.1 * np.cos(angle), 0.04 * np.sin(angle)
    turn = np.radians(7.0)  # the subject's compass reads 7 degrees too little: currents are turned back by as much
    own = (east + 1j * north) * np.exp(1j * turn) + rng.normal(0, 0.01, 500) + 1j * rng.normal(0, 0.01, 500)
    found = m.heading_offset(east=own.real, north=own.imag, reference_east=east, reference_north=north)

    assert found.degrees == pytest.approx(7.0, abs=4 * found.sd)
    assert found.sd < 1.0
    says(found.doubt, "by hand")


@row(55)
def velocity_wrap():
    rng = np.random.default_rng(18)
    true = 0.22 + 0.05 * rng.standard_normal(2000)
    wrapped = np.mod(true + 0.3, 0.6) - 0.3
    found = flow.unwrap(velocity=wrapped, ambiguity=0.3, sample_rate=16.0)

    assert np.abs(wrapped - true).max() > 0.5
    assert np.nanmax(np.abs(found.velocity - true)) < 1e-9


@row(56)
def boundaries():
    usable = m.usable_bins(heights=np.arange(0.6, 7, 0.25), bin_size=0.25, depth=[6.0, 7.0], beam_angle=25.0)

    # 6 cos 25 = 5.44 m, 7 cos 25 = 6.34 m, less half a bin.
    assert np.arange(0.6, 7, 0.25)[usable[:, 0]].max() == pytest.approx(5.1)
    assert np.arange(0.6, 7, 0.25)[usable[:, 1]].max() == pytest.approx(6.1)


@row(57)
def fish():
    rng = np.random.default_rng(19)
    own, other = 185 + rng.normal(0, 0.1, 2000), 186 + rng.normal(0, 0.1, 2000)
    own[500:508] -= 6.0
    own[900:908] += 5.0
    other[900:908] += 5.0
    flags = m.visitors(values=own, neighbours=other, noise_sd=0.1, longest=12)

    assert (flags[500:508] == 3).all()
    assert (flags[900:908] == 1).all()
    assert (flags == 3).sum() == 8


@row(58)
def frame_wake():
    rng = np.random.default_rng(20)
    direction = rng.uniform(0, 360, 1000)
    ratio = 0.01 * np.exp(rng.normal(0, 0.3, 1000)) * np.where((direction >= 90) & (direction < 120), 4.0, 1.0)

    assert m.wake_sectors(direction=direction, stress_ratio=ratio) == [(90.0, 120.0)]


@row(59)
def sensor_moved_without_note():
    rng = np.random.default_rng(21)
    time = np.arange(300) * 900.0
    water = 185 + 8 * np.sin(2 * np.pi * time / DAY)
    own = water + rng.normal(0, 0.1, 300)
    neighbours = water + rng.normal(0, 0.1, (2, 300))
    assert m.moved(time=time, values=own, neighbours=neighbours) is None
    own[180:] += 1.5
    found = m.moved(time=time, values=own, neighbours=neighbours)

    says(found, "Was it moved")
    assert abs(found.start - time[180]) <= 1800.0


@row(60)
def slate_minutes():
    start = np.arange(6) * 900.0 + 60
    end = start + 300
    slate = start + np.array([0, 0, -200.0, 0, 0, 0])  # the third entry is 200 s early
    match = exchange.match_slate(start=start, end=end, slate_in=slate, slate_out=slate + 300.0)

    assert match.plateau.tolist() == [0, 1, 2, 3, 4, 5]
    assert match.error[2] == pytest.approx(200.0)
    assert match.doubtful.tolist() == [False, False, True, False, False, False]


@row(61)
def pump_stopped():
    rng = np.random.default_rng(22)
    time = np.arange(500) * 300.0
    water = np.cumsum(rng.normal(0, 1.0, 500))
    own = water + rng.normal(0, 0.5, 500)
    own[300:350] = own[299] + 0.02 * np.arange(50)
    flags, doubt = m.pump_stop(time=time, values=own, neighbour=water + rng.normal(0, 0.5, 500))
    clean, none = m.pump_stop(time=time, values=water, neighbour=water)

    assert (flags[303:347] == 4).all()
    assert (flags[:290] == 1).all()
    says(doubt, "pump")
    assert none is None
    assert (clean == 1).all()


@row(62)
def dye():
    flags = m.dye_nearby(time=np.arange(0, 3600, 60.0), releases=[600.0])

    assert flags[10:26].tolist() == [3] * 16
    assert (flags == 3).sum() == 16


@row(63)
def ground_fault():
    rng = np.random.default_rng(23)
    own = rng.normal(0, 1, (4, 500))

    assert m.common_noise(records=own, names=("a", "b", "c", "d")) is None
    says(m.common_noise(records=own * 0.3 + rng.normal(0, 1, 500), names=("a", "b", "c", "d")), "human decision")


@row(64)
def brown_outs():
    time = np.arange(0, 2 * DAY, 10.0)
    broken = np.delete(time, np.concatenate([np.arange(a, a + 12) for a in range(500, 16500, 800)]))
    begins, doubt = m.restarts(time=broken, interval=10.0)

    assert begins.size == 20
    says(doubt, "20 restarts", "settings came back")
    assert m.restarts(time=time, interval=10.0)[1] is None


@pytest.mark.parametrize("number", sorted(ROWS))
def test_row_of_the_catalogue(number):
    ROWS[number]()


def test_rows_of_time_values_and_water_are_all_here_save_one():
    # Row 38 (missing or foreign calibration) is a matter of the mission book: derived values are withheld there.
    assert sorted(ROWS) == [*range(1, 13), *range(31, 38), *range(39, 65)]
