"""The command line: `finishlab start | check | shortest | ...`, each on a study folder.

Here words of a line become calls, and answers become text on a screen. Nothing is
computed; where files belong is decided in `study_folder.py`. Everything heavy is imported
inside the command that needs it, so that `--help` answers at once. One module holds the
commands of one kind of work; this one puts them together.

Exit codes: 0 an answer, 2 a mistake of the caller (said in plain sentences, never with a
traceback), 3 where no process can be named: "cannot tell yet" or "not reachable", answers too.
"""

from __future__ import annotations

import io
import os
import sys
from typing import Any

import typer
from typer.core import TyperGroup

from finishlab.cli import (
    answer_commands,
    follow_up_command,
    lab_command,
    procedure_command,
    record_command,
    rename_command,
    start_command,
    trial_commands,
    watch_command,
)
from finishlab.cli.options import MISTAKE
from finishlab.errors import FinishlabError


class _Commands(TyperGroup):
    """Answers every mistake of the caller with its sentences; anything unexpected shows whole."""

    def invoke(self, ctx: Any) -> Any:
        try:
            return super().invoke(ctx)
        except FinishlabError as error:
            said = str(error)
        except PermissionError as error:
            said = (
                f"{error.filename} is closed to you ({error.strerror}). Look at who may read and write there."
            )
        typer.echo(said, err=True)
        raise typer.Exit(MISTAKE)


app = typer.Typer(
    cls=_Commands,
    pretty_exceptions_enable=False,
    add_completion=False,
    # Plain help: it needs half the time, and reads the same on every console.
    rich_markup_mode=None,
    no_args_is_help=True,
)


def main() -> None:
    """Run the command line, in UTF-8 whatever the console's own code page is."""
    # The matrices are small: threads would wait for each other longer than they work. It
    # has to be said before numpy is loaded, and holds for this program alone.
    for name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
        os.environ.setdefault(name, "1")
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(encoding="utf-8")
    # What is typed comes as the console has it; what comes through a pipe is a file's text.
    if isinstance(sys.stdin, io.TextIOWrapper) and not sys.stdin.isatty():
        sys.stdin.reconfigure(encoding="utf-8")
    app()


@app.callback()
def _top() -> None:
    """Find the shortest sanding, compounding and polishing process that keeps its promise.

    It works on a study folder: study.toml says what is studied and what the finish must be,
    trials.sqlite, the record book, what the bench logged (without a book, trials.csv or
    trials.xlsx does). Answers go to results/ in the folder, procedures to procedures/: a draft
    first, which somebody issues by name.

    \b
    Examples:
      finishlab start demo
      finishlab check demo
      finishlab shortest demo

    \b
    A study of your own:
      finishlab start doors
      finishlab plan doors --trials 24 --panels 4
      finishlab record doors
      finishlab shortest doors
      finishlab shortest doors --draft
      finishlab issue doors --by owner

    \b
    Exit code: 0 an answer, 2 a mistake in what was given, 3 no process can be
    named: cannot tell yet, or not reachable.

    Cautions: finishlab never says that a process is safe. Follow the safety data sheets,
    the coating maker's data sheet, local codes and licensed practice.
    """


for _command in (
    start_command.start,
    trial_commands.plan,
    record_command.record,
    answer_commands.check,
    answer_commands.shortest,
):
    app.command()(_command)
app.command("follow-up")(follow_up_command.follow_up)
app.command()(procedure_command.procedure)
app.command()(procedure_command.issue)
app.command()(procedure_command.withdraw)
app.command()(watch_command.watch)
app.command()(lab_command.lab)
app.command("import")(trial_commands.import_sheet)
for _command in (trial_commands.export, trial_commands.backup):
    app.command()(_command)
app.command()(rename_command.rename)
