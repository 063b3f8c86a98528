"""What was typed at the bench and is not taken yet: readings that are asked about, values that were refused."""

from __future__ import annotations

import dataclasses
from collections.abc import Collection, Sequence
from dataclasses import dataclass

from bridge.benchcheck import place_words
from bridge.benchpage import reading_words
from bridge.errors import InputError
from bridge.penslips import as_meant
from bridge.probing import Probing
from bridge.readings import Reading

__all__ = ["Open", "ValueRefused"]


@dataclass(frozen=True, slots=True)
class Open:
    """What is open: readings that were asked about, or the places of values that were refused; or neither.

    Parameters
    ----------
    readings : tuple of Reading
        Those asked about.
    slips : tuple of (str or None)
        What was asked about each of them as a slip of the pen.
    refused : tuple of (Probing, str)
        Places whose values were refused, and what was typed there.
    """

    readings: tuple[Reading, ...] = ()
    slips: tuple[str | None, ...] = ()
    refused: tuple[tuple[Probing, str], ...] = ()

    def __bool__(self) -> bool:
        """Whether anything is open."""
        return bool(self.readings or self.refused)

    @property
    def places(self) -> tuple[Probing, ...]:
        """Where values are still wanted."""
        return (*(one.probing for one in self.readings), *(probing for probing, _ in self.refused))

    @property
    def confirmed(self) -> list[Reading]:
        """What was asked about and is right, a number in question written so that no command asks again."""
        return [
            one if words is None else dataclasses.replace(one, text=as_meant(one))
            for one, words in zip(self.readings, self.slips, strict=True)
        ]

    def next_value_words(self) -> str:
        """Return what a value typed without its place is taken for."""
        places = self.places
        if len(places) > 1:
            return f"Type all {len(places)} again, or one with its places."
        return f"The next value typed without places is taken for {place_words(places[0])}."

    def still_words(self) -> str:
        """Return what is still open, and what may be typed."""
        if not self.readings:
            return f"Nothing is taken yet. {self.next_value_words()}"
        asked = "; ".join(map(reading_words, self.readings))
        return f"Not taken yet: {asked}. Type yes to take it as it is. {self.next_value_words()}"

    def dropped_words(self, instead: Collection[Probing]) -> str:
        """Return what is open no longer and has no other reading of its place instead; empty for nothing.

        Parameters
        ----------
        instead : collection of Probing
            Places of the readings typed now; leads may be exchanged.
        """
        again = [{one.red, one.black} for one in instead]
        written = [(one.probing, reading_words(one)) for one in self.readings]
        written += [(probing, f"{place_words(probing)}: {text}") for probing, text in self.refused]
        dropped = [words for probing, words in written if {probing.red, probing.black} not in again]
        return f"Not taken: {'; '.join(dropped)}." if dropped else ""


class ValueRefused(InputError):
    """A value that its meter cannot have shown, at places that are there: the next one may be typed alone.

    Parameters
    ----------
    error : InputError
        Why.
    refused : sequence of (Probing, str)
        The places, and what was typed there.
    """

    def __init__(self, error: InputError, refused: Sequence[tuple[Probing, str]]) -> None:
        super().__init__(error.problem, where=error.where)
        self.open = Open(refused=tuple(refused))
