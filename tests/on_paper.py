"""Pages printed to PDF by a headless browser that may fetch nothing, and what then stands on each sheet.

Without the programs a test is skipped, except where continuous checks run (see `skips.py`).
"""

from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path

import pytest
from lab_page import CHROMIUM, SWITCHES
from skips import NOT_ON_CI


def needs_paper() -> None:
    """Skip unless chromium and poppler-utils are there."""
    if CHROMIUM and shutil.which("pdftotext") and shutil.which("pdfinfo"):
        return
    pytest.skip(NOT_ON_CI["paper"])


def printed(path: Path, size: str, folder: Path) -> Path:
    """Print a page to PDF on paper of a size, as CSS names it."""
    source = path.read_text(encoding="utf-8").replace("</style>", f"@page {{ size: {size} }}</style>", 1)
    copy, pdf = folder / f"{size}.html", folder / f"{size}.pdf"
    copy.write_text(source, encoding="utf-8")
    command = [str(CHROMIUM), *SWITCHES, "--no-pdf-header-footer", f"--user-data-dir={folder / 'profile'}"]
    subprocess.run(
        [*command, f"--print-to-pdf={pdf}", copy.as_uri()], check=True, capture_output=True, timeout=120
    )
    return pdf


def pages_of(pdf: Path, order: str = "raw") -> list[str]:
    """Return the text of each sheet; in the order of the file, or by its `layout`."""
    text = subprocess.run(
        ["pdftotext", f"-{order}", str(pdf), "-"], capture_output=True, text=True, check=True
    ).stdout
    return text.split("\f")[:-1]


def assert_within_the_page(box: str) -> None:
    """Hold the words of a PDF, as `pdftotext -bbox` places them in points, away from the edges of its pages."""
    width, height = (float(x) for x in re.search(r'width="([\d.]+)" height="([\d.]+)"', box).groups())  # type: ignore[union-attr]
    corners = re.findall(r'xMin="([-\d.]+)" yMin="([-\d.]+)" xMax="([\d.]+)" yMax="([\d.]+)"', box)
    assert min(float(c[0]) for c in corners) > 20
    assert max(float(c[2]) for c in corners) < width - 20
    assert max(float(c[3]) for c in corners) < height - 10
