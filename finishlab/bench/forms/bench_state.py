"""The book, the study and the session together: which trial is on the bench, and what may be read when.

The book is asked once for all that one press needs; `look_again` is called when it may have
changed. Nothing is written here (`saving.py`) and nothing is shown (`page.py`).
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from finishlab.bench.forms.trial_progress import Trial, trials_of
from finishlab.errors import RecordsError

if TYPE_CHECKING:
    from finishlab.bench.forms.session import Session
    from finishlab.records import RecordBook
    from finishlab.study import Study


@dataclass
class Bench:
    """One person at one bench."""

    book: RecordBook
    study: Study
    session: Session
    _trials: list[Trial] | None = field(default=None, repr=False)

    def look_again(self) -> None:
        """Forget what the book said."""
        self._trials = None

    def trials(self) -> list[Trial]:
        """Return the trials of the book."""
        if self._trials is None:
            self._trials = trials_of(self.book.as_logged(self.study), self.study)
        return self._trials

    def known(self, number: Any) -> Trial | None:
        """Return a trial by its number; None when the book has none."""
        return next((t for t in self.trials() if t.number == number), None)

    def trial(self) -> Trial | None:
        """Return the trial on the bench: the one chosen, else one's own, else the next; None at the end."""
        chosen = self.known(self.session.trial)
        if chosen is not None and chosen.status in ("planned", "started"):
            return chosen
        following = self.book.next_trial(self.study, technician=self.session.technician)
        following = following or self.book.next_trial(self.study)
        return self.known(following["trial"]) if following else None

    def here(self) -> Trial:
        """Return the trial on the bench; RecordsError when there is none any more."""
        trial = self.trial()
        if trial is None:
            raise RecordsError("This trial was ended meanwhile, perhaps at another bench. Take the next one.")
        return trial

    def about(self) -> Trial:
        """Return the trial that is corrected, spoiled or burned through."""
        return self.known(self.session.about) or self.here()

    def row(self, number: Any) -> dict[str, Any]:
        """Return all that the book holds of a trial, by column."""
        table = self.book.as_logged(self.study)
        return {str(k): v for k, v in table[table["trial"] == number].to_dict("records")[0].items()}

    def waits(self) -> dict[int | str, float]:
        """Return the seconds until each patch under way may be read, by trial; left out where it may."""
        left = {number: self.session.seconds_left(number) for number in self.session.ready}
        if self.study.reading.wait_minutes:
            for row in self.book.waiting(self.study).to_dict("records"):
                left[row["trial"]] = max(left.get(row["trial"], 0.0), 60 * row["minutes_left"])
        return {number: seconds for number, seconds in left.items() if seconds > 0}

    def why(self, trial: Trial) -> str:
        """Return why a trial is planned; nothing for one who must not know."""
        following = self.book.next_trial(self.study, blind=self.session.blind)
        return str(following.get("why") or "") if following and following["trial"] == trial.number else ""
