"""Sanding grades: which scale a mark is on, how coarse it is, where its grain size is published.

Two scales look alike and are not: the P scale (FEPA 43, ISO 6344) and the older US one, CAMI
(ANSI B74.18, from memory), where 800 is about P1500. So a grade always carries its scale, and grades
of two scales are never put in one order. Scratch depth, cut and what a grade does to a film belong
in `model`, learnt from trials; this page only knows the standards' tables.
"""

import re
from collections.abc import Iterable
from dataclasses import dataclass
from difflib import get_close_matches

from finishlab.errors import StudyError


@dataclass(frozen=True)
class Grade:
    """
    One sanding grade of one scale.

    Attributes
    ----------
    name : str
        As finishlab writes it, the scale included: 'P1500', 'CAMI 800'. `grade` reads it back.
    system : str
        'P' or 'CAMI'.
    grain_um : float or None
        Grain size, micrometres: the median of a microgrit (P240 and finer), the average of a
        macrogrit. None where no published size was verified.
    published : bool
        Whether `grain_um` is there. Without it the grade is an ordered category: finer or coarser
        than its neighbours, by an amount not known.
    source : str
        Where the size comes from, or what is known instead.

    Examples
    --------
    >>> grade("P1500").grain_um
    12.6
    >>> print(grade("P3000").source)
    P3000 lies within ISO 6344-3:2021 (P240 to P5000, title and scope read), but its size was not
    verified: an ordered category, finer than P2500.
    """

    name: str
    system: str
    grain_um: float | None
    published: bool
    source: str


# Grain size in micrometres by P number. A macrogrit is defined by sieving (ISO 6344-2), so its one figure
# is an average; a microgrit is defined by its median (ISO 6344-3).
_P_SIZES: tuple[tuple[str, dict[int, float]], ...] = (
    (
        "average size of a macrogrit, read in an online encyclopaedia of units",
        {
            12: 1815.0,
            16: 1324.0,
            20: 1000.0,
            24: 764.0,
            30: 642.0,
            36: 538.0,
            40: 425.0,
            50: 336.0,
            60: 269.0,
            80: 201.0,
            100: 162.0,
            120: 125.0,
        },
    ),
    (
        "average size of a macrogrit, read in a wood-finishing comparison chart, rounded to 1 micrometre",
        {150: 100.0, 180: 82.0, 220: 68.0},
    ),
    (
        "median size of a microgrit, FEPA 43-2 / ISO 6344-3 (from memory; a rounded value read in a "
        "wood-finishing comparison chart)",
        {
            240: 58.5,
            280: 52.2,
            320: 46.2,
            360: 40.5,
            400: 35.0,
            500: 30.2,
            600: 25.8,
            800: 21.8,
            1000: 18.3,
            1200: 15.3,
            1500: 12.6,
            2000: 10.3,
            2500: 8.4,
        },
    ),
)

_P_SIZE_NOT_VERIFIED = (3000, 5000)

# Nearest P grade by CAMI number: as far as public comparison charts and articles were read.
_CAMI_NEAR_P = {
    320: ("P400", "two public comparison charts"),
    360: ("between P500 and P600", "one public chart"),
    400: ("P800", "two public comparison charts"),
    500: ("P1000", "one public chart"),
    600: ("P1200", "two public comparison charts"),
    800: ("P1500", "one public article"),
}


def _grades() -> dict[tuple[str, int], Grade]:
    """Every known grade by scale and number, coarse to fine within a scale."""
    known = {
        ("P", number): Grade(f"P{number}", "P", size, True, source)
        for source, sizes in _P_SIZES
        for number, size in sizes.items()
    }
    for number in _P_SIZE_NOT_VERIFIED:
        source = (
            f"P{number} lies within ISO 6344-3:2021 (P240 to P5000, title and scope read), but its size was not "
            "verified: an ordered category, finer than P2500."
        )
        known["P", number] = Grade(f"P{number}", "P", None, False, source)
    for number, (near, read_in) in _CAMI_NEAR_P.items():
        source = (
            f"older US scale (ANSI B74.18, from memory); nearest on the P scale: {near} (read in {read_in}). "
            "Its size was not verified: an ordered category."
        )
        known["CAMI", number] = Grade(f"CAMI {number}", "CAMI", None, False, source)
    return known


_GRADES = _grades()
_SYSTEMS = {"P": "the P scale of FEPA and ISO 6344", "CAMI": "the older US scale"}
_MARK = re.compile(r"(P|CAMI)?\s*([0-9]+)", re.IGNORECASE)


