"""Layouts of pages: where they are, and that whatever they show is escaped.

What a page says and how it looks belong to the room that has the layout.
"""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from jinja2 import Environment


@cache
def layouts(package: str) -> Environment:
    """
    Return the layouts that stand in a package; a fact that one lacks stops the page.

    Examples
    --------
    >>> layouts("finishlab.procedure").from_string("{{ note }}").render(note="<b>care</b>")
    '&lt;b&gt;care&lt;/b&gt;'
    """
    from jinja2 import Environment, PackageLoader, StrictUndefined

    return Environment(loader=PackageLoader(package, ""), autoescape=True, undefined=StrictUndefined)
