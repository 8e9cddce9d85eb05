"""An instrument calibrated on references, and measurements taken together."""
