"""True transitions between layers."""
