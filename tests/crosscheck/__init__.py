"""Checks of the solver against programs and formulations that share no code with it."""
