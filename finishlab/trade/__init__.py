"""What the trade's standards fix: sanding grades and their grain sizes, gloss, haze and roughness.

No trial data and no model of a process here.
"""
