"""A hand with a meter: reads what a session proposes off a board with a known fault."""

from __future__ import annotations

import re
from dataclasses import dataclass

from bridge.board import Board
from bridge.faults import parse_fault
from bridge.forecast import forecast
from bridge.meter import MeterProfile, load_meter
from bridge.placement import parse_probing
from bridge.probing import Probing, Setup
from bridge.units import format_reading

PROPOSAL = re.compile(
    r"Next: red on (\S+), black on (\S+), (diode|ohms|continuity)(?:, holding ((?:\S+@\S+ ?)+?))?"
    r"(?:, with (\S+) lifted)?\.(?: |$)"
)


@dataclass
class MeterHand:
    """A board on the bench with faults nobody told the session of."""

    board: Board
    faults: tuple[str, ...]
    meter: MeterProfile

    @classmethod
    def on(cls, board: Board, *faults: str) -> MeterHand:
        """Return a hand with the usual meter."""
        return cls(board, faults, load_meter())

    def read(self, probing: Probing) -> str:
        """Return what the display shows after the dwell, rounded to its digits, as a technician writes it."""
        faults = [parse_fault(text, self.board) for text in self.faults]
        shown = forecast(self.board, self.meter, Setup(), [probing], faults)[0]
        if shown.value is None:
            return "OL"
        value = self.meter.display(probing.mode, None, shown.value)
        assert value is not None
        trend = f" {shown.state}" if shown.state in ("climbing", "falling") else ""
        return format_reading(value, shown.unit) + trend

    def answer(self, text: str) -> str | None:
        """Return the reading for the last proposal in a text; yes where it is asked about, None where nothing is."""
        if "Nothing is taken yet." in text:
            return "yes"
        found = PROPOSAL.findall(" ".join(text.split()))
        if not found:
            return None
        red, black, mode, hold, lift = found[-1]
        return self.read(parse_probing(red, black, mode, hold, lift, self.board, self.meter))
