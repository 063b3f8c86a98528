"""Rankings written by hand: what a report says can be tested without weighing ten thousand faults first."""

from __future__ import annotations

from functools import cache

from bridge.board import Board, load_board
from bridge.faults import parse_fault
from bridge.forecast import default_probings, forecast
from bridge.meter import load_meter
from bridge.probing import Probing, Setup
from bridge.ranking import Candidate, FaultGuess, Fit, Group, PartSuspicion, Ranking, SetupBelief
from bridge.readings import Reading
from bridge.reportpage import make_report, report_html
from bridge.worksheet import rail_probings

SHARES = (0.62, 0.21, 0.08, 0.05, 0.02, 0.013, 0.005, 0.002)


def readings_of(board: Board, fault: str, probings: tuple[Probing, ...]) -> tuple[Reading, ...]:
    """Return what a board with a fault shows, as readings of a sheet."""
    shown = forecast(board, load_meter(), Setup(), probings, [parse_fault(fault, board)])
    return tuple(
        Reading(
            line,
            one.probing,
            "OL" if one.value is None else f"{one.value:.4g}",
            one.value,
            one.unit,
            "OL" if one.value is None else str(one.state),
        )
        for line, one in enumerate(shown, 2)
    )


def ranking_of(
    board: Board, *faults: str, probings: tuple[Probing, ...] | None = None, readings: tuple[Reading, ...] | None = None
) -> Ranking:
    """Return a ranking whose candidates are the given single faults, the first one true."""
    taken = readings or readings_of(board, faults[0], default_probings(board) if probings is None else probings)
    total = sum(SHARES[: len(faults)])
    guesses = [parse_fault(fault, board)[0] for fault in faults]
    candidates = tuple(
        Candidate(
            (FaultGuess(guess.part, guess.mode, 0.31 if guess.mode.endswith("short") else None),), share / total, 0
        )
        for guess, share in zip(guesses, SHARES, strict=False)
    )
    packages = tuple(dict.fromkeys(board.parts[guess.part].package for guess in guesses))
    suspicion: dict[str, float] = {}
    for candidate in candidates:
        part = candidate.faults[0].part
        suspicion[part] = suspicion.get(part, 0.0) + candidate.probability
    return Ranking(
        board=board,
        meter=load_meter(),
        given_setup=Setup(),
        readings=taken,
        fit=Fit(True, None, 0.6, ""),
        candidates=candidates,
        groups=(Group(0, 1.0, len(candidates), tuple(range(len(candidates))), packages),),
        told_apart={0: False},
        parts=tuple(
            PartSuspicion(part, board.parts[part].package, share)
            for part, share in sorted(suspicion.items(), key=lambda entry: -entry[1])
        ),
        setup=(SetupBelief("as-stated", 1.0),),
    )


@cache
def motor_drive() -> Ranking:
    """Return the short sheet of the largest board, with a shorted switch."""
    board = load_board("motor-drive")
    return ranking_of(
        board,
        "Q_VL:ce-short", "D_VL:short", "Q_VL:all-short", "Q_VH:ce-short", "D_VH:short", "R_SH_V:open", "D_DS_VL:short",
        "INS_VL:short",
        probings=rail_probings(board),
    )  # fmt: skip


@cache
def six_switch() -> Ranking:
    """Return a full sheet of the six-switch bridge, with a shorted switch."""
    return ranking_of(load_board("six-switch-bridge"), "Q_UL:ce-short", "D_UL:short", "DRV_UL:low-short")


@cache
def motor_drive_page() -> str:
    """Return the report on the largest board."""
    return report_html(make_report(motor_drive()))


@cache
def six_switch_page() -> str:
    """Return the report on the six-switch bridge."""
    return report_html(make_report(six_switch()))
