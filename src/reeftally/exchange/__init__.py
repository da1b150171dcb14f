"""Exchange: fluxes off the bed and through the surface by independent methods, and single organisms.

Here:     covariance and gradient fluxes, enclosures, control volumes, point sources, gas exchange, light
          response, agreement of methods. Fluxes are positive into the water.
Not here: the account of who changed the water's carbon (`ledger`).
Rules:    pure; every flux carries a random and a systematic standard uncertainty.
"""
