"""Pages of HTML from the templates that come with the program."""

from __future__ import annotations

from importlib import resources
from typing import Any

__all__ = ["render"]


def render(template: str, **values: Any) -> str:
    """Return a filled-in template.

    Parameters
    ----------
    template : str
        Its name without the endings: ``report`` for ``report.html.jinja``.
    **values : object
        What it names; a name that is missing is an error.

    Notes
    -----
    Names come from files of strangers: all is escaped but what is marked safe, pictures whose own writer escapes.
    """
    from jinja2 import Environment, StrictUndefined

    source = resources.files("bridge").joinpath("data", f"{template}.html.jinja").read_text(encoding="utf-8")
    environment = Environment(autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True)
    return environment.from_string(source).render(**values)
