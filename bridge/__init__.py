"""Finds the failed part of a power bridge from meter readings taken in place."""

from __future__ import annotations

__version__ = "0.1.0"
