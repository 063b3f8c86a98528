"""Readings of a six-switch bridge whose Q_UL is shorted, as a technician would write them."""

from __future__ import annotations

from pathlib import Path

HEADER = "red,black,mode,reading\n"
SHORTED_LOW_SWITCH = (
    HEADER + "U,P,diode,0.415\nP,U,diode,OL\nN,U,diode,0.002\nU,N,diode,0.002\nN,V,diode,0.421\nV,P,diode,0.417\n"
    "N,W,diode,0.418\nW,P,diode,0.416\n"
)
FEW = HEADER + "N,U,diode,0.002\nU,N,diode,0.002\n"


def write(folder: Path, text: str, name: str = "readings.csv") -> str:
    """Write a readings sheet and return its path."""
    path = folder / name
    path.write_text(text, encoding="utf-8")
    return str(path)
