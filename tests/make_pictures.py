"""Makes what the README opens with: the marked schematic of a shipped example, and what the terminal says of it.

``python -m tests.make_pictures`` writes the picture beside the example's readings, and the recording into README.md.
"""

from __future__ import annotations

import re
import textwrap
from pathlib import Path

from bridge.board import load_board
from bridge.charge import bus_was_measured
from bridge.layout import Table, plain_text
from bridge.rank import rank
from bridge.ranking import Ranking
from bridge.rankingpage import ranking_page
from bridge.readings import load_readings
from bridge.reportpage import make_report, report_picture

ROOT = Path(__file__).parent.parent
BOARD, EXAMPLE = "six-switch-bridge", "examples/conveyor-drive"
COLUMNS = 100
LISTED = 5
RECORDING = re.compile(r"```text\n\$ bridgefault rank .*?```\n", re.DOTALL)


def example_ranking() -> Ranking:
    """Return what the readings of the example say."""
    board = load_board(BOARD)
    taken = load_readings(str(ROOT / EXAMPLE / "readings.csv"), board)
    return rank(board, taken.meter, taken.setup, taken.readings)


def recording(ranking: Ranking) -> str:
    """Return what a terminal of a hundred columns shows first: up to the first table, and that."""
    page = ranking_page(ranking, LISTED, columns=COLUMNS, bus_stated=bus_was_measured(ranking.readings))
    first = next(number for number, block in enumerate(page) if isinstance(block, Table))
    shown = [
        block if isinstance(block, Table) or "\n" in block else textwrap.fill(block, COLUMNS)
        for block in page[: first + 1]
    ]
    return f"```text\n$ bridgefault rank {BOARD} {EXAMPLE}/readings.csv\n{plain_text(shown)}```\n"


def main() -> None:
    """Write the picture and the recording."""
    ranking = example_ranking()
    (ROOT / EXAMPLE / "suspects.svg").write_text(report_picture(make_report(ranking)), encoding="utf-8")
    readme = ROOT / "README.md"
    text = readme.read_text(encoding="utf-8")
    told = recording(ranking)
    readme.write_text(RECORDING.sub(lambda _: told, text, count=1), encoding="utf-8")


if __name__ == "__main__":
    main()
