"""Craterfront: simulate sputtering depth profiles of layered samples and invert measured ones."""

__version__ = "0.1.0"
