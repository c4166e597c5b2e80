"""Contrast between two colours as the Web Content Accessibility Guidelines define it.

Source: W3C, WCAG 2.0/2.1, definitions "relative luminance" and "contrast ratio" (read in
public copies of the definitions): L = 0.2126 R + 0.7152 G + 0.0722 B of the linearised
channels, ratio (L1 + 0.05) / (L2 + 0.05). Wanted are 4.5 for text (1.4.3) and 3 for the
marks of a figure (1.4.11).
"""


def luminance(colour: str) -> float:
    channels = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    red, green, blue = (c / 12.92 if c <= 0.03928 else ((c + 0.055) / 1.055) ** 2.4 for c in channels)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one: str, other: str) -> float:
    dark, light = sorted([luminance(one), luminance(other)])
    return (light + 0.05) / (dark + 0.05)
