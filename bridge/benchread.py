"""Readings from what was typed at the bench: with their places, or for what is open or proposed."""

from __future__ import annotations

from dataclasses import dataclass

from bridge.benchcheck import count_refused
from bridge.benchexamples import examples_of
from bridge.benchline import Row, Values, usual_mode
from bridge.benchopen import Open, ValueRefused
from bridge.benchsetup import refuse_charge
from bridge.board import Board
from bridge.errors import InputError
from bridge.likeplaces import like_readings
from bridge.meterprofile import MeterProfile
from bridge.placement import parse_probing, placement_fields
from bridge.probing import Probing, Setup
from bridge.readings import Reading, parse_reading

__all__ = ["LineReader"]


@dataclass(frozen=True, slots=True)
class LineReader:
    """What a line is read by.

    Parameters
    ----------
    board, meter, setup
        The bench.
    discharged : bool
        Whether the bus is discharged before every reading.
    proposed : Probing or None
        The proposed reading.
    """

    board: Board
    meter: MeterProfile
    setup: Setup
    discharged: bool
    proposed: Probing | None

    def read_row(self, row: Row) -> Reading:
        """Return a reading typed with its places, in the proposed or the usual mode where none was typed.

        Parameters
        ----------
        row : Row
            What was typed.

        Raises
        ------
        InputError
            What the board or the meter does not have; `ValueRefused` where only the value will not do.
        Charged
            A dangerous voltage.
        """
        fields = dict(row.fields)
        placed = parse_probing(fields["red"], fields["black"], "diode", "", "", self.board, self.meter)
        if not fields["mode"]:
            proposed = self.proposed
            same = proposed is not None and (proposed.red, proposed.black) == (placed.red, placed.black)
            if same and proposed is not None and not fields["hold"] and not fields["lift"]:
                fields |= {"mode": proposed.mode_text, "hold": proposed.hold_text, "lift": proposed.lift_text}
            else:
                fields["mode"] = usual_mode(self.board, placed.red, placed.black)
        return self._reading(fields, row.discharged)

    def read_values(self, values: Values, still_open: Open) -> list[Reading]:
        """Return readings typed without their places.

        Parameters
        ----------
        values : Values
            What was typed.
        still_open : Open
            What was asked about or refused before; a single value goes there, else to the proposed place.

        Raises
        ------
        InputError
            No place for them, or not as many as there are places; `ValueRefused` where a value will not do.
        Charged
            A dangerous voltage.
        """
        count, places = len(values.texts), still_open.places
        if count == 1 and len(places) == 1:
            return [self._reading(_fields(places[0], values.texts[0]), values.discharged)]
        if count == 1 and places:
            raise InputError(
                f"one value, but {len(places)} were asked about; accepted: all {len(places)}, or one with its places"
            )
        if self.proposed is None:
            raise InputError(f"no reading is proposed; type the places as well: {examples_of(self.board).row}")
        if count == 1:
            return [self._reading(_fields(self.proposed, values.texts[0]), values.discharged)]
        like = like_readings(self.board, self.proposed)
        if len(like) != count:
            raise InputError(count_refused(count, self.proposed, like))
        typed = list(zip(like, values.texts, strict=True))
        try:
            return [self._reading(_fields(one, text), values.discharged) for one, text in typed]
        except ValueRefused as refused:  # one of them: none is taken
            raise ValueRefused(refused, typed) from None

    def _reading(self, fields: dict[str, str], discharged: bool) -> Reading:
        board, meter = self.board, self.meter
        probing = parse_probing(
            fields["red"], fields["black"], fields["mode"], fields["hold"], fields["lift"], board, meter
        )
        try:
            reading = parse_reading(fields, board, meter, self.setup, discharged=discharged or self.discharged)
            if probing.mode == "volts" and reading.value is not None and not probing.hold:
                refuse_charge(reading.value)  # no evidence of a fault, but of a board that is not safe
        except InputError as error:
            raise ValueRefused(error, [(probing, fields["reading"])]) from None
        return reading


def _fields(probing: Probing, text: str) -> dict[str, str]:
    return placement_fields(probing) | {"reading": text}
