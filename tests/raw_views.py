"""What a view of raw readings has drawn, read back from the figure after it was laid out."""

from typing import Any

import numpy as np
import pandas as pd
from matplotlib.collections import PathCollection
from matplotlib.markers import MarkerStyle

from finishlab.figures import frame


def marks(ax: Any) -> pd.DataFrame:
    """Return the readings drawn: x, y, marker, whether ringed, and on the paper `across`, `up` and `wide`, in points."""
    figure = ax.figure.get_figure(root=True)
    figure.draw_without_rendering()
    known = [frame.panel_mark(i)["marker"] for i in range(10)]
    outlines = [(m := MarkerStyle(k)).get_path().transformed(m.get_transform()).vertices for k in known]
    rows = []
    for drawn in ax.collections:
        if not isinstance(drawn, PathCollection):
            continue
        where = np.asarray(drawn.get_offsets())
        pixels = drawn.get_offset_transform().transform(where) * 72 / figure.dpi
        wide = float(np.sqrt(drawn.get_sizes()[0]) + drawn.get_linewidth()[0])
        for (x, y), (across, up), path in zip(where, pixels, drawn.get_paths(), strict=True):
            (of,) = [
                i for i, v in enumerate(outlines) if len(path.vertices) >= len(v) and np.allclose(path.vertices[: len(v)], v)
            ]  # fmt: skip
            rows.append([x, y, known[of], len(path.vertices) > len(outlines[of]), across, up, wide])
    return pd.DataFrame(rows, columns=["x", "y", "marker", "ringed", "across", "up", "wide"])


def overlapping(ax: Any) -> int:
    """Count the pairs of marks whose centres are closer than they are wide, by more than a rounding of the layout."""
    drawn = marks(ax)
    across, up = drawn["across"].to_numpy(), drawn["up"].to_numpy()
    gaps = np.hypot(across[:, None] - across, up[:, None] - up)[np.triu_indices(len(drawn), 1)]
    return int((gaps < 0.97 * drawn["wide"].max()).sum())
