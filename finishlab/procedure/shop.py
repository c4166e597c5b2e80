"""The shop's own words on its procedures: one file beside them, that the page and the PDF are both made with.

It gives names, headings, what is otherwise a line to fill in by hand, and rules added to ours. It cannot take a caution away, and a
limit for safety's sake stands in it only with the name of who set it. What was read is kept with each revision's data, so that an older
page keeps the words it was issued with.
"""

from __future__ import annotations

import base64
import json
import re
import tomllib
from collections.abc import Mapping
from functools import cache, lru_cache
from importlib.resources import files
from pathlib import Path
from typing import Any

from finishlab.errors import ProcedureError, nearest
from finishlab.numbers import is_whole
from finishlab.records.columns import MIL_UM
from finishlab.words.show import NO_FILM_LIMIT

#: Its name, in the folder of the procedures.
SHOP = "shop.toml"
_LOGOS = {".png": ("png", b"\x89PNG"), ".jpg": ("jpeg", b"\xff\xd8"), ".svg": ("svg+xml", b"<")}
_LOGO_BYTES = 500_000
#: Limits for the sake of people or paint: each is taken only with who set it.
_LIMITS = ("heat_limit", "hold_off")
_UM = re.compile(r"(\d+(?:\.\d+)?)(?:( to | and )(\d+(?:\.\d+)?))? µm")


@cache
def words() -> dict[str, Any]:
    """Return every word a procedure shows, as `words.toml` groups them."""
    made = tomllib.loads(files("finishlab.procedure").joinpath("words.toml").read_text(encoding="utf-8"))
    made["stop"]["no_limit_heading"] = NO_FILM_LIMIT
    return made


def words_for(facts: Mapping[str, Any]) -> dict[str, Any]:
    """Return the words of a procedure with the shop's headings and added lines in their places."""
    shop, made = facts["shop"], words()
    if not shop:
        return made
    made = dict(made)
    for group in ("head", "headings"):
        made[group] = made[group] | shop.get(group, {})
    for group, name in _ADDED.items():
        made[group] = made[group] | {name: made[group][name] + shop.get("added", {}).get(group, [])}
    return made


#: Where a shop's own lines stand: after the list of this name in this group of words.
_ADDED = {"scope": "not_list", "checkpoints": "lines", "stop": "lines"}


def read_shop(folder: Path) -> dict[str, Any]:
    """
    Return what the shop's own file in a folder of procedures says; empty where there is none.

    Parameters
    ----------
    folder : Path

    Returns
    -------
    dict
        Plain Python, ready for JSON: the keys of the file, `logo` as its kind and its bytes in base 64.

    Raises
    ------
    ProcedureError
        Every mistake in it at once.
    """
    path = folder / SHOP
    if not path.exists():
        return {}
    try:
        given = tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise ProcedureError(f"{path} cannot be read as TOML ({error}). Mend that line.") from None
    mistakes = _mistakes(given)
    shop = {key: value for key, value in given.items() if key != "logo"}
    if isinstance(given.get("logo"), str):
        logo = _logo(folder, given["logo"])
        if isinstance(logo, str):
            mistakes.append(logo)
        else:
            shop["logo"] = logo
    if mistakes:
        raise ProcedureError([f"{path}: {m}" for m in mistakes])
    return shop


