"""Answers for programs: plain mappings that JSON can hold, never with NaN or infinity in them."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from bridge.candidatewords import faults_payload
from bridge.faults import describe_fault
from bridge.groupwords import group_words
from bridge.placement import placement_fields

if TYPE_CHECKING:
    from bridge.advise import NextReading
    from bridge.board import Board, Part
    from bridge.forecast import Forecast
    from bridge.meter import MeterProfile
    from bridge.rank import Candidate, Group, Ranking
    from bridge.readings import Reading

__all__ = ["advice_payload", "boards_payload", "forecasts_payload", "json_text", "ranking_payload", "show_payload"]

Payload = dict[str, Any]


def json_text(payload: Mapping[str, Any]) -> str:
    r"""Return a payload as one line of JSON, plain ASCII, with null in place of what is no number.

    Parameters
    ----------
    payload : mapping
        Texts, numbers, lists and mappings.

    Examples
    --------
    >>> json_text({"value": float("inf")})
    '{"value": null}\n'
    """
    return json.dumps(_finite(payload), allow_nan=False) + "\n"


def _finite(value: Any) -> Any:
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, Mapping):
        return {str(key): _finite(item) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [_finite(item) for item in value]
    if isinstance(value, (str, int)) or value is None:
        return value
    return _finite(value.item())  # a numpy number


def boards_payload(boards: Sequence[Board], meters: Sequence[MeterProfile]) -> Payload:
    """Return the shipped boards and meters.

    Parameters
    ----------
    boards : sequence of Board
        The boards.
    meters : sequence of MeterProfile
        The meters.
    """
    return {
        "boards": [
            {
                "name": board.name,
                "title": board.title,
                "parts": len(board.parts),
                "terminals": len(board.terminals),
            }
            for board in boards
        ],
        "meters": [{"name": meter.name, "title": meter.title} for meter in meters],
    }


def show_payload(
    board: Board,
    meter: MeterProfile,
    oddities: Sequence[str],
    *,
    with_faults: bool = False,
) -> Payload:
    """Return everything a board file says, complete with its defaults.

    Parameters
    ----------
    board : Board
        The board.
    meter : MeterProfile
        The meter it would be read with.
    oddities : sequence of str
        What looks like a slip in the board file.
    with_faults : bool
        Whether every fault mode is there too, in words.
    """
    return {
        "board": board.name,
        "title": board.title,
        "about": board.about,
        "terminals": [
            {"name": terminal.name, "net": terminal.net, "what": terminal.what, "access": terminal.access}
            for terminal in board.terminals.values()
        ],
        "parts": [_part(part, with_faults) for part in board.parts.values()],
        "oddities": list(oddities),
        "meter": meter.to_mapping(),
    }


def _part(part: Part, with_faults: bool) -> Payload:
    entry: Payload = {
        "ref": part.ref,
        "kind": part.kind,
        "pins": dict(part.pins),
        "values": dict(part.values),
        "modes": list(part.modes),
        "package": part.package,
        "role": part.role,
        "when": part.when,
    }
    if with_faults:
        entry["faults"] = [_fault(part, mode) for mode in part.modes]
    return entry


def _fault(part: Part, mode: str) -> Payload:
    wording = describe_fault(part, mode)
    return {"fault": f"{part.ref}:{mode}", "phrase": wording.phrase, "what": wording.what}


def _forecast(forecast: Forecast) -> Payload:
    entry: Payload = {
        **placement_fields(forecast.probing),
        "value": forecast.value,
        "unit": forecast.unit,
        "state": forecast.state,
        "start": forecast.start,
        "end": forecast.end,
    }
    if forecast.error is not None:
        # with a state, it is a remark on a sound answer
        entry["error" if forecast.state is None else "note"] = forecast.error
    return entry


def forecasts_payload(forecasts: Sequence[Forecast]) -> Payload:
    """Return predicted readings.

    Parameters
    ----------
    forecasts : sequence of Forecast
        The predictions, in the order they were asked for.
    """
    return {"readings": [_forecast(forecast) for forecast in forecasts]}


def _reading(reading: Reading) -> Payload:
    return {
        "line": reading.line,
        **placement_fields(reading.probing),
        "text": reading.text,
        "value": reading.value,
        "unit": reading.unit or None,
        "state": reading.state,
    }


def _candidate(candidate: Candidate, predicted: Sequence[Forecast]) -> Payload:
    return {
        "faults": faults_payload(candidate),
        "probability": candidate.probability,
        "group": candidate.group,
        "predicted": [_forecast(forecast) for forecast in predicted],
    }


def _group(ranking: Ranking, group: Group, listed: int) -> Payload:
    return {
        "id": group.id,
        "probability": group.probability,
        "size": group.size,
        "separable_in_place": ranking.separable_in_place(group),
        "members": [member for member in group.members if member < listed],
        "replace": list(group.replace),
        "words": group_words(ranking, group),
    }


def advice_payload(advice: Sequence[NextReading]) -> Payload:
    """Return the readings worth taking, best first.

    Parameters
    ----------
    advice : sequence of NextReading
        Readings worth taking.
    """
    return {
        "readings": [
            {
                **placement_fields(reading.probing),
                "gain_bits": reading.gain_bits,
                "cost": reading.cost,
                "expect": [
                    {"reading": outcome.reading, "probability": outcome.probability, "means": outcome.means}
                    for outcome in reading.expect
                ],
            }
            for reading in advice
        ]
    }


def ranking_payload(ranking: Ranking, top: int) -> Payload:
    """Return ranked faults.

    Parameters
    ----------
    ranking : Ranking
        The ranking.
    top : int
        How many candidates to list; 0 for all. Probabilities are over the complete space either way.
    """
    listed = ranking.candidates[: top or None]
    predicted = ranking.predictions_of(range(len(listed)))
    return {
        "board": ranking.board.name,
        "readings": [_reading(reading) for reading in ranking.readings],
        "fit": {
            "ok": ranking.fit.ok,
            "worst_reading": ranking.fit.worst_reading,
            "misfit": ranking.fit.misfit,
            "note": ranking.fit.note,
        },
        "candidates": [_candidate(*pair) for pair in zip(listed, predicted, strict=True)],
        "groups": [_group(ranking, group, len(listed)) for group in ranking.groups],
        "parts": [
            {"part": suspect.part, "package": suspect.package, "probability": suspect.probability}
            for suspect in ranking.parts
        ],
        "odd_one_out": [
            {"reading": odd.reading, "fellows": list(odd.fellows), "places": list(odd.places), "words": odd.words}
            for odd in ranking.odd_ones
        ],
        "seen": list(ranking.seen),
        "caution": ranking.caution,
        "setup": [{"what": belief.what, "probability": belief.probability} for belief in ranking.setup],
    }
