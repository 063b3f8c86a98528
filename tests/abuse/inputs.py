"""Kinds of input: what a sound one looks like, and on which command lines it goes.

A sound file costs a second of ranking, a refused one a millisecond. So most trials end their command line with a file
that is not there: a refusal that names that file instead says that everything before it was accepted. Of those, a few
are run to their answer.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cache

from bridge.journal import doubt_line, head_line, reading_line, setup_line, skip_line, undo_line
from bridge.meter import METERS_FOLDER
from bridge.partkinds import PART_KINDS
from bridge.probing import Probing, Setup
from tests.abuse.mutate import ODD_NUMBERS, ODD_WORDS, mutated, mutated_word
from tests.conftest import ROOT
from tests.crosscheck.randomboards import draw_board

__all__ = ["KINDS", "LEG", "LOOSE", "POWER", "SHEET", "SPARES", "Kind", "Rubbish", "journal_text"]

MISSING = "not-there.csv"
ARGUMENT_OF_PATH = ("-o", "--output", "--picture", "--html", "--file")


@dataclass(frozen=True)
class Rubbish:
    """One trial: files, and what is typed.

    Parameters
    ----------
    files : tuple of (str, bytes)
        Name and content of each file.
    arguments : tuple of str
        What is typed.
    must_name : str
        The file that a refusal has to name; empty where the rubbish is on the command line.
    full : tuple of tuple of str
        Command lines that take the same files to an answer.
    """

    files: tuple[tuple[str, bytes], ...]
    arguments: tuple[str, ...]
    must_name: str = ""
    full: tuple[tuple[str, ...], ...] = ()


LEG = (
    'name = "leg"\ntitle = "One leg"\nabout = "Two IGBTs with gate leads."\n'
    + "".join(
        f'[[terminal]]\nname = "{name}"\nwhat = "terminal {name}"\naccess = "terminal"\n' for name in ("P", "N", "U")
    )
    + '[[use]]\nblock = "bare-igbt-leg"\nleg = "U"\nplus = "P"\nminus = "N"\n'
    '[[part]]\nref = "C_BUS"\nkind = "capacitor"\npins = { a = "P", b = "N" }\nfarads = 470e-6\nbus_share = 1.0\n'
    'role = "bus capacitor"\n'
    '[[part]]\nref = "R_BLEED"\nkind = "resistor"\npins = { a = "P", b = "N" }\nohms = 100e3\ntolerance = 0.05\n'
)
"""A small board, on which a ranking takes a third of a second."""

EVERY_KIND = 'name = "all"\ntitle = "One of each"\n' + "".join(
    f'[[terminal]]\nname = "{name}"\naccess = "pad"\n' for name in ("A", "B", "C")
)
_USUAL = {"gate_threshold": 4.0, "drop_1ma": 0.6, "ohms": 100.0, "farads": 1e-4}


def _part(kind: str, ref: str, nets: Sequence[str], values: dict[str, str]) -> str:
    pins = ", ".join(f'{pin} = "{net}"' for pin, net in zip(PART_KINDS[kind].pins, nets, strict=False))
    lines = [f"{name} = {value}" for name, value in values.items()]
    return "\n".join(["[[part]]", f'ref = "{ref}"', f'kind = "{kind}"', f"pins = {{ {pins} }}", *lines, ""])


EVERY_KIND += "".join(
    _part(name, f"X_{name}", "ABC", {key: repr(_USUAL[key]) for key, one in kind.values.items() if one.default is None})
    for name, kind in PART_KINDS.items()
)

SHEET = (
    "red,black,mode,reading,hold,lift,connected,note\nU,P,diode,0.415,,,,\nP,U,diode,climbing to OL,,,,\n"
    'N,U,diode,0.002,,,,dead short?\nU,N,diode,"0,412",,,,discharged\nG_UL,E_UL,ohms,OL,,,,\n'
    "G_UL,E_UL,ohms:20k,4k7,,,,\n"
    "U,N,diode,OL,UL@12/100,,,\nP,N,continuity,beep,,R_BLEED.a,,\nP,N,volts,0.02,,,mains,\n"
)
POWER = "red,black,volts,note\nU,N,11.9,\nP,N,24.0,\nG_UL,E_UL,0.01,ok\n"
LAMP = (
    "button,lamp,switch,gate,connection\nreleased,off,,0.0,right\npressed,on,0.9,10.9,right\nafter,dim,,0.1,reversed\n"
)
LOOSE = "step,reading,note\nge,OL,\neg,OL,\nce,OL,\nec,0.42,\ncharged,OL,no\n"
SPARES = "part,ge,eg,ce,ec,charged\na1,OL,OL,OL,0.42,OL\na2,OL,OL,OL,0.421,0.7\na3,OL,OL,0.002,0.002,OL\n"


def journal_text() -> str:
    """Return a sound journal with a line of every kind."""
    diode = Probing("U", "P")
    return "".join(
        [
            head_line("leg", "handheld", Setup(), seen=("dead",), bench={"discharged": True, "effort": "lift"}),
            reading_line(diode, "0.415"),
            reading_line(Probing("P", "U"), "climbing to OL", note="slow", discharged=True),
            doubt_line(1),
            skip_line(Probing("P", "N")),
            setup_line(Setup(dwell_s=1.0)),
            reading_line(Probing("N", "U"), "0.002"),
            undo_line(),
            reading_line(Probing("N", "U"), "0.41"),
        ]
    )


def random_board(rng: random.Random) -> str:
    """Return a board file from a grammar: now sound, now not, values from all over their ranges and beyond."""
    if rng.random() < 0.3:
        board = draw_board(rng.randrange(2**30))
        head = 'name = "drawn"\ntitle = "Drawn"\n'
        return (
            head
            + "".join(f'[[terminal]]\nname = "{net}"\naccess = "pad"\n' for net in board.nets)
            + "".join(board.parts)
        )
    nets = [f"N{number}" for number in range(rng.randint(1, 6))]
    lines = ['name = "drawn"\ntitle = "Drawn"\n']
    for net in nets[: rng.randint(1, 6)]:
        access = rng.choice(("terminal", "pad", "pin", "pin", rng.choice(ODD_WORDS[:20]).replace('"', "")))
        lines.append(f"[[terminal]]\nname = {net!r}\naccess = '{access if rng.random() < 0.1 else 'pad'}'\n")
    for number in range(rng.randint(0, 12)):
        name = rng.choice(list(PART_KINDS))
        kind = PART_KINDS[name]
        values = {}
        for key, spec in kind.values.items():
            if spec.default is not None and rng.random() < 0.5:
                continue
            edge = rng.choice((spec.low, spec.high, 0.0, spec.low / 10.0, spec.high * 10.0))
            inside = spec.low * (spec.high / spec.low) ** rng.random() if spec.low > 0.0 else spec.high * rng.random()
            chance = rng.random()
            values[key] = rng.choice(ODD_NUMBERS) if chance < 0.02 else repr(edge if chance < 0.06 else inside)
        if rng.random() < 0.2:
            extras = (("tolerance", "0.2"), ("faultable", "false"), ("package", "'M'"), ("position", "'UH'"))
            values.update([rng.choice((*extras, ("when", "'motor'"), ("bus_share", "1.0"), ("batch", "'b'")))])
        lines.append(_part(name, f"X_{number}", rng.choices(nets, k=len(kind.pins)), values))
    return "".join(lines)


def random_sheet(rng: random.Random) -> str:
    """Return a readings sheet from a grammar: most rows sound, values from all over."""
    mains, gates = ("P", "N", "U", "p", "Q_UL.collector"), (("G_UL", "E_UL"), ("G_UH", "E_UH"))
    values = {
        "diode": ("OL", "0.4", "412m", "climbing", "falling", "climbing to OL", "0.41 climbing", "-0.4", "-OL", "0"),
        "ohms": ("OL", "4k7", "0R1", "2M2", "1e9", "0", "climbing", "10.2k"),
        "continuity": ("beep", "chirp", "OL"),
        "volts": ("0", "0.2", "-12"),
    }
    rows = []
    for _ in range(rng.randint(0, 12)):
        mode = rng.choice(("diode", "diode", "diode", "ohms", "ohms", "continuity", "volts"))
        red, black = rng.choice(gates) if rng.random() < 0.3 else rng.sample(mains, 2)
        cells = [red, black, mode, rng.choice(values[mode]), rng.choice(("", "", "UL@12", "UH@0", "UL@12/100 UH@0"))]
        if rng.random() < 0.04:
            cells[rng.randrange(5)] = rng.choice((*ODD_NUMBERS[:20], *ODD_WORDS[:30], "ohms:2k", "X", "ZZ@9"))
        rows.append(",".join(cells))
    text = "\n".join(["red,black,mode,reading,hold", *rows, ""])
    return text.replace(",", rng.choice((",", ",", ";", "\t")))


def _of_file(
    name: str,
    texts: Callable[[], Sequence[str]],
    lines: Sequence[Sequence[str]],
    *full: Sequence[str],
    board: bool = True,
) -> Callable[[random.Random], Rubbish]:
    """Return what makes a trial of a mutated file; ``{}`` in a command line is the file."""

    def make(rng: random.Random) -> Rubbish:
        data = mutated(rng, rng.choice(texts()))
        files = ((name, data), *((("leg.toml", LEG.encode()),) if board else ()))
        typed = tuple(word.replace("{}", name) for word in rng.choice(lines))
        return Rubbish(files, typed, name, tuple(tuple(word.replace("{}", name) for word in one) for one in full))

    return make


def _drawn_board(rng: random.Random) -> Rubbish:
    return Rubbish(
        (("drawn.toml", random_board(rng).encode()),),
        ("show", "./drawn.toml", "--faults"),
        "drawn.toml",
        (
            ("predict", "./drawn.toml"),
            ("show", "./drawn.toml", "--picture", "board.svg"),
            ("sheet", "./drawn.toml", "--html", "sheet.html"),
        ),
    )


def _drawn_sheet(rng: random.Random) -> Rubbish:
    typed = ("rank", "./leg.toml", "drawn.csv")
    files = (("drawn.csv", random_sheet(rng).encode()), ("leg.toml", LEG.encode()))
    return Rubbish(files, (*typed, "--reference", MISSING), "drawn.csv", (typed, ("next", "./leg.toml", "drawn.csv")))


@cache
def _boards() -> tuple[str, ...]:
    names = ("six-switch-bridge", "single-switch-cooktop", "full-bridge-welder")
    return (
        LEG,
        LEG,
        EVERY_KIND,
        EVERY_KIND,
        *((ROOT / f"topologies/{name}.toml").read_text("utf-8") for name in names),
    )


@cache
def _meters() -> tuple[str, ...]:
    return tuple(path.read_text(encoding="utf-8") for path in sorted(METERS_FOLDER.glob("*.toml")))


@cache
def _parts() -> tuple[str, ...]:
    folder = ROOT / "bridge" / "data" / "parts"
    return tuple(path.read_text(encoding="utf-8") for path in sorted(folder.glob("*.toml")))


@cache
def _sample(name: str) -> str:
    return (ROOT / "tests" / "abuse" / "samples" / name).read_text(encoding="utf-8")


ANSWERS = "who,puzzle,answer,effort\nAnn,6,Q_UL:ce-short,12\nBob,6,nothing,9\nCy,6,D_UL,\nDi,6,leads-swapped,4\n"


def _key(rng: random.Random) -> Rubbish:
    files = (("key.json", mutated(rng, _sample("key.json"))), ("a.csv", ANSWERS.encode()))
    return Rubbish(
        files, ("puzzle", "mark", "key.json", MISSING), "key.json", (("puzzle", "mark", "key.json", "a.csv"),)
    )


def _answers(rng: random.Random) -> Rubbish:
    files = (("key.json", _sample("key.json").encode()), ("a.csv", mutated(rng, ANSWERS)))
    return Rubbish(files, ("puzzle", "mark", "key.json", "a.csv"), "a.csv")


def _puzzle(rng: random.Random) -> Rubbish:
    files = (("puzzle.json", mutated(rng, _sample("puzzle.json"))), ("key.json", _sample("key.json").encode()))
    typed = ("puzzle", "play", "puzzle.json", "--file", "p.jsonl")
    return Rubbish(files, typed, "puzzle.json", ((*typed, "--key", "key.json"),))


COMMANDS = ("boards", "show", "sheet", "cover", "predict", "rank", "next", "report", "rig", "power-up", "bench")
OPTIONS: tuple[tuple[str, ...], ...] = (
    ("--json",), ("--meter", "handheld"), ("--meter", "pocket"), ("--meter", "x.toml"), ("--connected", "motor"),
    ("--connected", "mains"), ("--lifted", "R_BLEED.a"), ("--relay", "closed"), ("--bus-volts", "12"), ("--unplugged",),
    ("--dwell", "1"), ("--temperature", "25"), ("--top", "3"), ("--seen", "dead"), ("--seen", "Q_UL cracked"),
    ("--reference", "sheet.csv"), ("--fault", "Q_UL:ce-short"), ("--fault", "Q_UL:ce-short:1"), ("--at", "U,N,diode"),
    ("--at", "G_UL,E_UL,ohms:2k,UL@12"), ("--readings", "sheet.csv"), ("--picture", "p.svg"), ("-o", "r.html"),
    ("--html", "s.html"), ("--csv",), ("--short",), ("--expected",), ("--faults",), ("--all",), ("--supply", "12"),
    ("--lamp", "12x5"), ("--series", "1k"), ("--pull-down", "10k"), ("--part", "mosfet-200v-15a"), ("--loose",),
    ("--spares", "spares.csv"), ("--limit", "0.1"), ("--file", "b.jsonl"), ("--certain", "0.9"), ("--reach", "gates"),
    ("--discharged",), ("--help",), ("--version",),
)  # fmt: skip


def _command_line(rng: random.Random) -> Rubbish:
    """Return a command line of words that are right, right elsewhere, and wrong."""
    words = [rng.choice(COMMANDS)]
    if rng.random() < 0.8:
        words.append("./leg.toml")
    if rng.random() < 0.4:
        words.append("sheet.csv")
    for option in rng.choices(OPTIONS, k=rng.randint(0, 4)):
        words += option
    for _ in range(rng.choice((0, 1, 1, 1, 2, 3))):
        place = rng.randrange(len(words))
        chance = rng.random()
        if chance < 0.6:
            words[place] = mutated_word(rng, words[place])
        elif chance < 0.75:
            words[place] = rng.choice(ODD_WORDS + ODD_NUMBERS).replace("/", "_").replace("\0", "")
        elif chance < 0.9:
            del words[place]
        else:
            words.insert(place, rng.choice(rng.choice(OPTIONS)))
        if not words:
            words = [rng.choice(COMMANDS)]
    files = (("leg.toml", LEG.encode()), ("sheet.csv", SHEET.encode()), ("spares.csv", SPARES.encode()))
    return Rubbish(files, tuple(words))


@dataclass(frozen=True)
class Kind:
    """A kind of input.

    Parameters
    ----------
    name : str
        What it is.
    weight : int
        Its share of the trials, in parts of all weights; what costs a whole answer each time has a small one.
    make : callable
        Returns one trial.
    """

    name: str
    weight: int
    make: Callable[[random.Random], Rubbish]


_RANK = ("rank", "./leg.toml", "{}")
KINDS: tuple[Kind, ...] = (
    Kind("board", 100, _of_file(
        "odd.toml", _boards, [("show", "./{}")], ("predict", "./{}"), ("show", "./{}", "--picture", "p.svg"),
        ("sheet", "./{}", "--csv"), board=False)),
    Kind("drawn board", 30, _drawn_board),
    Kind("readings", 100, _of_file(
        "odd.csv", lambda: (SHEET,), [(*_RANK, "--reference", MISSING), ("predict", "./leg.toml", "--readings", "{}",
        "--fault", "Q_UL:nothing")], _RANK, ("report", "./leg.toml", "{}", "-o", "r.html"),
        ("next", "./leg.toml", "{}"))),
    Kind("drawn readings", 40, _drawn_sheet),
    Kind("journal", 70, _of_file(
        "odd.jsonl", lambda: (journal_text(),), [(*_RANK, "--reference", MISSING)], _RANK,
        ("bench", "./leg.toml", "--file", "{}"))),
    Kind("meter", 70, _of_file(
        "odd.toml", _meters, [("predict", "./leg.toml", "--meter", "./{}", "--fault", "Q_UL:nothing")],
        ("predict", "./leg.toml", "--meter", "./{}", "--at", "U,P,diode", "--at", "G_UL,E_UL,ohms"),
        ("rig", "--loose", "--meter", "./{}"))),
    Kind("part", 30, _of_file(
        "odd.toml", _parts, [("rig", "--part", "./{}", "--loose", "--readings", MISSING)], ("rig", "--part", "./{}"),
        board=False)),
    Kind("first power", 4, _of_file(
        "odd.csv", lambda: (POWER,), [("power-up", "./leg.toml", "--readings", "{}")])),
    Kind("lamp", 1, _of_file("odd.csv", lambda: (LAMP,), [("rig", "--readings", "{}")], board=False)),
    Kind("loose", 2, _of_file("odd.csv", lambda: (LOOSE,), [("rig", "--loose", "--readings", "{}")], board=False)),
    Kind("spares", 2, _of_file("odd.csv", lambda: (SPARES,), [("rig", "--spares", "{}")], board=False)),
    Kind("command line", 35, _command_line),
    Kind("puzzle", 10, _puzzle),
    Kind("key", 25, _key),
    Kind("answers", 20, _answers),
)  # fmt: skip
