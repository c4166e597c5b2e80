"""Who logs, with what, and where they are; nothing of it is a record.

A browser keeps it (`form.js`), so that a page that is loaded again, a new kernel or a closed
lid finds the bench as it was: who logs, which patch, a stopwatch that runs. What comes back
from there may be old or spoiled and is looked through before it counts.
"""

from __future__ import annotations

import time
from dataclasses import dataclass, field
from typing import Any

from finishlab.bench.forms.page_parts import Part

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