def _mistakes(given: Mapping[str, Any]) -> list[str]:
    """Return what is wrong with a shop's file, the logo's own file apart."""
    w = words()
    texts = {"head": list(w["head"]), "headings": list(w["headings"]), "filled": list(w["filled"])}
    known = ["name", "logo", "mils", "review_months", *texts, "added"]
    told = [f"'{key}' is not known. {nearest(key, known)}" for key in given if key not in known]
    for key in ("name", "logo"):
        if key in given and not _is_text(given[key]):
            told.append(f"{key} is {given[key]!r}; write a text in quotation marks, or leave the line out.")
    if not isinstance(given.get("mils", False), bool):
        told.append(f"mils is {given['mils']!r}; write true to have mils beside every µm, or false.")
    months = given.get("review_months", 12)
    if not is_whole(months) or not 1 <= months <= 120:
        told.append(f"review_months is {months!r}; write whole months from 1 to 120.")
    for group, names in texts.items():
        if (table := _table(given, group, told)) is None:
            continue
        for name, value in table.items():
            if name not in names:
                told.append(f"{group}.{name} is not known. {nearest(name, names)}")
            elif not _is_text(value):
                told.append(f"{group}.{name} is {value!r}; write a text in quotation marks.")
            elif "{" in w[group][name] or "{" in value:
                told.append(f"{group}.{name} holds figures that are filled in; its words stay as they are.")
    filled = given.get("filled", {})
    if isinstance(filled, Mapping):
        told += [
            f"filled.{limit} names no one: a limit is taken only with who set it. Add {limit}_set_by."
            for limit in _LIMITS
            if filled.get(limit) and not filled.get(f"{limit}_set_by")
        ]
    for group, lines in (_table(given, "added", told) or {}).items():
        if group not in _ADDED:
            told.append(f"added.{group} is not known. {nearest(group, list(_ADDED))}")
        elif not isinstance(lines, list) or not all(_is_text(line) for line in lines):
            told.append(f"added.{group} is {lines!r}; write a list of texts.")
    return told


def _table(given: Mapping[str, Any], name: str, told: list[str]) -> Mapping[str, Any] | None:
    value = given.get(name, {})
    if isinstance(value, Mapping):
        return value
    told.append(f"{name} is {value!r}; write its lines below [{name}].")
    return None


def _is_text(value: Any) -> bool:
    return isinstance(value, str) and bool(value.strip()) and "\n" not in value


def _logo(folder: Path, given: str) -> dict[str, str] | str:
    """Return a logo as its kind and its bytes in base 64; a sentence where it cannot be used."""
    path = folder / given
    kind, start = _LOGOS.get(path.suffix.lower().replace("jpeg", "jpg"), ("", b""))
    if not kind:
        return f"the logo {path.name} is no picture that is known. Give a PNG, JPEG or SVG."
    if not path.resolve().is_relative_to(_logo_home(folder)):
        return f"the logo {given} lies outside the study's folder. Put a copy beside {SHOP}."
    try:
        data = path.read_bytes()
    except OSError as error:
        return f"the logo {path.name} cannot be read ({error.strerror or error}). Put it beside {SHOP}."
    if len(data) > _LOGO_BYTES:
        return f"the logo {path.name} has {len(data):,} bytes; up to {_LOGO_BYTES:,} go on a page. Make it smaller."
    if not data.lstrip(b"\xef\xbb\xbf \r\n\t").startswith(start):
        return f"the logo {path.name} is not what its ending says. Save it anew as PNG, JPEG or SVG."
    logo = {"kind": kind, "data": base64.b64encode(data).decode("ascii")}
    fault = _logo_fault(kind, logo["data"])
    return f"the logo {path.name} {fault}" if fault else logo


def _logo_home(folder: Path) -> Path:
    """Return the folder that a logo must lie in: the study's, where the procedures are inside one."""
    home = folder.resolve()
    return home.parent if (home.parent / "study.toml").is_file() else home


@lru_cache(maxsize=8)
def _logo_fault(kind: str, data: str) -> str:
    """Return what keeps a picture from being printed, as the end of a sentence; empty where nothing does."""
    import typst

    try:
        picture = base64.b64decode(data, validate=True)
    except ValueError:
        return "is damaged. Save it anew."
    # Half a JPEG decodes to a picture whose rest is grey; its end is marked (ITU-T T.81, B.1.1.3).
    if kind == "jpeg" and b"\xff\xd9" not in picture[-1024:]:
        return "is cut off: its end is missing. Save it anew."
    if kind == "svg+xml" and (fault := _svg_fault(picture)):
        return fault
    source = b'#image(bytes(json(bytes(sys.inputs.at("logo")))), height: 12mm, alt: "logo")'
    try:
        typst.compile(
            source,
            sys_inputs={"logo": json.dumps(list(picture))},
            ignore_system_fonts=True,
        )
    except RuntimeError:
        return "begins like a picture and cannot be drawn. Save it anew as PNG, JPEG or SVG."
    return ""


