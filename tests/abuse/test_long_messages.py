"""However much is wrong with a file, the message can be read."""

from __future__ import annotations

import pytest

from bridge.errors import InputError, InputErrors


@pytest.mark.parametrize(
    ("count", "length", "told"), [(1, 5000, 1), (3, 20, 3), (10, 50, 10), (300, 50, 10), (9, 900, 2)]
)
def test_many_problems_are_counted(count: int, length: int, told: int) -> None:
    """The first problems are told, as many as fit two thousand signs and ten at most; the rest is counted."""
    errors = [InputError(f"{'x' * length}{number}", where=f"part {number}") for number in range(count)]
    message = str(InputErrors(errors))
    assert [f"part {number}:" in message for number in range(count)] == [number < told for number in range(count)]
    assert message.endswith(f"; {count - told} more problems") == (count > told)
    assert len(InputErrors(errors).errors) == count


def test_what_was_said_is_not_said_again() -> None:
    """One slip at six places lists what is accepted once, and still names every place."""
    errors = [
        InputError("found 'screw'; accepted is 'terminal', 'pad' or 'pin'", where=f"b.toml, line {line}")
        for line in range(1, 7)
    ]
    message = str(InputErrors(errors))
    assert message.count("accepted is") == 1
    assert [message.count(f"b.toml, line {line}:") for line in range(1, 7)] == [1] * 6
