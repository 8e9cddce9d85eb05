"""Composition against depth without layers."""
