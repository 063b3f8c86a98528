"""An error of the set-up that the bench believes in comes with the way on."""

from __future__ import annotations

import dataclasses

from bridge.advise import before_any_reading
from bridge.benchpage import standing_page
from bridge.board import load_board
from bridge.layout import plain_text
from bridge.meter import load_meter
from bridge.probing import Setup
from bridge.ranking import SetupBelief


def test_what_to_do_about_a_load_left_on_is_said() -> None:
    """Believed that the coil was left on, the bench says how to go on, with these readings or with others."""
    ranking = before_any_reading(load_board("half-bridge-cooktop"), load_meter(), Setup())
    assert "begin with a new file" not in plain_text(standing_page(ranking))
    believed = (SetupBelief("coil-connected", 0.98), SetupBelief("as-stated", 0.02))
    said = plain_text(standing_page(dataclasses.replace(ranking, setup=believed)))
    assert "the coil was still connected" in said
    assert "begin with a new file" in said
    assert "--connected" in said
