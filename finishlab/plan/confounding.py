"""Which settings a set of trials cannot tell apart, in words.

For plans and for old logs alike: it looks at the settings and panels only.
"""

from __future__ import annotations

import itertools
from typing import TYPE_CHECKING

import numpy as np

from finishlab.words.show import begun, listed

if TYPE_CHECKING:
    from finishlab.study import Study

#: Correlation from which two settings are said to change nearly together, and altogether.
_NEARLY, _EXACT = 0.9, 1 - 1e-8


def together(study: Study, values: np.ndarray, panel: np.ndarray) -> tuple[str, ...]:
    """
    Say which settings cannot be told apart, from each other and from the panels.

    Parameters
    ----------
    study : Study
    values : ndarray, shape (trials, factors)
        As `Basis.values`.
    panel : ndarray of int, shape (trials,)

    Examples
    --------
    >>> from finishlab import Study
    >>> study = Study.from_toml('''
    ... title = "Doors"
    ... pass_means = "one direction"
    ... [[step]]
    ... name = "cut"
    ... pad = ["wool", "foam"]
    ... passes = { lowest = 1, highest = 4 }
    ... [goal]
    ... gloss_20 = { at_least = 82 }
    ... assurance = 0.9
    ... ''')
    >>> together(study, np.array([[0, 1], [1, 4], [0, 1], [1, 4]]), np.array([0, 0, 1, 1]))
    ('Cut pad and cut passes change together: which of them did it cannot be told.',)
    >>> together(study, np.array([[0, 1], [1, 4], [0, 4], [1, 1]]), np.array([0, 0, 0, 0]))
    ()
    """
    coded = [c - c.mean(axis=0) for c in study.basis.coded(values)]
    labels = [f.label() for f in study.factors]
    panels = np.eye(panel.max() + 1)[panel]
    said = []
    for a, b in itertools.combinations(range(len(labels)), 2):
        alike = _alike(coded[a], coded[b])
        if alike > _EXACT:
            said.append(f"{labels[a]} and {labels[b]} change together: which of them did it cannot be told.")
        elif alike > _NEARLY:
            said.append(
                f"{labels[a]} and {labels[b]} change nearly together: which of them did it is hard to tell."
            )
    for j, label in enumerate(labels):
        if not np.abs(coded[j]).max(initial=0) > 0:
            said.append(f"{label} never changes: nothing can be said of it.")
        elif (
            len(np.unique(panel)) > 1
            and _alike(coded[j], panels - panels.mean(axis=0)) > _EXACT
            and not _varies(coded[j], panel)
        ):
            said.append(
                f"{label} changes only from panel to panel: what it does is seen against how panels differ."
            )
    named = {label for label in labels if any(label in s for s in said)}
    mixed = []
    for j, label in enumerate(labels):
        rest = np.hstack([c for i, c in enumerate(coded) if i != j] or [np.zeros((len(values), 0))])
        if (
            label not in named
            and rest.shape[1]
            and _alike(coded[j], rest) > _EXACT
            and len(values) > rest.shape[1] + 1
        ):
            mixed.append(label)
    if mixed:
        said.append(f"{listed(mixed)} cannot be told apart from the other settings taken together.")
    return tuple(begun(s) for s in said)


def too_few(trials: int, differences: int) -> list[str]:
    """
    Say when trials cannot tell settings apart, or nothing.

    Parameters
    ----------
    trials : int
        All that will count, existing ones too.
    differences : int
        Differences between settings that are to be learnt.

    Examples
    --------
    >>> too_few(8, 9)
    ['8 trials cannot tell the settings apart: 9 differences are to be learnt. Plan 12 in all, at least.']
    >>> too_few(12, 9)
    []
    """
    # The level of all, and two more to tell a difference from luck by.
    needed = differences + 3
    if trials >= needed:
        return []
    how = "cannot" if trials <= differences else "can hardly"
    return [
        f"{trials} trials {how} tell the settings apart: {differences} differences are to be learnt. Plan {needed} in all, "
        "at least."
    ]


def _varies(coded: np.ndarray, panel: np.ndarray) -> bool:
    return any(np.ptp(coded[panel == p], axis=0).max() > 0 for p in np.unique(panel))


def _alike(a: np.ndarray, b: np.ndarray) -> float:
    """Return the largest correlation of any mix of one's columns with any mix of the other's."""
    qa, qb = _span(a), _span(b)
    return float(np.linalg.svd(qa.T @ qb, compute_uv=False)[0]) if qa.shape[1] and qb.shape[1] else 0.0


def _span(a: np.ndarray) -> np.ndarray:
    u, s, _ = np.linalg.svd(a, full_matrices=False)
    return u[:, s > 1e-9 * max(s.max(initial=0), 1e-300)]
