"""Lines that messages about a TOML text name, found by a plain search: the key stands there, or a header."""

from __future__ import annotations

import re

__all__ = ["without_lines"]

_NAMED = re.compile(r", line (\d+)((?:, .*?)?)(?=[:;] |$)")


def without_lines(message: str, text: str) -> str:
    """Return a message less the lines it names, having checked that the text holds there what it is about."""
    rows = text.splitlines()
    for number, words in _NAMED.findall(message):
        row = rows[int(number) - 1].strip()
        key = re.search(r"key ([\w-]+)", words)
        assert row.startswith("[") or key is None or re.match(rf'"?{key[1]}"?\s*[.=]', row), (message, row)
        assert key is not None or re.match(r"\[|pins|net|name|block|accuracy", row), (message, row)
    return re.sub(r"(\.toml), line \d+", r"\1", message)
