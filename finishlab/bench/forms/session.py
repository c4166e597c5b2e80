"""Who logs, with what, and which trial is on the bench; nothing of it is a record."""

from __future__ import annotations

import time
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from finishlab.bench.forms.page_parts import Part
from finishlab.bench.forms.trial_progress import Trial, trials_of
from finishlab.errors import RecordsError

if TYPE_CHECKING:
    from finishlab.records import RecordBook
    from finishlab.study import Study


#: Seconds after which whoever comes back is asked again who they are: a working day.
SHIFT = 10 * 3600
_VIEWS = ("who", "trial", "differ", "spoil", "burn", "correct", "meter")


@dataclass
class Session:
    """Who logs, with what, and what is on the screen. Times are seconds of the computer's clock."""

    technician: str = ""
    instrument: str = ""
    direction: str = ""
    in_mil: bool = False
    blind: bool = False
    also: set[str] = field(default_factory=set)
    view: str = "who"
    trial: int | str | None = None
    #: Trial that is corrected, spoiled or burned through.
    about: int | str | None = None
    #: Seconds worked by (trial, step), and since when the stopwatch runs.
    clocks: dict[tuple[int | str, str], tuple[float, float | None]] = field(default_factory=dict)
    #: When a patch may be read, by trial.
    ready: dict[int | str, float] = field(default_factory=dict)
    #: Tile and limit of the last meter check, as they were typed.
    tile: dict[str, str] = field(default_factory=dict)
    message: Part | None = None

    def worked(self, number: int | str, step: str) -> tuple[float, bool]:
        """Return the seconds worked of a step until now, and whether its stopwatch runs."""
        seconds, since = self.clocks.get((number, step), (0.0, None))
        return (seconds, False) if since is None else (seconds + time.time() - since, True)

    def seconds_left(self, number: int | str) -> float:
        """Return the seconds until a patch may be read; 0 when it may."""
        return max(0.0, self.ready.get(number, 0.0) - time.time())

    def to_keep(self) -> dict[str, Any]:
        """Return what a browser keeps."""
        plain = ("technician", "instrument", "direction", "in_mil", "blind", "view", "trial", "about")
        return {
            **{name: getattr(self, name) for name in plain},
            "also": sorted(self.also),
            "clocks": [[*place, *clock] for place, clock in self.clocks.items()],
            "ready": [[number, at] for number, at in self.ready.items()],
            "tile": self.tile,
            "at": time.time(),
        }

    def take_up(self, kept: Any) -> bool:
        """
        Go on from what a browser kept; return whether anything of it could be used.

        Stopwatches and waits count however old they are. Who logs is asked again after a
        working day, and blind stays blind.
        """
        try:
            clocks = {
                (_number(n), str(step)): (float(worked), None if since is None else float(since))
                for n, step, worked, since in kept["clocks"]
            }
            ready = {_number(n): float(at) for n, at in kept["ready"]}
            also, tile = {str(a) for a in kept["also"]}, {str(k): str(v) for k, v in kept["tile"].items()}
            words = {name: str(kept[name])[:80] for name in ("technician", "instrument", "direction")}
            view, fresh = str(kept["view"]), time.time() - float(kept["at"]) < SHIFT
            places = {
                name: None if kept[name] is None else _number(kept[name]) for name in ("trial", "about")
            }
            blind, in_mil = bool(kept["blind"]), bool(kept["in_mil"])
        except (KeyError, TypeError, ValueError, AttributeError):
            return False
        if not words["technician"] or view not in _VIEWS:
            return False
        self.clocks, self.ready, self.also, self.tile = clocks, ready, also, tile
        for name, value in {**words, **places}.items():
            setattr(self, name, value)
        self.in_mil, self.blind = in_mil, self.blind or blind
        self.view = view if fresh else "who"
        return True


def _number(value: Any) -> int | str:
    if isinstance(value, bool) or not isinstance(value, int | str):
        raise TypeError(value)
    return value


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
