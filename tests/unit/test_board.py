"""Board files: what loads, what is refused and in which words."""

from __future__ import annotations

import itertools
import re
import subprocess
import sys
from pathlib import Path

import pytest

from bridge.board import Board, list_boards, load_board, oddities, parse_board
from bridge.circuit import build_circuit
from bridge.errors import InputError, InputErrors
from bridge.partkinds import PART_KINDS, emitter_pin, has_severity
from bridge.probing import Setup
from tests.tomlplaces import without_lines

HEAD = 'name = "bench"\ntitle = "Bench"\n'
TERMINALS = '[[terminal]]\nname = "P"\naccess = "terminal"\n[[terminal]]\nname = "N"\naccess = "terminal"\n'
RESISTOR = '[[part]]\nref = "R_1"\nkind = "resistor"\npins = { a = "P", b = "N" }\nohms = 100\n'
SOUND = HEAD + TERMINALS + RESISTOR


def parse(text: str) -> Board:
    """Return the board of a text called bench.toml."""
    return parse_board(text, "bench.toml")


def refusal(text: str) -> str:
    """Return the message a text is refused with, less the lines it names, which are checked."""
    with pytest.raises(InputError) as caught:
        parse(text)
    message = str(caught.value)
    assert message.isprintable(), "a message is one line"
    return without_lines(message, text)


def part(kind: str, pins: str, rest: str = "", ref: str = "X_1") -> str:
    """Return the text of one part."""
    return f'[[part]]\nref = "{ref}"\nkind = "{kind}"\npins = {{ {pins} }}\n{rest}\n'


class TestSoundFiles:
    """What a correct file becomes."""

    def test_smallest_board(self) -> None:
        """Two terminals and a resistor are a board, defaults filled in."""
        board = parse(SOUND)
        resistor = board.parts["R_1"]
        assert board.main_terminals == ("P", "N")
        assert dict(resistor.values) == {"ohms": 100.0}
        assert (resistor.tolerance, resistor.package, resistor.block) == (0.05, "R_1", "board")
        assert resistor.modes == ("open", "high", "short")
        assert resistor.lift_cost == {"a": 1.0, "b": 1.0}
        assert (resistor.position, resistor.when, resistor.gate_board) == (None, None, False)

    def test_defaults_of_a_diode(self) -> None:
        """A diode needs its drop only; ideality and series resistance have defaults."""
        board = parse(SOUND + part("diode", 'anode = "N", cathode = "P"', "drop_1ma = 0.4"))
        assert dict(board.parts["X_1"].values) == {"drop_1ma": 0.4, "ideality": 1.6, "series_ohms": 0.03}

    def test_terminal_net_defaults_to_its_name(self) -> None:
        """A terminal without net is on the net of its own name; with one, on that."""
        board = parse(SOUND + '[[terminal]]\nname = "E_UL"\nnet = "N"\naccess = "pad"\n')
        assert board.net_of("P") == "P"
        assert board.net_of("E_UL") == "N"
        assert "E_UL" not in board.main_terminals

    def test_not_faultable_means_no_modes(self) -> None:
        """A part taken as good has no fault modes."""
        assert parse(SOUND + "faultable = false").parts["R_1"].modes == ()

    def test_byte_order_mark_and_crlf(self, tmp_path: Path) -> None:
        """A file saved by a Windows editor loads like any other."""
        path = tmp_path / "bench.toml"
        path.write_bytes(b"\xef\xbb\xbf" + SOUND.replace("\n", "\r\n").encode())
        assert load_board(str(path)).parts.keys() == {"R_1"}

    def test_zero_ohms_is_kept(self) -> None:
        """A link of 0 ohm is allowed and stays 0."""
        assert parse(SOUND.replace("100", "0")).parts["R_1"].values["ohms"] == 0.0

    @pytest.mark.parametrize(("written", "taken"), [("1e-9", 1e-4), ("1e15", 1e10)])
    def test_extreme_ohms_are_moved_with_a_note(self, written: str, taken: float) -> None:
        """A resistance no double carries beside the others is moved to the edge, and said so."""
        board = parse(SOUND.replace("100", written))
        assert board.parts["R_1"].values["ohms"] == taken
        assert len(board.notes) == 1
        assert board.notes[0].startswith("R_1: ohms")
        assert board.notes[0] in oddities(board)

    def test_boards_hash_and_compare_by_value(self) -> None:
        """The same text twice is the same board, usable as a key."""
        assert parse(SOUND) == parse(SOUND)
        assert len({parse(SOUND), parse(SOUND)}) == 1
        assert len({parse(SOUND).parts["R_1"], parse(SOUND).parts["R_1"]}) == 1


