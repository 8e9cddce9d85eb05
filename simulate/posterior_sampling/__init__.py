"""Draws from the posterior, checked, kept, and held against the readings."""
