"""Puzzles confirmed by means that the package has no part in."""
