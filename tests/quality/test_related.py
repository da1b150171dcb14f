"""Tests with a second series. Definitions: QARTOD pH manual v1.0 (2019), T/S manual v2; records invented."""

import numpy as np
import pytest

from reeftally.errors import InputError
from reeftally.quality import related as r


def test_multivariate_suspects_a_jump_that_its_partner_does_not_share():
    # pH manual v1.0, test 9, N = 2 (manual example): limits are 2 SD of each series, here 0.02 and 2.
    ph = [8.00, 8.00, 8.10, 8.10, 8.20, np.nan, 8.0]
    oxygen = [190, 190, 190, 190, 210, 210, np.nan]

    flags = r.multivariate(values=ph, second=oxygen, limit=0.02, second_limit=2.0)

    assert flags.tolist() == [2, 1, 3, 1, 1, 9, 2]


def test_neighbour_passes_a_jump_that_both_sensors_saw():
    # pH manual v1.0, test 11: as test 9 with a second sensor.
    flags = r.neighbour(values=[8.0, 8.1, 8.3], neighbour=[8.0, 8.11, 8.11], limit=0.05, neighbour_limit=0.05)

    assert flags.tolist() == [2, 1, 3]


def test_temperature_salinity_curve_warns_at_and_fails_above():
    # T/S manual v2, test 12: abs(S - S_fit) > fail is 4, >= warn is 3.
    flags = r.temperature_salinity_curve(
        temperature=[28, 28, 28, 28, np.nan],
        salinity=[35.0, 35.25, 35.5, 35.75, 35.0],
        coefficients=[0.0, 35.0],
        warn_at=0.25,
        fail_above=0.5,
    )

    assert flags.tolist() == [1, 3, 3, 4, 2]


def test_density_inversion_allows_three_hundredths():
    # T/S manual v2, test 13: potential density of the deeper sample + DT (0.03 kg m-3) must exceed the upper one.
    flags = r.density_inversion(upper=[1022.50, 1022.50, 1022.50, np.nan], lower=[1022.60, 1022.48, 1022.46, 1022.0])

    assert flags.tolist() == [1, 1, 4, 2]


def test_location_off_the_globe_fails_and_far_from_home_is_suspect():
    # pH manual v1.0, test 3. One degree of latitude is 60 nautical miles of 1852 m within 0.2 % (definition of old).
    flags = r.location(latitude=[-14.2, -15.2, 95.0], longitude=[78.5, 78.5, 78.5], home=(-14.2, 78.5), range_max=1e5)
    near = r.location(latitude=[-15.2], longitude=[78.5], home=(-14.2, 78.5), range_max=1.115e5)

    assert flags.tolist() == [1, 3, 4]
    assert near.tolist() == [1]


def test_limits_must_be_positive():
    with pytest.raises(InputError, match="above 0"):
        r.neighbour(values=[1.0], neighbour=[1.0], limit=0.0, neighbour_limit=1.0)
