"""Flow: velocimeter cleaning, rotation, spectra, stress, dissipation, profiles, waves.

Here:     pure functions of velocity and pressure samples.
Not here: concentrations and fluxes of matter (`exchange`); seawater properties.
Rules:    no file, clock or setting; a burst that cannot be used gets reasons, never a number that looks fine.
"""