class TestCases:
    """Packages, shared joints and what lifting costs."""

    SWITCH = part(
        "igbt",
        'collector = "P", emitter = "N", gate = "G_L"',
        'gate_threshold = 5\nposition = "L"\npackage = "CASE"',
        ref="Q_L",
    )
    DIODE = part(
        "diode",
        'anode = "N", cathode = "P"',
        'drop_1ma = 0.42\nposition = "L"\npackage = "CASE"',
        ref="D_L",
    )

    def test_co_packed_diode_shares_the_bond(self) -> None:
        """A diode in the case of its switch shares the switch's emitter joint."""
        assert parse(SOUND + self.SWITCH + self.DIODE).parts["D_L"].shares_bond_with == "Q_L"

    def test_separate_diode_shares_nothing(self) -> None:
        """A diode in a case of its own keeps its joint when the switch loses one."""
        board = parse(SOUND + self.SWITCH + self.DIODE.replace("CASE", "D_L"))
        assert board.parts["D_L"].shares_bond_with is None

    def test_module_dies_have_bonds_of_their_own(self) -> None:
        """In a module only the board file can say that a joint is shared."""
        module = (self.SWITCH + self.DIODE).replace('package = "CASE"', 'package = "M"\nconstruction = "module"')
        assert parse(SOUND + module).parts["D_L"].shares_bond_with is None
        said = module + 'shares_bond_with = "Q_L"\n'
        assert parse(SOUND + said).parts["D_L"].shares_bond_with == "Q_L"

    def test_empty_string_denies_a_shared_bond(self) -> None:
        """A co-packed diode on a lead of its own is written with an empty string."""
        board = parse(SOUND + self.SWITCH + self.DIODE + 'shares_bond_with = ""\n')
        assert board.parts["D_L"].shares_bond_with is None

    def test_legs_are_costed_once(self) -> None:
        """The switch stands for the legs of the case; the die beside it cannot be lifted alone."""
        board = parse(SOUND + self.DIODE + self.SWITCH)
        assert board.parts["Q_L"].lift_cost == {"collector": 4.0, "emitter": 4.0, "gate": 4.0}
        assert board.parts["D_L"].lift_cost == {"anode": 100.0, "cathode": 100.0}

    def test_module_pins_are_the_last_resort(self) -> None:
        """A module's pins cost 20 ends of a chip resistor."""
        board = parse(SOUND + self.SWITCH + 'construction = "module"\n')
        assert set(board.parts["Q_L"].lift_cost.values()) == {20.0}

    def test_lift_cost_of_a_file_wins(self) -> None:
        """A board file may price all pins alike or one by one."""
        board = parse(SOUND + "lift_cost = 7\n")
        assert board.parts["R_1"].lift_cost == {"a": 7.0, "b": 7.0}
        board = parse(SOUND + "lift_cost = { b = 9.5 }\n")
        assert board.parts["R_1"].lift_cost == {"a": 1.0, "b": 9.5}

    def test_pins_on_one_leg(self) -> None:
        """The emitter leg carries the diode's anode; the gate leg nothing else; a chip resistor only itself."""
        board = parse(SOUND + self.SWITCH + self.DIODE)
        assert board.pins_on_leg("Q_L.emitter") == ("Q_L.emitter", "D_L.anode")
        assert board.pins_on_leg("D_L.anode") == ("D_L.anode", "Q_L.emitter")
        assert board.pins_on_leg("Q_L.gate") == ("Q_L.gate",)
        assert board.pins_on_leg("R_1.a") == ("R_1.a",)

    def test_only_pins_are_lifted(self) -> None:
        """A terminal has no leg."""
        with pytest.raises(InputError, match=r"'P' is a terminal; only a PART\.pin is lifted"):
            parse(SOUND).pins_on_leg("P")


class TestLeads:
    """Where a lead may be placed."""

    def test_part_pin(self) -> None:
        """PART.pin is a place for a lead."""
        assert parse(SOUND).net_of("R_1.b") == "N"

    @pytest.mark.parametrize(
        ("lead", "message"),
        [
            ("p", "board bench has no terminal 'p'; near names: P"),
            ("G_UX", "board bench has no terminal 'G_UX'; it has P, N"),
            ("R_2.a", "'R_2.a': board bench has no part 'R_2'; near names: R_1"),
            ("R_1.c", "'R_1.c': part R_1 has no pin 'c', its pins are a, b"),
            ("R_1", "'R_1' is a part, a lead goes on one of its pins: R_1.a, R_1.b"),
            ("", "board bench has no terminal ''; it has P, N"),
            ("P\n", "board bench has no terminal 'P\\n'; near names: P"),
        ],
    )
    def test_unknown_lead(self, lead: str, message: str) -> None:
        """A lead the board does not have is refused with names it may have meant."""
        with pytest.raises(InputError) as caught:
            parse(SOUND).net_of(lead)
        assert str(caught.value) == message

    def test_gate_leads_need_both_pads(self) -> None:
        """A gate pad without emitter pad is no pair to read."""
        board = load_board("half-bridge-cooktop")
        assert board.gate_leads == (("G_H", "E_H"), ("G_L", "E_L"))
        lone = SOUND + TestCases.SWITCH + '[[terminal]]\nname = "G_L"\naccess = "pad"\n'
        assert parse(lone).gate_leads == ()


