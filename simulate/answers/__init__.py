"""What is asked of a measurement: thicknesses, widths, depth scale, decisions, budgets."""
