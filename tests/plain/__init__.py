"""A plain solver that shares nothing with the fast one but the branch table."""