class TestRefusals:
    """Every check of a board file, each with the place, what was found and what is accepted."""

    @pytest.mark.parametrize(
        ("text", "message"),
        [
            ("name = ", "bench.toml: not valid TOML: Invalid value (at end of document)"),
            ("x = " + "[" * 5000, "bench.toml: not valid TOML: nested too deep"),
            ("", "bench.toml, key name: this key is missing; bench.toml, key title: this key is missing"),
            (HEAD, "bench.toml: the board has no parts"),
            (HEAD + RESISTOR, "bench.toml: the board has no terminals, so no lead can touch it"),
            (
                SOUND + "[[tool]]\n",
                "bench.toml, key tool: unknown key; accepted are name, title, about, terminal, part, use, block, "
                "drawing",
            ),
            ("part = 3\n" + HEAD, "bench.toml, key part: found 3; accepted is a valid list"),
            (
                "part = [3]\n" + HEAD,
                "bench.toml, key part, number 1: found 3; accepted is a valid dictionary",
            ),
            (
                SOUND.replace('"Bench"', '"a\\u001bb"'),
                "bench.toml, key title: found 'a\\x1bb'; accepted are letters, digits, _ + ~ # - "
                "(in texts: no control characters)",
            ),
        ],
    )
    def test_file(self, text: str, message: str) -> None:
        """A file that is no board is refused."""
        assert refusal(text) == message

    def test_number_of_thousands_of_digits(self) -> None:
        """A number too long to read is no valid TOML rather than a crash."""
        assert refusal(SOUND.replace("100", "1" * 5000)).startswith("bench.toml: not valid TOML: ")

    @pytest.mark.parametrize(
        ("terminal", "message"),
        [
            ('name = "P"\naccess = "pad"', "bench.toml, terminal P: this terminal is there twice"),
            (
                'name = "Q"\naccess = "pad"',
                "bench.toml, terminal Q: no part is on net 'Q'; accepted: nets of parts, as N, P",
            ),
            (
                'name = "U"\nnet = "V"\naccess = "pad"',
                "bench.toml, terminal U: no part is on net 'V'; accepted: nets of parts, as N, P",
            ),
            (
                'name = "N2"\nnet = "N"\naccess = "far"',
                "bench.toml, terminal N2, key access: found 'far'; accepted is 'terminal', 'pad' or 'pin'",
            ),
            ('access = "pad"', "bench.toml, terminal 3, key name: this key is missing"),
            (
                'name = "N 2"\nnet = "N"\naccess = "pad"',
                "bench.toml, terminal N 2, key name: found 'N 2'; accepted are letters, digits, _ + ~ # - "
                "(in texts: no control characters)",
            ),
            (
                f'name = "{"N" * 65}"\nnet = "N"\naccess = "pad"',
                f"bench.toml, terminal '{'N' * 60}...', key name: found '{'N' * 60}...'; "
                "accepted is at most 64 characters",
            ),
            (
                'name = "N2"\nnet = "N"\naccess = "pad"\ncolour = 1',
                "bench.toml, terminal N2, key colour: unknown key; accepted are name, net, what, access",
            ),
        ],
    )
    def test_terminal(self, terminal: str, message: str) -> None:
        """A terminal that cannot be is refused with its name and key."""
        assert refusal(SOUND + "[[terminal]]\n" + terminal + "\n") == message

    def test_names_with_control_characters(self) -> None:
        """A name that would break a line is refused and shown spelled out."""
        message = refusal(SOUND.replace('"R_1"', '"R\\n1"'))
        assert message.startswith("bench.toml, part 'R\\n1', key ref: found 'R\\n1'; accepted are letters")

    @pytest.mark.parametrize("name", ["R.1", "R,1", "R@1", "R;1", "R:1", "", "R\\u202e1"])
    def test_names_that_readings_files_could_not_hold(self, name: str) -> None:
        """A designator with a separator of readings files, or none at all, is refused."""
        assert "key ref" in refusal(SOUND.replace('"R_1"', f'"{name}"'))

    @pytest.mark.parametrize(
        ("text", "message"),
        [
            (RESISTOR, "bench.toml, part R_1: this part is there twice"),
            (
                part("lamp", 'a = "P", b = "N"'),
                f"bench.toml, part X_1, key kind: found 'lamp'; accepted are {', '.join(PART_KINDS)}",
            ),
            (
                part("resistor", 'a = "P", c = "N"', "ohms = 1"),
                "bench.toml, part X_1, pin c: resistor has no such pin; its pins are a, b; "
                "bench.toml, part X_1, pin b: this pin is on no net; resistor has a, b",
            ),
            (
                part("resistor", 'a = "P", b = 4', "ohms = 1"),
                "bench.toml, part X_1, key pins.b: found 4; accepted is a valid string",
            ),
            (
                part("resistor", 'a = "P", b = "N"'),
                "bench.toml, part X_1, key ohms: this value is missing; accepted is 0.0001 to 1e+10 ohm or 0",
            ),
            (
                part("resistor", 'a = "P", b = "N"', "ohms = -1"),
                "bench.toml, part X_1, key ohms: found -1; accepted is 0.0001 to 1e+10 ohm or 0",
            ),
            (
                part("resistor", 'a = "P", b = "N"', "ohms = nan"),
                "bench.toml, part X_1, key ohms: found nan; accepted is 0.0001 to 1e+10 ohm or 0",
            ),
            (
                part("resistor", 'a = "P", b = "N"', "ohms = inf"),
                "bench.toml, part X_1, key ohms: found inf; accepted is 0.0001 to 1e+10 ohm or 0",
            ),
            (
                part("resistor", 'a = "P", b = "N"', 'ohms = "4k7"'),
                "bench.toml, part X_1, key ohms: found '4k7'; accepted is a number, 0.0001 to 1e+10 ohm or 0",
            ),
            (
                part("resistor", 'a = "P", b = "N"', "ohms = true"),
                "bench.toml, part X_1, key ohms: found true; accepted is a number, 0.0001 to 1e+10 ohm or 0",
            ),
            (
                part("diode", 'anode = "P", cathode = "N"', "drop_1ma = 5.5"),
                "bench.toml, part X_1, key drop_1ma: found 5.5; accepted is 0.01 to 5 V",
            ),
            (
                part("diode", 'anode = "P", cathode = "N"', "drop_1ma = 420"),
                "bench.toml, part X_1, key drop_1ma: found 420; accepted is 0.01 to 5 V",
            ),
            (
                part("diode", 'anode = "P", cathode = "N"', f"drop_1ma = {'9' * 400}"),
                "bench.toml, part X_1, key drop_1ma: found a huge number; accepted is 0.01 to 5 V",
            ),
            (
                part("diode", 'anode = "P", cathode = "N"', "drop_1ma = 0.01\nseries_ohms = 10"),
                "bench.toml, part X_1, key series_ohms: series_ohms drops 0.01 V of drop_1ma 0.01 V at 1 mA; "
                "accepted is less",
            ),
            (
                part("capacitor", 'a = "P", b = "N"', "farads = 680"),
                "bench.toml, part X_1, key farads: found 680; accepted is 1e-12 to 10 F",
            ),
            (
                part("resistor", 'a = "P", b = "N"', "ohms = 1\ntolerance = 5"),
                "bench.toml, part X_1, key tolerance: found 5; accepted is less than 1",
            ),
            (
                part("resistor", 'a = "P", b = "N"', 'ohms = 1\nwhen = "sunday"'),
                "bench.toml, part X_1, key when: found 'sunday'; accepted is "
                "'', 'motor', 'coil', 'transformer', 'brake-resistor' or 'mains'",
            ),
            (
                part("resistor", 'a = "P", b = "N"', "ohms = 1\nlift_cost = { c = 1.0 }"),
                "bench.toml, part X_1, key lift_cost: found c = 1; "
                "accepted is a pin (a, b) and a cost above 0 up to 1000",
            ),
            (
                part("resistor", 'a = "P", b = "N"', "ohms = 1\nlift_cost = -2"),
                "bench.toml, part X_1, key lift_cost: found -2; accepted is greater than 0",
            ),
            (
                part("resistor", 'a = "P", b = "N"', 'ohms = 1\nshares_bond_with = "R_1"'),
                "bench.toml, part X_1, key shares_bond_with: only a diode shares a switch's joint",
            ),
            (
                part("diode", 'anode = "P", cathode = "N"', 'drop_1ma = 0.4\nshares_bond_with = "R_1"'),
                "bench.toml, part X_1, key shares_bond_with: found 'R_1'; accepted is a switch's ref",
            ),
        ],
    )
    def test_part(self, text: str, message: str) -> None:
        """A part that cannot be is refused with its designator and key."""
        assert refusal(SOUND + text) == message

    def test_unknown_value_lists_what_the_kind_takes(self) -> None:
        """A value of another kind is refused with the keys this kind takes."""
        message = refusal(SOUND + "farads = 1e-6\n")
        assert message.startswith(
            "bench.toml, part R_1, key farads: unknown key for kind resistor; accepted are ohms, ref"
        )

    def test_all_problems_at_once(self) -> None:
        """Several problems are listed together, in the order of the file."""
        text = HEAD + TERMINALS + part("lamp", "") + part("fuse", 'a = "P"', ref="F_1") + '[[use]]\nblock = "no"\n'
        with pytest.raises(InputErrors) as caught:
            parse(text)
        places = [error.where for error in caught.value.errors]
        assert places == [
            "bench.toml, line 20, use 1 (no)",
            "bench.toml, line 11, part X_1, key kind",
            "bench.toml, line 17, part F_1, pin b",
        ]

    @pytest.mark.parametrize(
        ("text", "place"),
        [
            (RESISTOR.replace("R_1", "R_2").replace("100", "-1"), "line 18, part R_2, key ohms: "),
            (RESISTOR.replace("R_1", "R_2").replace("ohms = 100\n", ""), "line 14, part R_2, key ohms: "),
            (part("resistor", 'a = "P", c = "N"', "ohms = 1"), "line 17, part X_1, pin c: "),
            (
                '[[use]]\nblock = "driver-rail"\nfarads = 220\n',
                "line 14, use 1 (driver-rail), part C_VCC, key farads: ",
            ),
            ("[[use]]\nblock = 'pair'\npos = 'U'\n", "line 15, use 1 (pair): unknown block"),
            ('[drawing]\norder = ["Q_1"]\n', "line 15, drawing, key order: "),
            ("[block.b]\nabout = 3\n", "line 15, block b, key about: "),
        ],
    )
    def test_line(self, text: str, place: str) -> None:
        """The line is that of the key, of the header where the key is missing, of the use for what a block writes."""
        with pytest.raises(InputError) as caught:
            parse(SOUND + text)
        assert str(caught.value).startswith(f"bench.toml, {place}")

    def test_inline_parts_have_no_line(self) -> None:
        """Parts written inside a value are named without a line."""
        parts = 'part = [\n{ ref = "R_1", kind = "fuse", pins = { a = "P", b = "N" }, ohms = -1 },\n]\n'
        with pytest.raises(InputError) as caught:
            parse(HEAD + parts + TERMINALS)
        assert str(caught.value).startswith("bench.toml, part R_1, key ohms: found -1")

    def test_near_net(self) -> None:
        """A terminal on no net is told the net that is nearest."""
        text = HEAD + TERMINALS.replace('"P"', '"L1"') + RESISTOR.replace('"P"', '"L3"')
        assert refusal(text) == "bench.toml, terminal L1: no part is on net 'L1'; accepted: nets of parts, as L3"


