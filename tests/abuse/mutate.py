"""Damage done to a text: what editors, spreadsheets, disks, strangers and slips of the finger do."""

from __future__ import annotations

import codecs
import random
import re
from collections.abc import Callable, Sequence

__all__ = ["ODD_NUMBERS", "ODD_WORDS", "mutated", "mutated_word"]

ODD_NUMBERS = (
    "0", "-0", "-1", "1e-30", "1e-6", "1e3", "1e12", "1e300", "1e400", "-1e400", "nan", "inf", "-inf", "0x10", "1_000",
    "0.1e", "9" * 30, "9" * 5000, "1e-400", "0,412", "true", "0.0.1", "1979-05-27", "07:32:00", "4k7", "0R1", "--5",
    "\N{ARABIC-INDIC DIGIT ONE}", "\N{SUPERSCRIPT TWO}", "\N{MINUS SIGN}4", "5e-324", "1.7976931348623157e308",
)  # fmt: skip
ODD_WORDS = (
    "", " ", "\t", '"', "'", '"""', "'''", "=", "[", "]", "[[", "]]", "{", "}", "{}", "[]", "#", ",", ";", "\\",
    "\\u0000", "\\ud800", "\0", "\x1b[31m", "\x7f", "\u2028", "\u202e", "\ufeff", "\ufffd", "\N{PILE OF POO}",
    "e\u0301",
    "null", "None", "true", "false", "OL", "-OL", "beep", "climbing", "0.41 climbing", "../../x", "../../etc/passwd",
    "%s%n", "{0}", "{{ 7 * 7 }}", "<script>alert(1)</script>", "&amp;", "'; DROP TABLE", "A" * 10_000, "P", "N", "U",
    "G_UL", "Q_UL", "Q_UL.collector", "PART.pin", ".", "..", "name", "ref", "kind", "pins", "diode", "igbt", "UH@12",
    "UH@1e9", "ohms:2k", "motor", "discharged", "red", "reading",
)  # fmt: skip
NUMBER = re.compile(r"[-+]?\d[\d_.]*(?:[eE][-+]?\d+)?")
WORD = re.compile(r"[A-Za-z_][\w-]*")

Damage = Callable[[random.Random, str], str]


def _place(rng: random.Random, text: str) -> int:
    return rng.randint(0, len(text))


def _span(rng: random.Random, text: str, longest: int = 40) -> tuple[int, int]:
    start = _place(rng, text)
    return start, min(len(text), start + rng.randint(1, longest))


def _cut(rng: random.Random, text: str) -> str:
    start, end = _span(rng, text)
    return text[:start] + text[end:]


def _double(rng: random.Random, text: str) -> str:
    start, end = _span(rng, text)
    return text[:end] + text[start:end] * rng.choice((1, 1, 1, 50)) + text[end:]


def _move(rng: random.Random, text: str) -> str:
    start, end = _span(rng, text)
    rest = text[:start] + text[end:]
    place = _place(rng, rest)
    return rest[:place] + text[start:end] + rest[place:]


def _insert(rng: random.Random, text: str) -> str:
    place = _place(rng, text)
    return text[:place] + rng.choice(ODD_WORDS + ODD_NUMBERS) + text[place:]


def _character(rng: random.Random, text: str) -> str:
    place = _place(rng, text)
    return text[:place] + chr(rng.choice((rng.randint(0, 127), rng.randint(128, 0xD7FF)))) + text[place + 1 :]


def _exchange(pattern: re.Pattern[str], others: Sequence[str]) -> Damage:
    def exchange(rng: random.Random, text: str) -> str:
        found = list(pattern.finditer(text))
        if not found:
            return _insert(rng, text)
        one = rng.choice(found)
        # as often another word of the same file as an odd one
        new = rng.choice(others) if rng.random() < 0.6 else rng.choice(found).group()
        return text[: one.start()] + new + text[one.end() :]

    return exchange


def _lines(rng: random.Random, text: str) -> str:
    lines = text.split("\n")
    one, other = rng.randrange(len(lines)), rng.randrange(len(lines))
    deed = rng.randrange(4)
    if deed == 0:
        del lines[one]
    elif deed == 1:
        lines.insert(other, lines[one])
    elif deed == 2:
        lines[one], lines[other] = lines[other], lines[one]
    else:
        lines[one] = lines[one].swapcase()
    return "\n".join(lines)


def _shorten(rng: random.Random, text: str) -> str:
    return text[: _place(rng, text)]


def _nest(rng: random.Random, text: str) -> str:
    place, depth = _place(rng, text), rng.choice((3, 200, 20_000))
    return text[:place] + rng.choice(("[", "{a=", '{"a":', "(")) * depth + text[place:]


DEEDS: tuple[tuple[Damage, int], ...] = (
    (_cut, 4), (_double, 3), (_move, 2), (_insert, 6), (_character, 6), (_exchange(NUMBER, ODD_NUMBERS), 8),
    (_exchange(WORD, ODD_WORDS), 8), (_lines, 6), (_shorten, 2), (_nest, 1),
)  # fmt: skip


def _bytes_of(rng: random.Random, text: str) -> bytes:
    """Return a text as bytes, now and then with another encoding, other line ends or a broken byte."""
    data = text.encode("utf-8", errors="surrogatepass")
    chance = rng.random()
    if chance < 0.80:
        return data
    if chance < 0.84:
        return data.replace(b"\n", b"\r\n")
    if chance < 0.87:
        return data.replace(b"\n", b"\r")
    if chance < 0.90:
        return codecs.BOM_UTF8 + data
    if chance < 0.92:
        return text.encode("utf-16", errors="surrogatepass")
    if chance < 0.93:
        return text.encode("utf-16-le", errors="surrogatepass")
    if chance < 0.94:
        return text.encode("latin-1", errors="replace")
    broken = bytearray(data or b"\0")
    for _ in range(rng.randint(1, 4)):
        broken[rng.randrange(len(broken))] = rng.randrange(256)
    return bytes(broken)


def mutated(rng: random.Random, text: str) -> bytes:
    """Return a text after one to four deeds, as bytes."""
    deeds, weights = zip(*DEEDS, strict=True)
    for deed in rng.choices(deeds, weights, k=rng.choice((1, 1, 1, 2, 2, 4))):
        text = deed(rng, text)
    return _bytes_of(rng, text)


def mutated_word(rng: random.Random, word: str) -> str:
    """Return a word of a command line after one deed; never one that leads out of the present folder."""
    deeds, weights = zip(*DEEDS[:-1], strict=True)
    (deed,) = rng.choices(deeds, weights)
    return str(deed(rng, word)).replace("/", "_").replace("\0", "")
