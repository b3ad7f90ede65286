"""Prior times evidence: the probability of every place on the pipe, and elsewhere."""

from geoleak.posterior.grid import Cells, Piece, cumulative, emptied, highest_density_set
from geoleak.posterior.infer import LISTENED_M, SILENT, Posterior, infer
from geoleak.posterior.rivals import RIVALS, RODS, Explanation, free_ends, pushes, settle
from geoleak.posterior.run import InferenceOptions, Normal, Run, begin, draw_at, log_weights
