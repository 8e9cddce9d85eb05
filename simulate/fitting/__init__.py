"""The most probable sample and its intervals: starts, best fit, limits."""
