"""Every figure, drawn from plain data: one frame, then one module a room's figures.

What a figure shows is worked out in the room it belongs to.
"""