BLOCK = """
[block.pair]
required = ["pos"]
label = "pair {pos}"
[block.pair.default]
ohms = 22
net = "G_{pos}"
[[block.pair.part]]
ref = "RG_{pos}"
kind = "resistor"
pins = { a = "{net}", b = "N" }
ohms = "{ohms}"
[[block.pair.part]]
ref = "RGE_{pos}"
kind = "resistor"
pins = { a = "{net}", b = "N" }
ohms = 10e3
[[block.pair.terminal]]
name = "{net}"
access = "pad"
"""


class TestBlocks:
    """Templates and what a use makes of them."""

    def test_use_fills_in_parameters(self) -> None:
        """Parameters reach names and values; a default builds on them and a lone placeholder stays a number."""
        board = parse(SOUND + BLOCK + '[[use]]\nblock = "pair"\npos = "UH"\nohms = 33\n')
        assert board.parts["RG_UH"].pins == {"a": "G_UH", "b": "N"}
        assert board.parts["RG_UH"].values["ohms"] == 33.0
        assert board.parts["RG_UH"].block == "pair UH"
        assert board.terminals["G_UH"].access == "pad"

    def test_for_repeats_in_step(self) -> None:
        """Lists of one `for` run side by side, not crosswise."""
        use = '[[use]]\nblock = "pair"\nfor = { pos = ["UH", "UL"], ohms = [10, 12] }\n'
        board = parse(SOUND + BLOCK + use)
        values = {ref: p.values["ohms"] for ref, p in board.parts.items() if ref.startswith("RG_")}
        assert values == {"RG_UH": 10.0, "RG_UL": 12.0}

    def test_omit_leaves_parts_out(self) -> None:
        """An omit pattern drops the parts it names and no others."""
        use = '[[use]]\nblock = "pair"\nomit = ["RGE_*"]\nfor = { pos = ["UH", "UL"] }\n'
        assert set(parse(SOUND + BLOCK + use).parts) == {"RG_UH", "RG_UL", "R_1"}

    def test_nested_use_carries_the_outer_label(self) -> None:
        """Parts of an inner block belong to the outermost block's instance."""
        outer = (
            '[block.outer]\nrequired = ["leg"]\nlabel = "leg {leg}"\n[[block.outer.use]]\nblock = "pair"\n'
            'for = { pos = ["{leg}H", "{leg}L"] }\n'
        )
        board = parse(SOUND + BLOCK + outer + '[[use]]\nblock = "outer"\nleg = "V"\n')
        assert board.parts["RGE_VL"].block == "leg V"

    def test_label_of_a_use(self) -> None:
        """A use may name its instance itself."""
        board = parse(SOUND + BLOCK + '[[use]]\nblock = "pair"\npos = "L"\nlabel = "gate"\n')
        assert board.parts["RG_L"].block == "gate"

    @pytest.mark.parametrize(
        ("use", "message"),
        [
            ('block = "pair"', "bench.toml, use 1 (pair): block pair needs pos as well"),
            (
                'block = "pair"\npos = "U"\nohm = 3',
                "bench.toml, use 1 (pair), key ohm: block pair has no such parameter; it takes pos, ohms, net",
            ),
            (
                'block = "pair"\nfor = { pos = ["U", "V"], ohms = [1] }',
                "bench.toml, use 1 (pair), key for: found lengths 1, 2; the lists of one `for` run in step",
            ),
            (
                'block = "pair"\nfor = { pos = [] }',
                "bench.toml, use 1 (pair), key for.pos: found an empty list; accepted is a list",
            ),
            (
                'block = "pair"\nfor = { pos = "U" }',
                "bench.toml, use 1 (pair), key for.pos: found 'U'; accepted is a list",
            ),
            (
                'block = "pair"\npos = "U"\nomit = ["DRV_*"]',
                "bench.toml, use 1 (pair), key omit: 'DRV_*' matches no part or terminal here",
            ),
            (
                'block = "pair"\npos = ["U"]',
                "bench.toml, use 1 (pair), default of net: parameter pos is a list; "
                "accepted within a string is a string or a number",
            ),
            ("pos = 3", "bench.toml, use 1, key block: this key is missing"),
        ],
    )
    def test_refused_use(self, use: str, message: str) -> None:
        """A use that does not fit its block is refused, by its number and block."""
        text = refusal(SOUND + BLOCK + "[[use]]\n" + use + "\n")
        assert text.startswith(message)

    def test_a_use_there_twice_is_one_problem(self) -> None:
        """A block used twice is refused in one message that names the use, its line and some of what it doubles."""
        use = '[[use]]\nblock = "igbt-leg"\nleg = "U"\n'
        with pytest.raises(InputError) as caught:
            parse(SOUND + use + use)
        message = str(caught.value)
        assert message.startswith("bench.toml, line 17, use 2: writes Q_UH, D_UH, ")
        assert message.count("bench.toml") == 1
        assert "accepted: each part and terminal once" in message
        assert len(message) < 200

    def test_a_use_that_writes_a_terminal_of_the_file(self) -> None:
        """A pad written by the file and by a block is refused at the block's use."""
        pad = '[[terminal]]\nname = "G_UH"\naccess = "pad"\n'
        message = refusal(SOUND + pad + BLOCK + '[[use]]\nblock = "pair"\npos = "UH"\n')
        assert message.startswith("bench.toml, use 1: writes G_UH, there already")

    def test_unknown_block_lists_the_known(self) -> None:
        """An unknown block is refused with the blocks there are, shipped ones included."""
        message = refusal(SOUND + BLOCK + '[[use]]\nblock = "legg"\n')
        assert message.startswith("bench.toml, use 1 (legg): unknown block 'legg'; there are ")
        assert "igbt-leg" in message
        assert "pair" in message

    def test_unknown_placeholder(self) -> None:
        """A placeholder that no parameter fills is refused with those that are known."""
        block = '[block.b]\n[[block.b.part]]\nref = "R_{x}"\n'
        assert refusal(SOUND + block + '[[use]]\nblock = "b"\n') == (
            "bench.toml, use 1 (b): 'R_{x}' asks for parameter x; known here are none"
        )

    def test_unknown_key_of_a_block(self) -> None:
        """A block with a key of its own invention is refused."""
        message = refusal(SOUND + "[block.b]\nparts = 3\n")
        assert message == (
            "bench.toml, block b, key parts: unknown key; "
            "accepted are about, label, required, default, terminal, part, use"
        )

    def test_block_that_uses_itself(self) -> None:
        """A block within itself is refused rather than written out for ever."""
        block = '[block.b]\n[[block.b.use]]\nblock = "b"\n'
        message = refusal(SOUND + block + '[[use]]\nblock = "b"\n')
        assert message == "bench.toml, use 1 (b) (b): blocks nest too deep: b > b"

    def test_repetition_without_end(self) -> None:
        """Nested repetition is cut off before it fills memory or time."""
        text = SOUND
        for depth in range(7):
            inner = f'[[block.b{depth}.use]]\nblock = "b{depth + 1}"\nfor = {{ x = {list(range(100))} }}\n'
            text += f"[block.b{depth}]\ndefault = {{ x = 0 }}\n" + inner
        text += '[block.b7]\ndefault = { x = 0 }\n[[use]]\nblock = "b0"\n'
        assert refusal(text).endswith("the blocks write more than 5000 parts")

    def test_text_that_doubles(self) -> None:
        """Defaults that double a text again and again are cut off."""
        doubling = "".join(f'a{n + 1} = "{{a{n}}}{{a{n}}}"\n' for n in range(60))
        block = f'[block.b]\n[block.b.default]\na0 = "xxxxxxxx"\n{doubling}'
        assert "becomes longer than 4000 characters" in refusal(SOUND + block + '[[use]]\nblock = "b"\n')

    def test_own_block_replaces_a_shipped_one(self) -> None:
        """A board may define a block of a shipped name for itself."""
        block = '[block.motor]\n[[block.motor.part]]\nref = "R_M"\nkind = "fuse"\npins = { a = "P", b = "N" }\n'
        assert set(parse(SOUND + block + '[[use]]\nblock = "motor"\n').parts) == {"R_M", "R_1"}


