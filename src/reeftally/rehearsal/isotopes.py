"""Carbon-13 of the reef's DIC at a height.

Here:     `delta_at` (box, patches and profile together).
Not here: the box's own δ13C (`box`), fractionation to CO2 (`slow` for the gas analyser).
Rules:    what is carried is DIC times δ13C; the profile carries the isotopic flux of the bed.
"""

from __future__ import annotations

import numpy as np

from reeftally._checks import FloatArray
from reeftally.rehearsal.box import FRICTION_FLOOR
from reeftally.rehearsal.highrate import World
from reeftally.rehearsal.script import HOUR

__all__ = ["delta_at"]


def delta_at(world: World, height: float) -> FloatArray:
    """δ13C of DIC at a height above the bed on the minute grid [‰].

    Flux of DIC times δ13C: respiration at its source, photosynthesis at the water's δ13C less its
    discrimination, calcification at the water's plus one.
    """
    chemistry, reef = world.chemistry, world.reef
    own = chemistry.box_delta
    flux = (
        chemistry.respiration / reef.pq * reef.source_respired
        - chemistry.gross / reef.pq * (own - reef.discrimination)
        - chemistry.calcification * (own + reef.carbonate_discrimination)
    )
    top = reef.mixed_height - reef.displacement
    above = min(world.above(height), top)
    diffusive = reef.von_karman * np.maximum(world.water.friction, FRICTION_FLOOR) * HOUR * reef.density / 1000.0
    carried = (
        chemistry.box_dic * own + chemistry.patch_dic * reef.source_respired - flux * np.log(above / top) / diffusive
    )
    plain = chemistry.box_dic + chemistry.patch_dic - chemistry.dic_flux * np.log(above / top) / diffusive
    return np.asarray(carried / plain)
