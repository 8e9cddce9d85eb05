"""Elements, compounds, mixtures: densities, sputter yields, ranges of ions and electrons."""
