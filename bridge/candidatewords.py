"""Hypotheses in words and for programs: what a rig, a loose switch and a board on its first power all say of them."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from bridge.board import Board
from bridge.faults import describe_fault
from bridge.ranking import Candidate
from bridge.units import format_ohms

__all__ = ["candidate_words", "candidates_payload", "faults_payload", "part_in_package"]


def part_in_package(board: Board, part: str) -> str:
    """Return a part as it is named in tables, with the package it is in where that has another name.

    Parameters
    ----------
    board : Board
        The board.
    part : str
        The part.
    """
    package = board.parts[part].package
    return part if package == part else f"{part} (in {package})"


def candidate_words(board: Board, candidate: Candidate) -> str:
    """Return what is wrong under a hypothesis, in one line; ``good`` where nothing is.

    Parameters
    ----------
    board : Board
        The board.
    candidate : Candidate
        The hypothesis.
    """
    words = [
        f"{guess.part} {describe_fault(board.parts[guess.part], guess.mode).phrase}"
        + ("" if guess.ohms is None else f" (about {format_ohms(guess.ohms)})")
        for guess in candidate.faults
    ]
    return "; ".join(words) or "good"


def candidates_payload(candidates: Iterable[Candidate]) -> list[dict[str, Any]]:
    """Return hypotheses and their probabilities for programs.

    Parameters
    ----------
    candidates : iterable of Candidate
        The hypotheses, most probable first.
    """
    return [{"faults": faults_payload(one), "probability": one.probability} for one in candidates]


def faults_payload(candidate: Candidate) -> list[dict[str, Any]]:
    """Return the faults of a hypothesis for programs.

    Parameters
    ----------
    candidate : Candidate
        The hypothesis.
    """
    return [{"part": guess.part, "mode": guess.mode, "ohms": guess.ohms} for guess in candidate.faults]
