"""Smooth curves from linear readings, and where they are steep."""
