"""Composition against depth by sum normalisation, with the constants of emission lines."""
