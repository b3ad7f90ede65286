"""Prior times evidence: the probability of every place on the pipe, and elsewhere."""

from geoleak.posterior.checks import LISTENED_M, SILENT
from geoleak.posterior.grid import Cells, Peak, Piece, emptied, highest_density_set
from geoleak.posterior.infer import Posterior, infer
from geoleak.posterior.quadrature import Normal, log_weights
from geoleak.posterior.rivals import RIVALS, RODS, Explanation, free_ends, pushes, settle
from geoleak.posterior.run import InferenceOptions, Run, begin, draw_at

__all__ = [
    "LISTENED_M",
    "RIVALS",
    "RODS",
    "SILENT",
    "Cells",
    "Explanation",
    "InferenceOptions",
    "Normal",
    "Peak",
    "Piece",
    "Posterior",
    "Run",
    "begin",
    "draw_at",
    "emptied",
    "free_ends",
    "highest_density_set",
    "infer",
    "log_weights",
    "pushes",
    "settle",
]
