"""Goals as a person types them on one line: ``gloss_20 at least 84``.

The words become the mapping that ``[goal]`` in a study file holds; whether the response
and the value make sense is asked where that mapping is read (`file_reader.py`), not here.
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from typing import Any

from finishlab.errors import StudyError, nearest
from finishlab.study.vocabulary import RESPONSES

_EXAMPLES = "'gloss_20 at least 84', 'haze at most 18' or 'gloss_20 within 80 and 86'"
_NUMBER = r"[+-]?[0-9]+(?:\.[0-9]+)?"
_WORDS = re.compile(
    rf"(?P<response>\w+)\s+(?:(?P<side>at[ _]least|at[ _]most)\s+(?P<value>{_NUMBER})"
    rf"|within\s+(?P<low>{_NUMBER})\s+(?:and|to)\s+(?P<high>{_NUMBER}))(?:\s*(?P<unit>[^\s\d.,]\S*))?",
    re.IGNORECASE,
)
#: Shapes of a number that are not taken, and what is to be written instead.
_COMMA = re.compile(r"(?<![\d,])(\d+),(\d+)(?![\d,])")


def goal_from_words(lines: Iterable[str]) -> dict[str, dict[str, Any]]:
    """
    Return the goal that some lines of plain words state.

    Parameters
    ----------
    lines : iterable of str
        One condition each: a response, ``at least``, ``at most`` or ``within``, and a
        number (two for ``within``). The response's own unit may follow.

    Returns
    -------
    dict of response to dict
        As ``[goal]`` in a study file has it, and as ``goal=`` takes it.

    Raises
    ------
    StudyError
        A line is not such a condition, or two name the same response; all are listed.

    Examples
    --------
    >>> goal_from_words(["gloss_20 at least 84", "haze at most 18"])
    {'gloss_20': {'at_least': 84.0}, 'haze': {'at_most': 18.0}}
    >>> goal_from_words(["gloss_20 within 80 and 86 GU"])
    {'gloss_20': {'within': [80.0, 86.0]}}

    What cannot be read is answered with what can:

    >>> goal_from_words(["gloss_20 >= 84"])
    Traceback (most recent call last):
        ...
    finishlab.errors.StudyError: the goal 'gloss_20 >= 84' cannot be read. Write it as 'gloss_20 at least 84', 'haze at most 18' or 'gloss_20 within 80 and 86'.
    """
    goal: dict[str, dict[str, Any]] = {}
    mistakes: list[str] = []
    for line in lines:
        stated = _condition(line)
        if isinstance(stated, str):
            mistakes.append(stated)
            continue
        response, condition = stated
        if response in goal:
            mistakes.append(
                f"{response} is asked for twice. Give one condition; for both a lowest and a highest value write "
                f"'{response} within 80 and 86'."
            )
        goal[response] = condition
    if mistakes:
        raise StudyError(mistakes)
    return goal


def _condition(line: str) -> tuple[str, dict[str, Any]] | str:
    """Return response and condition of one line, or what is wrong with it."""
    text = " ".join(line.split())
    if comma := _COMMA.search(text):
        return f"the goal '{text}' has '{comma[0]}'. Write a decimal point, as {comma[1]}.{comma[2]}."
    words = _WORDS.fullmatch(text)
    if (words["response"] if words else text).casefold() == "gloss":
        return "Which angle? Usually gloss_20."
    if words is None:
        return f"the goal '{text}' cannot be read. Write it as {_EXAMPLES}."
    response = words["response"].lower()
    if response not in RESPONSES:
        return f"the goal '{text}' names '{words['response']}', which is not a response. {nearest(response, RESPONSES)}"
    unit = RESPONSES[response][1]
    if words["unit"] and words["unit"].casefold() != unit.casefold():
        has = f"is given in {unit}" if unit else "has no unit"
        return f"the goal '{text}' ends in '{words['unit']}', but {response} {has}. Leave the unit off."
    if words["side"]:
        return response, {words["side"].lower().replace(" ", "_"): float(words["value"])}
    return response, {"within": [float(words["low"]), float(words["high"])]}