def grade(text: str, *, system: str | None = None) -> Grade:
    """
    Read a grit mark.

    Parameters
    ----------
    text : str
        The mark with its scale, as 'P1500', ' p 1500' or 'CAMI 800'; a bare number only where
        `system` names the scale.
    system : str, optional
        'P' or 'CAMI'. Never assumed: the same number is another size on the other scale.

    Returns
    -------
    Grade
        The known grade; its `grain_um` is None where no published size was verified.

    Raises
    ------
    StudyError
        The mark names no scale, or another than `system`, or no known grade; the nearest known
        grades are listed.

    References
    ----------
    FEPA 43-2 and ISO 6344-2, -3 (sizes as stated in each grade's `source`); ANSI B74.18.

    Examples
    --------
    >>> grade(" p 1500")
    Grade(name='P1500', system='P', grain_um=12.6, published=True, source='median size of a microgrit, ...')
    >>> grade("800", system="CAMI").name
    'CAMI 800'
    >>> grade("P1550")
    Traceback (most recent call last):
        ...
    finishlab.errors.StudyError: grit 'P1550' is not a known grade of the P scale of FEPA and ISO 6344. Nearest: P1500, P2000. ...
    """
    if system is not None and system not in _SYSTEMS:
        raise StudyError(f"grit scale '{system}' is not known. Use 'P' or 'CAMI'.")
    mark = _MARK.fullmatch(str(text).strip())
    if mark is None:
        raise StudyError(_not_a_mark(text))
    marked = mark[1].upper() if mark[1] else None
    number = int(mark[2])
    if marked and system and marked != system:
        raise StudyError(
            f"grit '{text}' carries the mark of {_SYSTEMS[marked]}, but '{system}' was asked for. "
            "The scales are not the same: take the one printed on the back of the abrasive."
        )
    scale = marked or system
    if scale is None:
        raise StudyError(_no_scale(text, number))
    if (scale, number) not in _GRADES:
        raise StudyError(
            f"grit '{text}' is not a known grade of {_SYSTEMS[scale]}. Nearest: {_nearest(scale, number)}. {_WHAT_NOW}"
        )
    return _GRADES[scale, number]


@dataclass(frozen=True)
class _Place:
    """Where a grade stands on its scale; refuses to be compared with a place on another."""

    system: str
    number: int

    def __lt__(self, other: "_Place") -> bool:
        _refuse_mixture((self.system, other.system))
        return self.number < other.number


def order_key(grade: Grade) -> _Place:
    """
    Sort key that puts grades of one scale coarse to fine, published size or not.

    Parameters
    ----------
    grade : Grade
        A grade, as `grade` gives it.

    Returns
    -------
    sort key
        For `sorted`, `min` and `max`. Comparing the keys of two scales raises `StudyError`.

    References
    ----------
    Within a scale a higher number is finer (ISO 6344; for CAMI two public articles).

    Examples
    --------
    >>> [g.name for g in sorted(map(grade, ["P3000", "P1500", "P800"]), key=order_key)]
    ['P800', 'P1500', 'P3000']
    >>> sorted(map(grade, ["P1500", "CAMI 800"]), key=order_key)
    Traceback (most recent call last):
        ...
    finishlab.errors.StudyError: grits of two scales (CAMI, P) have no common order: ...
    """
    return _Place(grade.system, int(grade.name.removeprefix(grade.system)))


def is_graded(names: Iterable[str]) -> bool:
    """
    Whether every grade has a published size, so that a model may use its logarithm.

    Parameters
    ----------
    names : iterable of str
        Grit marks, each with its scale.

    Returns
    -------
    bool
        True: ln(grain size) may be used. False: the grits are an ordered category. False too where
        there are none.

    Raises
    ------
    StudyError
        Marks that `grade` refuses, all of them at once, or grades of two scales.

    References
    ----------
    Each grade's `source`.

    Examples
    --------
    >>> is_graded(["P1500", "P2000"])
    True
    >>> is_graded(["P2000", "P3000"])
    False
    """
    grades: list[Grade] = []
    mistakes: list[str] = []
    for name in names:
        try:
            grades.append(grade(name))
        except StudyError as error:
            mistakes.extend(error.mistakes)
    if mistakes:
        raise StudyError(mistakes)
    _refuse_mixture(g.system for g in grades)
    return bool(grades) and all(g.published for g in grades)


def _refuse_mixture(systems: Iterable[str]) -> None:
    found = sorted(set(systems))
    if len(found) > 1:
        raise StudyError(
            f"grits of two scales ({', '.join(found)}) have no common order: the same number is another size "
            "on each. Use grades of one scale, or study the abrasives as a choice under another name, such as 'disc'."
        )


_WHAT_NOW = (
    "Write the mark as printed on the back of the abrasive; if it is not among the known ones, log the "
    "abrasive as a setting of its own, such as 'disc', not as a grit."
)


def _not_a_mark(text: str) -> str:
    close = get_close_matches(str(text).strip().upper(), [g.name for g in _GRADES.values()], n=2)
    nearest = f"Nearest: {', '.join(close)}." if close else f"Known: {_reach('P')}; {_reach('CAMI')}."
    return f"grit '{text}' is not a scale and a number, as in 'P1500' or 'CAMI 800'. {nearest} {_WHAT_NOW}"


def _no_scale(text: str, number: int) -> str:
    fits = [f"'{g.name}'" for (_, n), g in _GRADES.items() if n == number]
    if fits:
        way_out = f"Write {' or '.join(fits)}, if that is what the back of the abrasive says."
    else:
        way_out = f"No known grade has the number {number}. Nearest: {_nearest('P', number)}; {_nearest('CAMI', number)}. {_WHAT_NOW}"
    return f"grit '{text}' does not name its scale, and the scales differ: CAMI 800 is about P1500. {way_out}"


def _of_scale(system: str) -> list[Grade]:
    return [g for g in _GRADES.values() if g.system == system]


def _nearest(system: str, number: int) -> str:
    """The next coarser and the next finer grade of the scale."""
    grades = _of_scale(system)
    here = _Place(system, number)
    coarser = [g for g in grades if order_key(g) < here][-1:]
    finer = [g for g in grades if here < order_key(g)][:1]
    return ", ".join(g.name for g in coarser + finer)


def _reach(system: str) -> str:
    grades = _of_scale(system)
    return f"{grades[0].name} to {grades[-1].name}"
