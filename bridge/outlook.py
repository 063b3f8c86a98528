"""What several hypotheses would read at the same places, solved in company: far quicker than one by one."""

from __future__ import annotations

from collections.abc import Sequence

from bridge.board import Board
from bridge.circuit import Circuit, build_circuit
from bridge.damage import Change, change_of, combine
from bridge.faults import Fault, median_ohms
from bridge.forecast import Forecast, forecast_changes
from bridge.meter import MeterProfile
from bridge.probing import Probing, Setup

__all__ = ["forecast_each"]

COMPANY = 256  # boards solved together: enough to share the work, few enough for the memory of a small machine


def forecast_each(
    board: Board,
    meter: MeterProfile,
    setup: Setup,
    probings: Sequence[Probing],
    hypotheses: Sequence[Sequence[tuple[Fault, float | None]]],
) -> tuple[tuple[Forecast, ...], ...]:
    """Return what each of several faulty boards would read, a row of probings for each.

    Parameters
    ----------
    board : Board
        The board.
    meter : MeterProfile
        The meter.
    setup : Setup
        The state of the bench.
    probings : sequence of Probing
        Placements of the leads.
    hypotheses : sequence of sequences of (Fault, float or None)
        Faults of each board with their resistance [ohm]; None takes the median of the severity table.

    Raises
    ------
    InputError
        A lead, pin, position or range that does not exist in this set-up.
    """
    rows: list[dict[int, Forecast]] = [{} for _ in hypotheses]
    for lifted in dict.fromkeys(probing.lift for probing in probings):
        circuit = build_circuit(board, setup, lifted)
        numbers = [number for number, probing in enumerate(probings) if probing.lift == lifted]
        places = [probings[number] for number in numbers]
        for start in range(0, len(hypotheses), COMPANY):
            changes = [_change(circuit, faults) for faults in hypotheses[start : start + COMPANY]]
            for offset, forecasts in enumerate(forecast_changes(circuit, meter, places, changes)):
                rows[start + offset].update(zip(numbers, forecasts, strict=True))
    return tuple(tuple(row[number] for number in range(len(probings))) for row in rows)


def _change(circuit: Circuit, faults: Sequence[tuple[Fault, float | None]]) -> Change:
    return combine(
        [
            change_of(
                circuit,
                fault.part,
                fault.mode,
                median_ohms(circuit.parts[fault.part], fault.mode) if ohms is None else ohms,
            )
            for fault, ohms in faults
        ]
    )
