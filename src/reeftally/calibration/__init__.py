"""Calibration: sensor equations, clocks, side by side, drift, response.

Here:     data in, corrections with uncertainty out.
Not here: files; applying a correction that nobody accepted.
Rules:    every correction carries its evidence and its covariance.
"""
