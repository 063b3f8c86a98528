"""How fast the package is, and how fast a circuit simulator is at the same circuits, side by side in one run."""
