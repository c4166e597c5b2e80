"""Linear models with random effects: restricted maximum likelihood (REML).

The readings of one panel share that panel's luck, so a panel is a block whose effect is
drawn at random; so may be a half panel, a technician, a lot. Responses, scales and
processes are not known here: a model matrix, readings and labels come in.
"""

from finishlab.statistics.freedom import Contrasts, FTest, contrasts, f_test
from finishlab.statistics.multiplicity import all_pairs, together, tukey_p
from finishlab.statistics.panel_fit import DRAWS, Mixture, PanelFit, fit_panels
from finishlab.statistics.reml import MixedFit, fit_mixed
from finishlab.statistics.terms import Terms, in_terms, sum_coded, term_test

__all__ = [
    "DRAWS",
    "Contrasts",
    "FTest",
    "MixedFit",
    "Mixture",
    "PanelFit",
    "Terms",
    "all_pairs",
    "contrasts",
    "f_test",
    "fit_mixed",
    "fit_panels",
    "in_terms",
    "sum_coded",
    "term_test",
    "together",
    "tukey_p",
]
