"""A study folder: one study with all its files, each in its place.

::

    doors/
      study.toml               the study file, written by the shop
      trials.csv               the trial sheet (or trials.xlsx, not both)
      results/                 the answer last given, with its figure and tables
      procedures/              every procedure ever written, one number each

Here is decided where a file belongs, and that files change all together or not at all.
What stands in them is decided elsewhere.
"""

from __future__ import annotations

import re
import shutil
import tempfile
from collections.abc import Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from finishlab.errors import FinishlabError, RecordsError

if TYPE_CHECKING:
    import pandas as pd

    from finishlab.study import Study

STUDY = "study.toml"
SHEETS = ("trials.csv", "trials.xlsx")
RESULTS, PROCEDURES = "results", "procedures"
#: The data set that `start_demo` copies.
_DEMO = "van_panels"
_NUMBER = re.compile(r"SP-([0-9]+)", re.IGNORECASE)


@dataclass(frozen=True)
class StudyFolder:
    """
    The folder of one study.

    Attributes
    ----------
    path : Path
        It exists.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as place:
    ...     folder = StudyFolder.at(place)
    ...     folder.next_number(), folder.sheet() is None
    ('SP-001', True)
    """

    path: Path

    @classmethod
    def at(cls, path: str | Path) -> StudyFolder:
        """
        Return the study folder at a path.

        Raises
        ------
        FinishlabError
            There is no folder of that name.
        """
        path = Path(path)
        if path.is_file():
            raise FinishlabError(f"{path} is a file. Give the study's folder, {path.parent}.")
        if not path.is_dir():
            raise FinishlabError(
                f"there is no folder {path}. Look at the name, or make a folder with the demo study: finishlab start {path}"
            )
        return cls(path)

    @property
    def results(self) -> Path:
        """Where the answer last given stands."""
        return self.path / RESULTS

    @property
    def procedures(self) -> Path:
        """Where procedures are kept."""
        return self.path / PROCEDURES

    def study(self) -> Study:
        """Return the study; StudyError with every mistake of its file."""
        from finishlab.study import Study

        return Study.read(self.path / STUDY)

    def sheet(self) -> Path | None:
        """
        Return the trial sheet, None when there is none yet.

        Raises
        ------
        RecordsError
            There are two: nobody could say which one counts.
        """
        found = sorted(p for p in self.path.iterdir() if p.name.casefold() in SHEETS)
        if len(found) > 1:
            names = " and ".join(p.name for p in found)
            raise RecordsError(
                f"{self.path} has {names}; only one can be the trial sheet. Move the one that does not count elsewhere."
            )
        return found[0] if found else None

    def trials(self, study: Study) -> pd.DataFrame:
        """
        Return the trials, checked as `read_trials` does.

        Raises
        ------
        RecordsError
            There is no trial sheet, there are two, or it has mistakes.
        """
        from finishlab.records import read_trials

        sheet = self.sheet()
        if sheet is None:
            raise RecordsError(
                f"there is no trial sheet in {self.path}. Put the trials there as {' or '.join(SHEETS)}, one row a trial."
            )
        return read_trials(sheet, study)

    def next_number(self) -> str:
        """Return the first procedure number after the highest in use; a number is never used again."""
        names = [p.name for p in self.procedures.iterdir()] if self.procedures.is_dir() else []
        used = [int(found[1]) for name in names if (found := _NUMBER.match(name))]
        return f"SP-{max(used, default=0) + 1:03d}"

    @contextmanager
    def replacing(self, files: Mapping[str, bytes]) -> Iterator[list[Path]]:
        """
        Put result files in place; put the older ones back if the body of the ``with`` fails.

        Parameters
        ----------
        files : mapping of str to bytes
            Name within `results`, and all that the file holds.

        Yields
        ------
        list of Path
            Where they are, in the order given.

        Raises
        ------
        RecordsError
            One cannot be written; every file is as it was.
        """
        from finishlab.records.files import write_whole

        made = not self.results.exists()
        try:
            self.results.mkdir(exist_ok=True)
            older = {name: _bytes(self.results / name) for name in files}
        except OSError as error:
            raise RecordsError(
                f"the results cannot be written in {self.results} ({error.strerror}). Nothing was written. "
                "Look at whether something of that name is in the way, and who may write there."
            ) from None
        try:
            for name, data in files.items():
                write_whole(self.results / name, data)
            yield [self.results / name for name in files]
        except BaseException:
            for name, before in older.items():
                if before is None:
                    (self.results / name).unlink(missing_ok=True)
                elif _bytes(self.results / name) != before:
                    write_whole(self.results / name, before)
            if made:
                with suppress(OSError):  # someone else's file came in meanwhile
                    self.results.rmdir()
            raise


def start_demo(path: str | Path) -> StudyFolder:
    """
    Make a new folder with the demo study and its trials, which are invented.

    Parameters
    ----------
    path : str or Path
        Not there yet, or an empty folder.

    Returns
    -------
    StudyFolder

    Raises
    ------
    FinishlabError
        Something is there already, or the folder cannot be made. Nothing was changed.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as place:
    ...     start_demo(Path(place, "demo")).study().basis.size > 100
    True
    """
    path = Path(path)
    if path.exists() and not (path.is_dir() and not any(path.iterdir())):
        go_on = f", or go on with this one: finishlab shortest {path}" if (path / STUDY).exists() else "."
        raise FinishlabError(
            f"{path} is there already and was not touched. Give the name of a new folder{go_on}"
        )
    source = shipped("datasets") / _DEMO
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryDirectory(dir=path.parent, prefix=".finishlab-") as beside:
            whole = Path(beside, "study")
            # Only the files' contents: where the package is read-only, the copies must not be.
            shutil.copytree(source, whole, copy_function=shutil.copyfile, ignore=shutil.ignore_patterns(".*"))
            whole.chmod(0o755)
            if path.exists():
                path.rmdir()  # an empty folder, which not every system lets another replace
            whole.rename(path)
    except OSError as error:
        raise FinishlabError(
            f"{path} cannot be made ({error.strerror or error}). Give a place where you may write."
        ) from None
    return StudyFolder(path)


def shipped(kind: str) -> Path:
    """
    Return the folder of notebooks or data sets that comes with finishlab.

    Parameters
    ----------
    kind : {"datasets", "notebooks"}

    Raises
    ------
    FinishlabError
        The installation lacks it.
    """
    package = Path(__file__).parent
    # Inside an installed package, or beside it in a clone.
    for place in (package / "_shipped" / kind, package.parent / kind):
        if place.is_dir():
            return place
    raise FinishlabError(
        f"this installation of finishlab has no {kind}. Install it again, or work in a clone."
    )


def _bytes(path: Path) -> bytes | None:
    return path.read_bytes() if path.exists() else None
