"""From sample and instrument to signals, slice by slice."""
