"""Run sheets: what a technician takes to the bench, as a workbook to fill in or a page to print.

A planned sheet goes in, files come out; nothing is planned or decided here. `run_sheet_facts.py` says
what stands on a sheet, `workbook.py`, `page.html.j2` and `labels.html.j2` how it looks, and
`words.toml` holds every word. A filled workbook comes back through `records/`.
"""

from finishlab.bench.run_sheets.run_sheet_files import write_labels, write_run_sheet

__all__ = ["write_labels", "write_run_sheet"]
