"""Tests of the package: units, physics, cross-checks against other programs, whole commands."""
