"""``bridgefault boards``: what is shipped."""

from __future__ import annotations

from bridge.layout import Page
from bridge.options import AsJson

__all__ = ["boards"]


def boards(*, json: AsJson = False) -> Page | str:
    """List the shipped boards and meters."""
    from bridge import boardpage, payload
    from bridge.board import list_boards, load_board
    from bridge.meter import list_meters, load_meter

    known = [load_board(name) for name in list_boards()]
    meters = [load_meter(name) for name in list_meters()]
    if json:
        return payload.json_text(payload.boards_payload(known, meters))
    return boardpage.boards_page(known, meters)
