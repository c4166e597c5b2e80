"""The process that serves the tablet: one page, one token, and nothing else.

It runs apart from any JupyterLab, so that its token opens no laboratory, terminal or file,
and it takes no message that would run code. It ends when whoever started it ends. Started
by `tablet.py`; does nothing on import.
"""

from __future__ import annotations

import os
import shutil
import sys
import threading
from pathlib import Path
from typing import Any

from voila.app import Voila
from voila.tornado.handler import TornadoVoilaHandler

from finishlab.bench.forms.tablet import TOKEN

#: What the page needs beside itself: its scripts, its themes, and the line to its own kernel, whose
#: number only the page knows and on which Voila lets nothing through but a widget's messages.
_NEEDED = (
    "/api/kernels/",
    "/voila/api/shutdown/",
    "/voila/api/themes/",
    "/voila/labextensions/",
    "/voila/static/",
)

_PAGES = Path(__file__).parent / "tablet_page"
#: What a browser may load (W3C, Content Security Policy Level 3): this server's own files, and what the page makes.
_ONLY_FROM_HERE = (
    "default-src 'self' data: blob: 'unsafe-inline' 'unsafe-eval'; connect-src 'self' {line}; "
    "object-src 'none'; base-uri 'self'; form-action 'self'; frame-ancestors 'none'"
)


class ThePage(TornadoVoilaHandler):
    """The page itself. Its key against forged requests lets it end its kernel when it is left or loaded again."""

    async def get(self, path: str | None = None) -> None:
        """Answer with the page, and set the cookie of the key."""
        _ = self.xsrf_token
        await super().get(path)


class OnePage(Voila):
    """A Voila that answers at its root and nowhere else."""

    name = "voila"

    def setup_template_dirs(self) -> None:
        """Put the page's own templates before Voila's, which load from a public server."""
        super().setup_template_dirs()
        self.template_paths.insert(0, str(_PAGES))

    def init_settings(self) -> dict[str, Any]:
        """Forbid the browser to load anything from elsewhere."""
        only_from_here = _ONLY_FROM_HERE.format(line=f"ws://{self.ip}:{self.port}")
        return {**super().init_settings(), "headers": {"Content-Security-Policy": only_from_here}}

    def init_handlers(self) -> list[Any]:
        """Return the handlers for the page and what it needs; everything else is not found."""
        kept = []
        for handler in super().init_handlers():
            path = handler[0]
            if path.endswith("/(.*)") and path.count("/") == 1:
                kept.append((path.removesuffix("(.*)"), ThePage, *handler[2:]))
            elif path.endswith("/voila/templates/(.*)"):
                # Voila answers other paths here with a fault of its own, not with "not found".
                kept.append((path.replace("(.*)", r"((?!.*\.\.)\w+/static/[\w./-]+)"), *handler[1:]))
            elif any(part in path for part in _NEEDED) or path.endswith("/login"):
                kept.append(handler)
        return kept


def main() -> None:
    """Serve the notebook named on the command line until the line to the starter closes."""
    app = OnePage.instance()
    app.initialize([*sys.argv[1:], f"--Voila.token={os.environ.pop(TOKEN)}"])

    def until_the_starter_ends() -> None:
        sys.stdin.read()
        app.ioloop.add_callback(app.ioloop.stop)

    threading.Thread(target=until_the_starter_ends, daemon=True).start()
    try:
        app.start()
    finally:
        # The starter may be gone already, and with it whoever would tidy up.
        shutil.rmtree(Path(app.notebook_path).parent, ignore_errors=True)


if __name__ == "__main__":
    main()
