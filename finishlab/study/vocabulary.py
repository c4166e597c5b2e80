"""The words a study may use: responses and limits with their units, what can be read on paint, haze methods."""

from __future__ import annotations

#: Responses a goal may name: label and unit.
RESPONSES: dict[str, tuple[str, str]] = {
    "gloss_20": ("20° gloss", "GU"),
    "gloss_60": ("60° gloss", "GU"),
    "gloss_85": ("85° gloss", "GU"),
    "haze": ("haze", ""),
    "faults": ("visible faults", ""),
}
#: Quantities a limit may name: label and unit.
LIMITS: dict[str, tuple[str, str]] = {
    "removed_um": ("film removed", "µm"),
    "film_left_um": ("film left", "µm"),
}
#: Lowest and highest value that can occur on paint (common practice, no source); what lies
#: beyond is a slip of the keyboard. A polished metal mirror reads far above 200 GU, paint does not.
RANGES: dict[str, tuple[float, float]] = {
    "gloss_20": (0, 200),
    "gloss_60": (0, 200),
    "gloss_85": (0, 200),
    "haze": (0, 1000),
    "faults": (0, 10_000),
    "removed_um": (0, 1000),
    "film_left_um": (0, 1000),
}
HAZE_METHODS = ("ISO 13803", "ASTM D4039")
#: The setting that says how much a step is worked; at zero the step is left out.
AMOUNTS = ("passes", "seconds")
