"""Reads what was measured: profiles as text and netCDF, stylus traces."""
