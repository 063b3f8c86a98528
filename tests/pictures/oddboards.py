"""Boards nobody ships: what a technician may write down, down to a single resistor."""

from __future__ import annotations

from bridge.board import Board, parse_board


def _terminal(name: str, net: str = "", access: str = "terminal") -> str:
    return f'[[terminal]]\nname = "{name}"\nnet = "{net or name}"\nwhat = "{name}"\naccess = "{access}"\n'


def _part(ref: str, kind: str, pins: str, rest: str = "") -> str:
    return f'[[part]]\nref = "{ref}"\nkind = "{kind}"\npins = {{ {pins} }}\n{rest}\n'


def _board(title: str, *entries: str) -> Board:
    return parse_board("\n".join([f'name = "odd"\ntitle = "{title}"\n', *entries]), "odd.toml")


def _igbt(ref: str, collector: str, emitter: str, gate: str) -> str:
    return _part(
        ref, "igbt", f'collector = "{collector}", emitter = "{emitter}", gate = "{gate}"', "gate_threshold = 5.0"
    )


def _diode(ref: str, anode: str, cathode: str) -> str:
    return _part(ref, "diode", f'anode = "{anode}", cathode = "{cathode}"', "drop_1ma = 0.5")


def _resistor(ref: str, a: str, b: str, ohms: float = 100.0) -> str:
    return _part(ref, "resistor", f'a = "{a}", b = "{b}"', f"ohms = {ohms}")


def odd_boards() -> dict[str, Board]:
    """Return odd boards by what is odd about them."""
    plus_minus = _terminal("P") + _terminal("N")
    return {
        "one resistor": _board("One", _terminal("A"), _terminal("B"), _resistor("R_1", "A", "B")),
        "no plus and no minus": _board(
            "Chopper",
            _terminal("HV"),
            _terminal("OUT"),
            _terminal("GND"),
            _igbt("Q_1", "HV", "OUT", "G1"),
            _igbt("Q_2", "OUT", "GND", "G2"),
            _igbt("Q_3", "HV", "X", "G3"),
            _igbt("Q_4", "X", "GND", "G4"),
            _diode("D_1", "OUT", "HV"),
            _diode("D_2", "GND", "OUT"),
            _resistor("R_G1", "G1", "DRIVE"),
        ),
        "long names": _board(
            "Long",
            plus_minus,
            _terminal("OUTPUT_OF_THE_FIRST_LEG", "MIDDLE_OF_THE_FIRST_LEG"),
            _diode("D_UPPER_FREEWHEELING_OF_THE_FIRST_LEG", "MIDDLE_OF_THE_FIRST_LEG", "P"),
            _diode("D_LOWER_FREEWHEELING_OF_THE_FIRST_LEG", "N", "MIDDLE_OF_THE_FIRST_LEG"),
            _resistor("R_FROM_THE_FIRST_LEG_TO_NOWHERE_IN_PARTICULAR", "MIDDLE_OF_THE_FIRST_LEG", "NOWHERE", 1.0),
        ),
        "a ladder of resistors": _board(
            "Ladder",
            plus_minus,
            *[_resistor(f"R_{n}", f"K{n}", f"K{n + 1}") for n in range(6)],
            *[_resistor(f"S_{n}", f"K{n}", "N") for n in range(7)],
            _resistor("T", "P", "K0"),
        ),
        "a full mesh": _board(
            "Mesh",
            plus_minus,
            *[_resistor(f"R_{a}{b}", a, b) for a, b in ("PX", "XN", "XY", "YP", "YN", "PN", "PZ", "ZN", "ZX", "ZY")],
        ),
        "three legs on one shunt": _board(
            "Shunt",
            plus_minus,
            *[_igbt(f"Q_{n}H", "P", f"M{n}", f"GH{n}") + _igbt(f"Q_{n}L", f"M{n}", "NS", f"GL{n}") for n in range(3)],
            _part("R_SH", "shunt", 'a = "NS", b = "N"', "ohms = 0.01"),
            _part("C_1", "capacitor", 'a = "P", b = "N"', "farads = 1e-3"),
        ),
        "both ends on one net": _board(
            "Loop",
            plus_minus,
            _resistor("R_1", "P", "N"),
            _resistor("R_2", "P", "P2"),
            _diode("D_1", "P2", "P"),
            _diode("D_2", "P2", "N"),
        ),
        "diodes the wrong way": _board(
            "Wrong", plus_minus, _terminal("U"), _diode("D_1", "P", "U"), _diode("D_2", "U", "N")
        ),
        "a gate on the collector": _board("Tied", plus_minus, _igbt("Q_1", "P", "N", "P"), _resistor("R_1", "P", "N")),
    }
