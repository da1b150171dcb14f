"""Flow: velocimeter cleaning, rotation, spectra, stress, dissipation, profiles, waves.

Here:     pure functions of velocity and pressure samples.
Not here: concentrations and fluxes of matter (`exchange`); seawater properties.
Rules:    no file, clock or setting; a burst that cannot be used gets reasons, never a number that looks fine.
"""

from reeftally.flow.despiking import DespikeResult, despike, fill, phase_space_axes, robust_scale, universal_threshold
from reeftally.flow.inertial import (
    Dissipation,
    FrictionVelocity,
    dissipation,
    friction_velocity_from_dissipation,
    inertial_spectrum,
    log_layer_dissipation,
    wave_advection_factor,
)
from reeftally.flow.rotation import (
    PlanarFit,
    RotationChoice,
    apply_rotation,
    beam_matrix,
    beam_to_instrument,
    choose_rotation,
    double_rotation,
    instrument_to_earth,
    noise_variance_ratio,
    planar_fit,
    profiler_beams,
    rotate,
    tilt_stress_error,
)
from reeftally.flow.spectrum import (
    Spectra,
    band_average,
    band_edges,
    cumulative_cospectrum,
    kaimal_cospectrum,
    kaimal_spectrum,
    spectra,
)
from reeftally.flow.stress import ReynoldsStress, low_frequency_loss, reynolds_stress, trowbridge_1998
from reeftally.flow.surface_waves import (
    Waves,
    group_speed,
    near_bed_orbital_rms,
    orbital_amplitude,
    pressure_response,
    wavenumber,
    waves,
)
from reeftally.flow.wall import (
    LawOfTheWall,
    displacement_scan,
    drag_coefficient,
    eddy_diffusivity,
    law_of_the_wall,
    log_fit_half_width,
    obukhov_length,
    stability_function,
)
