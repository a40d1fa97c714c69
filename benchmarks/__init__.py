"""Measurements: how fast and how large, as ratios in one run where they compare."""
