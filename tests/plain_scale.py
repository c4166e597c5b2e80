"""A scale that does nothing: readings as they are, for data of other trades and for closed forms."""

import numpy as np


class PlainScale:
    rising = True
    metered = True

    def reading(self, z):
        return np.asarray(z, float)

    def slope(self, z):
        return np.ones_like(z)

    def inverse(self, reading):
        return np.asarray(reading, float)
