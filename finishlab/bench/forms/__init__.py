"""The form at the bench, in a notebook and on a tablet.

`log_form(book, study)` shows it in JupyterLab; `serve_tablet(folder)` serves the same form,
and nothing else, to a tablet. What belongs in a record is decided in `records/`; how a trial
is worked is the study's. `entry` reads what is typed, `page` says what is shown, `log_form`
calls the book, `form.js` and `form.css` draw, `tablet` serves.
"""

from finishlab.bench.forms.log_form import LogForm, log_form
from finishlab.bench.forms.tablet import TabletPage, serve_tablet

__all__ = ["LogForm", "TabletPage", "log_form", "serve_tablet"]