class TestFinding:
    """Names and paths of boards."""

    def test_shipped_names_are_sorted_boards(self) -> None:
        """The list holds boards only, sorted; the blocks are no board."""
        names = list_boards()
        assert list(names) == sorted(names)
        assert "six-switch-bridge" in names
        assert "blocks" not in names

    @pytest.mark.parametrize("name", ["six-switch", "blocks", "Six-Switch-Bridge", ""])
    def test_unknown_name(self, name: str) -> None:
        """A name that is not shipped is refused with the names that are."""
        with pytest.raises(InputError, match=r"no shipped board is called .*; there are .*six-switch-bridge"):
            load_board(name)

    @pytest.mark.parametrize("path", ["../topologies/../x", "./six-switch-bridge", "none.toml", "a\\b"])
    def test_path_that_is_not_there(self, path: str) -> None:
        """Anything with a separator is a path, and a path finds only a file."""
        with pytest.raises(InputError, match="no such file"):
            load_board(path)

    def test_a_shipped_file_is_called_as_its_board(self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        """A shipped file that holds the name of another board is refused, with both names."""
        for path in (Path(__file__).parents[2] / "topologies").glob("*.toml"):
            (tmp_path / path.name).write_bytes(path.read_bytes())
        (tmp_path / "foo.toml").write_bytes((tmp_path / "drive-module.toml").read_bytes())
        monkeypatch.setattr("bridge.board._topologies", lambda: tmp_path)
        assert load_board("drive-module").name == "drive-module"
        with pytest.raises(InputError, match=r"foo\.toml, .*'drive-module', which is drive-module\.toml; .* 'foo'"):
            load_board("foo")

    def test_folder(self, tmp_path: Path) -> None:
        """A folder is no board file."""
        with pytest.raises(InputError, match="folder"):
            load_board(f"{tmp_path}/")

    def test_binary_file(self, tmp_path: Path) -> None:
        """A file that is not text is refused in words."""
        path = tmp_path / "x.toml"
        path.write_bytes(b"\xff\xfe\x00")
        with pytest.raises(InputError, match="UTF"):
            load_board(str(path))

    def test_enormous_file(self, tmp_path: Path) -> None:
        """A file larger than any board is refused unread."""
        path = tmp_path / "x.toml"
        path.write_bytes(b"#" * 1_000_001)
        with pytest.raises(InputError, match="larger than 1000000 bytes"):
            load_board(str(path))

    def test_own_file_may_use_shipped_blocks(self, tmp_path: Path) -> None:
        """A user's file is built of the shipped blocks like any other."""
        path = tmp_path / "own.toml"
        path.write_text(
            HEAD + TERMINALS + '[[use]]\nblock = "igbt-leg"\nleg = "U"\n[[use]]\nblock = "driver-rail"\n',
            encoding="utf-8",
        )
        board = load_board(str(path))
        assert {"Q_UH", "D_UL", "RGE_UL", "DRV_UH", "C_BS_U"} < set(board.parts)
        assert board.source == str(path)

    def test_values_and_kinds_import_without_pydantic(self) -> None:
        """Only reading a file needs pydantic; the value types do not drag it in."""
        code = "import sys, bridge.boardmodel, bridge.partkinds; sys.exit('pydantic' in sys.modules)"
        assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


class TestOddities:
    """Slips that are allowed but named."""

    def test_sound_board_has_none(self) -> None:
        """Nothing is said about a board without slips."""
        assert oddities(parse(SOUND)) == ()

    @pytest.mark.parametrize(
        ("text", "words"),
        [
            (part("fuse", 'a = "P", b = "X"'), "net X has a single pin and no terminal"),
            (part("fuse", 'a = "P", b = "P"'), "X_1 has two pins on one net"),
            (
                part("fuse", 'a = "Y", b = "Z"') + '[[terminal]]\nname = "Y"\naccess = "pad"\n',
                "terminal Y reaches no other terminal",
            ),
            (
                part("fuse", 'a = "Y", b = "Z"', ref="F_1") + part("fuse", 'a = "Z", b = "W"', ref="F_2"),
                "from Y, Z, W no part leads to any terminal",
            ),
            (part("fuse", 'a = "P", b = "n"'), "nets N and n differ only in capital letters"),
            (
                '[[use]]\nblock = "rectifier-leg"\nfor = { line = ["L1", "L2"] }\nplus = "PP"\n'
                + "".join(f'[[terminal]]\nname = "{line}"\naccess = "pad"\n' for line in ("L1", "L2")),
                "net PP has no terminal and leads nowhere: on it are D_L1H.cathode, D_L2H.cathode",
            ),
            (
                '[[use]]\nblock = "igbt-leg"\nfor = { leg = ["U", "V"] }\n',
                "nothing feeds net VCC, which supplies DRV_UL, DRV_VL",
            ),
            (
                TestCases.SWITCH + '[[terminal]]\nname = "G_L"\naccess = "pad"\n',
                "gate terminal G_L has no emitter terminal E_L",
            ),
            (
                TestCases.SWITCH + '[[terminal]]\nname = "E_L"\nnet = "P"\naccess = "pad"\n',
                "terminal E_L is on net P, Q_L has N there",
            ),
            (
                TestCases.SWITCH + TestCases.DIODE.replace('anode = "N", cathode = "P"', 'anode = "P", cathode = "N"'),
                "D_L lies the wrong way round across Q_L",
            ),
            (
                part("capacitor", 'a = "P", b = "N"', "farads = 1e-3", ref="C_BUS"),
                "C_BUS: no capacitor has a bus_share, so no charge is ever left on the bus",
            ),
            (
                part("coil", 'a = "P", b = "N"', 'ohms = 2\nwhen = "motor"', ref="M_1")
                + part("coil", 'a = "P", b = "N"', 'ohms = 2\nwhen = "coil"', ref="L_1")
                + part("coil", 'a = "P", b = "N"', 'ohms = 2\nwhen = "motor"\nfaultable = false', ref="M_2"),
                "M_1: connected from outside (motor), yet a suspect; faultable = false takes it as good",
            ),
        ],
    )
    def test_named_slip(self, text: str, words: str) -> None:
        """Each kind of slip is named in words."""
        assert words in oddities(parse(SOUND + text))


class TestKinds:
    """The table of part kinds."""

    def test_severity_follows_the_mode_word(self) -> None:
        """Shorts, leaks and high have a resistance, nothing else has."""
        modes = {mode for kind in PART_KINDS.values() for mode in kind.modes}
        without = {mode for mode in modes if not has_severity(mode)}
        assert without == {
            "burst", "never-on", "always-on", "emitter-open", "open", "stuck-open", "stuck-closed", "low",
        }  # fmt: skip

    def test_emitter_pin(self) -> None:
        """A gate is held against emitter or source."""
        assert (emitter_pin("igbt"), emitter_pin("mosfet")) == ("emitter", "source")
        with pytest.raises(KeyError):
            emitter_pin("diode")

    def test_defaults_lie_in_range(self) -> None:
        """Every default is a value a file could state."""
        for kind in PART_KINDS.values():
            for name, spec in kind.values.items():
                assert spec.default is None or spec.low <= spec.default <= spec.high, f"{kind.name} {name}"

    def test_every_kind_has_modes_once(self) -> None:
        """Modes are words of small letters and dashes, none twice."""
        for kind in PART_KINDS.values():
            assert len(set(kind.modes)) == len(kind.modes) > 0
            assert all(re.fullmatch(r"[a-z]+(-[a-z]+)?", mode) for mode in kind.modes)

    def test_junctions_and_channels_are_read_as_diodes(self) -> None:
        """A kind is read in diode mode where its circuit has a junction or a channel, in ohms otherwise, as any gate.

        Common practice, no source.
        """
        known, bent = set(), set()
        for name in list_boards():
            circuit = build_circuit(load_board(name), Setup())
            known |= {part.kind for part in circuit.parts.values()}
            bent |= {circuit.parts[ref].kind for ref, _ in circuit.junction_rows}
            bent |= {circuit.parts[ref].kind for ref in circuit.channel_rows}
        assert known >= {"igbt", "mosfet", "diode", "driver", "resistor", "capacitor"}
        for kind in known:
            for one, other in itertools.permutations(PART_KINDS[kind].pins, 2):
                junction = kind in bent and "gate" not in (one, other)
                assert PART_KINDS[kind].mode_between(one, other) == ("diode" if junction else "ohms"), kind


class TestDrawingHints:
    """What a board file may ask of its schematic."""

    def test_an_order_is_kept(self) -> None:
        """The parts named come back in the order of the file; without hints there is none."""
        assert parse(SOUND + '[drawing]\norder = ["R_1"]\n').drawing_order == ("R_1",)
        assert parse(SOUND).drawing_order == ()

    @pytest.mark.parametrize(
        ("hint", "message"),
        [
            ('order = ["R_2"]', "bench.toml, drawing, key order: no part 'R_2'; accepted: parts, as R_1"),
            (
                'order = ["R_1", "R_1"]',
                "bench.toml, drawing, key order: 'R_1' is there twice; accepted: each part once",
            ),
            ('column = ["R_1"]', "bench.toml, drawing, key column: unknown key; accepted are order"),
            ('order = "R_1"', "bench.toml, drawing, key order: found 'R_1'; accepted is a valid list"),
            ("order = [1]", "bench.toml, drawing, key order, number 1: found 1; accepted is a valid string"),
        ],
    )
    def test_a_wrong_hint_is_refused(self, hint: str, message: str) -> None:
        """A part that is not there, one named twice and another key are refused in one line with their place."""
        assert refusal(f"{SOUND}[drawing]\n{hint}\n") == message