def _svg_fault(picture: bytes) -> str:
    """Return why an SVG goes on no page: it is not whole, it can run, or it fetches something; empty for a good one."""
    from xml.etree import ElementTree

    # Before it is parsed: a document type can name entities that grow without end.
    if re.search(rb"<!\s*(doctype|entity)", picture, re.IGNORECASE):
        return "has a document type (<!DOCTYPE ...>). Save it as plain SVG, or as PNG."
    try:
        root = ElementTree.fromstring(picture)
    except (ElementTree.ParseError, ValueError, LookupError):
        return "is not well-formed SVG. Save it anew, or as PNG."
    for element in root.iter():
        name = str(element.tag).rsplit("}", 1)[-1].lower()
        if name in ("script", "foreignobject"):
            return f"holds a <{name}>. Save it as plain SVG, or as PNG."
        texts = [*element.attrib.values(), element.text or ""]
        links = [v for k, v in element.attrib.items() if k.rsplit("}", 1)[-1].lower() in ("href", "src")]
        links += [link for text in texts for link in _CSS_LINK.findall(text)]
        if any(not link.strip().startswith(("#", "data:image/")) for link in links):
            return "links to something outside itself. Save it with everything inside, or as PNG."
    return ""


#: What a style fetches: url(...) without its quotation marks, and the whole of an @import.
_CSS_LINK = re.compile(r"""(?:url\(\s*["']?|(?=@import))([^"')]*)""", re.IGNORECASE)


def shown_shop(shop: Mapping[str, Any]) -> dict[str, Any]:
    """
    Return a shop's words as a document can show them: a logo that cannot be drawn is left out, and said.

    It was looked at when it was accepted; a kept file may be older than that look, or damaged since.

    Examples
    --------
    >>> shown = shown_shop({"name": "Shop", "logo": {"kind": "png", "data": "AAAA"}})
    >>> shown["name"], "logo" in shown, shown["logo_left_out"]
    ('Shop', False, 'The logo is left out: it begins like a picture and cannot be drawn. Save it anew as PNG, JPEG or SVG.')
    """
    logo = shop.get("logo")
    fault = _logo_fault(logo["kind"], logo["data"]) if logo else ""
    if not fault:
        return dict(shop)
    shown = {key: value for key, value in shop.items() if key != "logo"}
    return shown | {"logo_left_out": words()["head"]["logo_left_out"].format(fault=fault)}


def with_mils(value: Any) -> Any:
    """
    Return facts with mils after every figure in µm; one mil is 25.4 µm, exactly.

    Examples
    --------
    >>> with_mils({"limit": "film removed at most 8 µm", "rows": ["5.1 to 7.2 µm", "4 passes"]})
    {'limit': 'film removed at most 8 µm (0.31 mil)', 'rows': ['5.1 to 7.2 µm (0.20 to 0.28 mil)', '4 passes']}
    """
    if isinstance(value, str):
        return _UM.sub(_mil, value)
    if isinstance(value, Mapping):
        return {key: with_mils(v) for key, v in value.items()}
    return [with_mils(v) for v in value] if isinstance(value, list) else value


def _mil(found: re.Match[str]) -> str:
    low, between, high = found.groups()
    said = f"{float(low) / MIL_UM:.2f}" + (f"{between}{float(high) / MIL_UM:.2f}" if high else "")
    return f"{found.group()} ({said} mil)"
