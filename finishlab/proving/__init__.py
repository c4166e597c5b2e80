"""The proving ground: many practice benches through the whole path, scored on their truth.

`python -m finishlab.proving` runs it.
"""
