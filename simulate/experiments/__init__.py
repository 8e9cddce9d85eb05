"""The experiment file as a whole, and its setup: source, crater, mixing, detection, noise."""
