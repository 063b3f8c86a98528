"""How messages show what was typed: quoted, made printable, cut short."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

__all__ = ["bare", "joined", "listed", "quoted"]

LONGEST_SHOWN = 60
LONGEST_NAME = 64  # as a board file accepts it


def quoted(text: str) -> str:
    """Return text in quotes, with control characters spelled out and a long one cut short.

    Parameters
    ----------
    text : str
        What a user typed, or a file held.

    Examples
    --------
    >>> quoted("4x7")
    "'4x7'"
    """
    return repr(text if len(text) <= LONGEST_SHOWN else f"{text[:LONGEST_SHOWN]}...")


def bare(text: str) -> str:
    """Return a key or a name as it is where that can be read, else in quotes.

    Parameters
    ----------
    text : str
        What a file held.

    Examples
    --------
    >>> bare("ohms"), bare("")
    ('ohms', "''")
    """
    return text if text.isprintable() and 0 < len(text) <= LONGEST_NAME else quoted(text)


def listed(words: Iterable[str]) -> str:
    """Return words as a list in a sentence; ``none`` for an empty one.

    Parameters
    ----------
    words : iterable of str
        What is accepted, in the order to show it.
    """
    return ", ".join(words) or "none"


def joined(words: Sequence[str], joint: str = "and") -> str:
    """Return words, one at least, as they are said one after the other.

    Parameters
    ----------
    words : sequence of str
        What is said.
    joint : str
        What stands before the last of them.

    Examples
    --------
    >>> joined(["U", "V", "W"]), joined(["U", "V"], "or")
    ('U, V and W', 'U or V')
    """
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} {joint} {words[-1]}"
