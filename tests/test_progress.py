"""The bar in a notebook: there while a person waits, nothing left of it in what is kept. In a terminal: test_cli.py."""

import sys

import nbformat
import pytest
from nbclient import NotebookClient

CELL = """\
import time
from finishlab import progress as progress
progress.PATIENCE = {patience}
print("before")
with progress.bar(4) as stage:
    stage("choosing trials, start 1 of 4")
    time.sleep(0.5)
    stage("choosing trials, start 2 of 4")
    time.sleep(0.1)
"after"
"""


class Watched(NotebookClient):
    """Keeps what was shown on the way, as a person sees it."""

    def process_message(self, msg, cell, cell_index):
        if msg["msg_type"] in ("display_data", "update_display_data"):
            self.seen = [*getattr(self, "seen", []), msg["content"]["data"]]
        return super().process_message(msg, cell, cell_index)


def shown(monkeypatch, patience, opened):
    if opened:
        monkeypatch.setenv(
            "JPY_SESSION_NAME", "plan.ipynb"
        )  # as Jupyter's server does for the kernels it starts
    else:
        monkeypatch.delenv("JPY_SESSION_NAME", raising=False)
    notebook = nbformat.v4.new_notebook(cells=[nbformat.v4.new_code_cell(CELL.format(patience=patience))])
    client = Watched(notebook, timeout=60, kernel_name="python3")
    client.execute()
    return getattr(client, "seen", []), notebook.cells[0].outputs


def test_a_bar_shows_how_far_slow_work_is_and_leaves_nothing(monkeypatch):
    seen, kept = shown(monkeypatch, 0.1, opened=True)
    assert [list(data) for data in seen] == [["text/plain"], ["text/plain"], []]
    assert "choosing trials, start 1 of 4" in seen[0]["text/plain"]
    assert seen[1]["text/plain"].startswith("█" * 6 + "░" * 18)
    assert [out.get("text", dict(out.get("data", {}))) for out in kept] == [
        "before\n",
        {},
        {"text/plain": "'after'"},
    ]


def test_under_a_slider_where_it_could_not_be_taken_back_there_is_no_bar(monkeypatch):
    inside = CELL.replace("with progress", "import ipywidgets\nwith ipywidgets.Output(), progress")
    monkeypatch.setattr(sys.modules[__name__], "CELL", inside)
    seen, _ = shown(monkeypatch, 0.1, opened=True)
    assert seen == []


@pytest.mark.parametrize(("patience", "opened"), [(5.0, True), (0.1, False)])
def test_quick_work_and_a_notebook_that_nobody_has_open_show_no_bar(monkeypatch, patience, opened):
    seen, kept = shown(monkeypatch, patience, opened)
    assert seen == []
    assert [out.output_type for out in kept] == ["stream", "execute_result"]
