"""Bench sessions as a person has them, and killed ones."""
