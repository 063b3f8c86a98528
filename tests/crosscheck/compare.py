"""When two answers to one question agree, and a count of how many do not."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field

from tests.crosscheck.netlist import MeterRange
from tests.crosscheck.predicted import Question

TOLERANCE_V = 1e-3
TOLERANCE_SHARE = 5e-3
TOLERANCE_OHMS = 1e-3
TOLERANCE_JACK_V = 1.5e-6  # at the jacks in ohms mode: a fault that moves less is not solved for; a digit is 100 uV


def limit_volts(meter_range: MeterRange) -> float:
    """Return the voltage at the jacks [V] at which the display turns to OL."""
    if not meter_range.label.startswith("ohms"):
        return meter_range.full_scale
    if meter_range.amps:
        return meter_range.full_scale * meter_range.amps
    share = meter_range.full_scale / (meter_range.full_scale + meter_range.series_ohms)
    return meter_range.open_volts * share


def allowed(meter_range: MeterRange, value: float) -> float:
    """Return by how much two displays near ``value`` may differ [V] or [ohm]."""
    if meter_range.label.startswith("ohms"):
        unseen = TOLERANCE_JACK_V / meter_range.amps if meter_range.amps else 0.0
        return TOLERANCE_SHARE * abs(value) + max(TOLERANCE_OHMS, unseen)
    return TOLERANCE_V


@dataclass(slots=True)
class Tally:
    """Agreement over many questions.

    Parameters
    ----------
    compared : int
        Questions that both sides answered alike, OL or a number.
    near_limit : int
        One says OL and the other does not, with the jacks within a millivolt of the limit.
    worst_volts, worst_share : float
        Largest difference of diode readings [V], and of resistances as a share of the reading [1].
    worst_question : str
        Where the largest share of what is allowed was used up.
    differences, unanswered : list of str
        Questions answered differently, and those without an answer of the simulator or of the solver.
    """

    compared: int = 0
    near_limit: int = 0
    worst_volts: float = 0.0
    worst_share: float = 0.0
    worst_used: float = 0.0
    worst_question: str = ""
    differences: list[str] = field(default_factory=list)
    unanswered: list[str] = field(default_factory=list)

    def add(self, question: Question, solver: float, jack_volts: float, way: str = "solver") -> None:
        """Judge one question by the solver's display, got in a ``way``, and the simulator's voltage at the jacks."""
        meter_range = question.meter_range
        if math.isnan(solver) or math.isnan(jack_volts):
            who = way if math.isnan(solver) else "simulator"
            self.unanswered.append(f"{question}: no answer, {who}")
            return
        simulator = meter_range.shown(jack_volts)
        if math.isinf(solver) != math.isinf(simulator):
            if abs(jack_volts - limit_volts(meter_range)) <= TOLERANCE_V:
                self.near_limit += 1
            else:
                self.differences.append(f"{question}: {way} {solver:.6g}, simulator {simulator:.6g}")
            return
        self.compared += 1
        if math.isinf(solver):
            return
        difference = abs(solver - simulator)
        used = difference / allowed(meter_range, simulator)
        if meter_range.label.startswith("ohms"):
            self.worst_share = max(self.worst_share, difference / max(abs(simulator), 1.0))
        else:
            self.worst_volts = max(self.worst_volts, difference)
        if used > self.worst_used:
            self.worst_used, self.worst_question = used, str(question)
        if used > 1.0:
            self.differences.append(f"{question}: {way} {solver:.6g}, simulator {simulator:.6g}")

    def add_all(
        self, asked: Sequence[Question], solver: Iterable[float], jack_volts: Iterable[float], way: str = "solver"
    ) -> None:
        """Judge many questions."""
        for question, one, other in zip(asked, solver, jack_volts, strict=True):
            self.add(question, float(one), other, way)

    def complaint(self) -> str:
        """Return what is wrong, a few of each; empty if nothing is."""
        wrong = [*self.unanswered[:10], *self.differences[:10]]
        if not wrong:
            return ""
        return "\n".join([f"{len(self.unanswered)} unanswered, {len(self.differences)} different:", *wrong])
