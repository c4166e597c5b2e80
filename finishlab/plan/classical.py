"""Textbook plans: factorials, fractions of them, central composite and Box-Behnken plans.

They stand beside `kind="best"` for those who teach or know them. Points come from pydoe or
the published tables; here they become processes of a study, with what is mixed up with
what in words. Panels, controls and order are `panel_runs.py`'s and `trial_plan.py`'s matter.

References
----------
Box, G. E. P., Hunter, J. S. and Hunter, W. G. (2005). Statistics for Experimenters, 2nd ed.
(generators of the fractions; from memory). Box, G. E. P. and Behnken, D. W. (1960). Some new
three level designs for the study of quantitative variables. Technometrics 2, 455-475.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

from finishlab.errors import PlanError
from finishlab.words.show import counted, listed

if TYPE_CHECKING:
    from finishlab.study import Setting, Study

KINDS = ("factorial", "fraction", "central composite", "box-behnken")
#: More runs than this are a slip, not a plan for a bench.
_MOST_RUNS = 1000
#: What else to do where most kinds of plan do not fit.
_LESS = 'hold a setting in the study file, or take "best"'
#: Generators of two-level fractions as commonly tabled, by number of factors and of runs.
GENERATORS: dict[tuple[int, int], str] = {
    (3, 4): "ab",
    (4, 8): "abc",
    (5, 16): "abcd",
    (5, 8): "ab ac",
    (6, 32): "abcde",
    (6, 16): "abc bcd",
    (6, 8): "ab ac bc",
    (7, 64): "abcdef",
    (7, 32): "abcd abde",
    (7, 16): "abc bcd acd",
    (7, 8): "ab ac bc abc",
    (8, 64): "abcd abef",
    (8, 32): "abc abd bcde",
    (8, 16): "bcd acd abc abd",
    (9, 128): "acdfg bcefg",
    (9, 64): "abcd acef cdef",
    (9, 32): "bcde acde abde abce",
    (9, 16): "abc bcd acd abd abcd",
    (10, 128): "abcg bcde acdf",
    (10, 32): "abcd abce abde acde bcde",
    (10, 16): "abc bcd acd abd abcd ab",
}
#: Factors that change together in Box-Behnken plans, where pydoe's are longer than the published.
_TRIPLES = {
    6: ((0, 1, 3), (1, 2, 4), (2, 3, 5), (0, 3, 4), (1, 4, 5), (0, 2, 5)),
    7: ((3, 4, 5), (0, 5, 6), (1, 4, 6), (0, 1, 3), (2, 3, 6), (0, 2, 4), (1, 2, 5)),
}
#: Factor letters of the textbooks: I is the identity.
LETTERS = "ABCDEFGHJKLMNOP"


@dataclass(frozen=True, eq=False)
class Design:
    """
    The points of a textbook plan.

    Attributes
    ----------
    values : ndarray, shape (runs, factors)
        As `Basis.values`, left-out steps not yet emptied.
    more : ndarray, shape (any, factors)
        What to run in room that is left: centre points, or none where runs are repeated.
    facts : dict
        What is known of the plan, in words and plain numbers.
    instead : str
        What else to do where it does not fit.
    cautions : list of str
    """

    values: np.ndarray
    more: np.ndarray
    facts: dict[str, Any]
    instead: str
    cautions: list[str] = field(default_factory=list)

    @property
    def kind(self) -> str:
        """What the plan is called."""
        return str(self.facts["kind"])


def designs_of(study: Study, kind: str) -> list[Design]:
    """
    Return the points of the textbook plans of a kind for the factors of a study, the largest first.

    Parameters
    ----------
    study : Study
    kind : {"factorial", "fraction", "central composite", "box-behnken"}

    Raises
    ------
    PlanError
        The plan needs more runs than a bench can work, or other factors.
    """
    make = {
        "factorial": _factorial,
        "fraction": _fraction,
        "central composite": _central_composite,
        "box-behnken": _box_behnken,
    }[kind]
    return make(study, kind)


def _factorial(study: Study, kind: str) -> list[Design]:
    choices = [_two(study, f) if f.numeric else study.basis.levels[j] for j, f in enumerate(study.factors)]
    runs = math.prod(map(len, choices))
    instead = 'hold a setting in the study file, or take "fraction" or "best"'
    _can_be_worked(kind, runs, instead)
    import pydoe

    index = pydoe.fullfact(np.array([len(c) for c in choices])).astype(int)
    values = np.column_stack([c[index[:, j]] for j, c in enumerate(choices)])
    facts = {
        "kind": kind,
        "runs": runs,
        "resolution": "full",
        "defining_relation": "none: every combination is run",
    }
    return [Design(values, values[:0], facts, instead)]


def _fraction(study: Study, kind: str) -> list[Design]:
    factors = study.factors
    many = [f"{f.label()} has {len(f.levels)}" for f in factors if not f.numeric and len(f.levels) > 2]
    if many:
        raise PlanError(
            f"fraction: every setting needs two levels; {listed(many)}. Keep two of them in the study file, or take "
            'kind="best", which has room for all.'
        )
    sizes = sorted(runs for k, runs in GENERATORS if k == len(factors))
    if not sizes:
        raise PlanError(
            f'fraction: {counted(len(factors), "factor")}; there are fractions for 3 to 10. Take kind="factorial" or "best".'
        )
    import pydoe

    low_high = [_two(study, f) for f in factors]
    labels = [f.label() for f in factors]
    designs = []
    for runs in reversed(sizes):
        base = "abcdefghijklmnop"[: int(math.log2(runs))]
        signs = pydoe.fracfact(" ".join([*base, GENERATORS[len(factors), runs]]))
        values = np.column_stack([pair[(signs[:, j] > 0).astype(int)] for j, pair in enumerate(low_high)])
        facts = {"kind": kind, "runs": runs, **relations(signs, labels)}
        designs.append(Design(values, values[:0], facts, _LESS))
    return designs


def relations(signs: np.ndarray, labels: list[str]) -> dict[str, Any]:
    """
    Return resolution, defining relation and what is mixed up with what, from the points themselves.

    Parameters
    ----------
    signs : ndarray, shape (runs, factors)
        -1 and 1.
    labels : list of str
        Names of the factors in plain words.

    Examples
    --------
    Half of the eight runs of three settings: each is mixed up with the product of the other two.

    >>> half = np.array([[-1, -1, 1], [1, -1, -1], [-1, 1, -1], [1, 1, 1]])
    >>> facts = relations(half, ["grit", "pad", "passes"])
    >>> facts["resolution"], facts["defining_relation"]
    ('III', 'I = ABC')
    >>> facts["aliases"][0]
    'grit cannot be told apart from pad × passes'
    """
    k = signs.shape[1]
    words, lengths = [], []
    for size in range(1, k + 1):
        for some in itertools.combinations(range(k), size):
            product = signs[:, some].prod(axis=1)
            if abs(product.sum()) == len(signs):
                words.append(("-" if product[0] < 0 else "") + "".join(LETTERS[j] for j in some))
                lengths.append(size)
    terms = [*itertools.combinations(range(k), 1), *itertools.combinations(range(k), 2)]
    sets: dict[bytes, list[tuple[int, ...]]] = {}
    for term in terms:
        product = signs[:, term].prod(axis=1)
        sets.setdefault((product * product[0]).astype(np.int8).tobytes(), []).append(term)
    said = [
        f"{_term(labels, first)} cannot be told apart from {listed(_term(labels, t) for t in others)}"
        for first, *others in sets.values()
        if others
    ]
    letters = ["=".join("".join(LETTERS[j] for j in t) for t in terms_) for terms_ in sets.values()]
    return {
        "resolution": _roman(min(lengths)) if lengths else "full",
        "defining_relation": " = ".join(["I", *words]) if words else "none: every combination is run",
        "letters": dict(zip(LETTERS, labels, strict=False)),
        "alias_sets": tuple(letters),
        "aliases": tuple(said),
    }


#: What a resolution says of settings and of the products of two.
_RESOLUTION = {
    "III": "single settings are mixed up with products of two others",
    "IV": "single settings stand clear of products of two, which are mixed up with each other",
    "full": "nothing is mixed up",
}
_CLEAR = "single settings and products of two stand clear of each other"


def words_of(facts: dict[str, Any]) -> tuple[str, ...]:
    """
    Say what a textbook plan is, a sentence each.

    Parameters
    ----------
    facts : dict
        As `Design.facts`; of ``kind="best"`` there is nothing to say.

    Examples
    --------
    >>> half = np.array([[-1, -1, 1], [1, -1, -1], [-1, 1, -1], [1, 1, 1]])
    >>> facts = {"kind": "fraction", "runs": 4} | relations(half, ["grit", "pad", "passes"])
    >>> print(*words_of(facts)[:3], sep="\\n")
    4 runs, resolution III: single settings are mixed up with products of two others.
    Defining relation I = ABC (A grit, B pad, C passes).
    grit cannot be told apart from pad × passes.
    >>> words_of({"kind": "best"})
    ()
    """
    said = []
    if "resolution" in facts:
        meant = _RESOLUTION.get(facts["resolution"], _CLEAR)
        said.append(f"{counted(facts['runs'], 'run')}, resolution {facts['resolution']}: {meant}.")
    if facts.get("letters") and facts["resolution"] != "full":
        letters = ", ".join(f"{letter} {label}" for letter, label in facts["letters"].items())
        said.append(f"Defining relation {facts['defining_relation']} ({letters}).")
    said += [f"{alias}." for alias in facts.get("aliases", ())]
    if "centre_runs" in facts:
        times = facts["centre_runs"]
        parts = [f"{facts[name]} {words}" for name, words in _PARTS.items() if name in facts]
        away = (
            f", axial points {facts['alpha']:.2f} times as far from the centre as corners are"
            if "alpha" in facts
            else ""
        )
        choices = f", for each of {times} choices of the other settings" if times > 1 else ""
        said.append(f"{counted(facts['runs'], 'run')}: {listed([*parts, '1 centre point'])}{choices}{away}.")
    return tuple(said)


_PARTS = {"factorial_runs": "corners", "axial_runs": "axial points", "edge_runs": "edge points"}


def _central_composite(study: Study, kind: str) -> list[Design]:
    numeric = _numbers(study, kind, 2, 6)
    import pydoe

    k = len(numeric)
    alpha = 2.0 ** (k / 4)
    coded = pydoe.ccdesign(k, center=(0, 0), alpha="rotatable", face="cci")
    facts = {"kind": kind, "alpha": alpha, "factorial_runs": 2**k, "axial_runs": 2 * k}
    return _of_numbers(study, numeric, coded, facts)


def _box_behnken(study: Study, kind: str) -> list[Design]:
    numeric = _numbers(study, kind, 3, 7)
    coded = box_behnken(len(numeric))
    return _of_numbers(study, numeric, coded, {"kind": kind, "edge_runs": len(coded)})


def box_behnken(factors: int) -> np.ndarray:
    """
    Return the edge points of a Box-Behnken plan, coded -1, 0, 1, centre points apart.

    Examples
    --------
    >>> [len(box_behnken(k)) for k in (3, 4, 5, 6, 7)]
    [12, 24, 40, 48, 56]
    """
    if factors in _TRIPLES:
        corners = np.array(list(itertools.product((-1.0, 1.0), repeat=3)))
        points = np.zeros((8 * len(_TRIPLES[factors]), factors))
        for i, triple in enumerate(_TRIPLES[factors]):
            points[8 * i : 8 * i + 8, triple] = corners
        return points
    import pydoe

    points = pydoe.bbdesign(factors, center=1)
    return points[np.any(points != 0, axis=1)]


def _of_numbers(study: Study, numeric: list[int], coded: np.ndarray, facts: dict[str, Any]) -> list[Design]:
    """Return points of the numeric factors, once for every choice of the other settings."""
    others = [j for j in range(len(study.factors)) if j not in numeric]
    crossed = list(itertools.product(*[study.basis.levels[j] for j in others]))
    runs = (len(coded) + 1) * len(crossed)
    _can_be_worked(str(facts["kind"]), runs, _LESS)
    points, moved = np.empty_like(coded), 0.0
    centre = np.empty(len(numeric))
    for c, j in enumerate(numeric):
        levels = study.basis.levels[j]
        middle, half = (levels[0] + levels[-1]) / 2, (levels[-1] - levels[0]) / 2
        wanted = middle + half * coded[:, c]
        points[:, c] = levels[np.abs(wanted[:, None] - levels).argmin(axis=1)]
        centre[c] = levels[np.abs(levels - middle).argmin()]
        moved = max(moved, float(np.abs(points[:, c] - wanted).max() / half), abs(centre[c] - middle) / half)

    def with_others(some: np.ndarray) -> np.ndarray:
        whole = np.empty((len(some) * len(crossed), len(study.factors)))
        for i, choice in enumerate(crossed):
            rows = slice(i * len(some), (i + 1) * len(some))
            whole[rows, numeric] = some
            whole[rows, others] = choice
        return whole

    middles = with_others(centre[None, :])
    facts |= {"runs": runs, "centre_runs": len(crossed)}
    cautions = []
    if moved > 1e-9:
        cautions.append(
            f"{facts['kind']}: points were moved to the nearest studied level, by up to {100 * moved / 2:.0f} % of a "
            "setting's range, so the plan is nearly, not exactly, the textbook's."
        )
    return [Design(np.vstack([with_others(points), middles]), middles, facts, _LESS, cautions)]


def _numbers(study: Study, kind: str, fewest: int, most: int) -> list[int]:
    numeric = [j for j, f in enumerate(study.factors) if f.numeric]
    if not fewest <= len(numeric) <= most:
        names = listed(study.factors[j].label() for j in numeric) or "none"
        raise PlanError(
            f"{kind}: it needs {fewest} to {most} settings that are numbers; the study varies {len(numeric)} ({names}). "
            'Take kind="best", or give more settings a lowest and a highest.'
        )
    return numeric


def _two(study: Study, factor: Setting) -> np.ndarray:
    return study.basis.levels[study.basis.column(factor.factor)][[0, -1]]


def _can_be_worked(kind: str, runs: int, instead: str) -> None:
    if runs > _MOST_RUNS:
        raise PlanError(f"{kind}: it needs {runs:,} runs, more than a bench can work. Rather {instead}.")


def _term(labels: list[str], term: tuple[int, ...]) -> str:
    return " × ".join(labels[j] for j in term)


def _roman(number: int) -> str:
    return ("I", "II", "III", "IV", "V", "VI", "VII", "VIII", "IX", "X")[number - 1]
