"""Prior times evidence: the probability of every place on the pipe, and elsewhere."""

from geoleak.posterior.checks import (
    SILENT,
)
from geoleak.posterior.grid import (
    Cells,
)
from geoleak.posterior.infer import (
    infer,
)
from geoleak.posterior.records import Peak, Piece, Posterior
from geoleak.posterior.run import (
    InferenceOptions,
    Run,
    begin,
    draw_at,
)
from geoleak.posterior.sets import (
    highest_density_set,
)

__all__ = [
    "SILENT",
    "Cells",
    "InferenceOptions",
    "Peak",
    "Piece",
    "Posterior",
    "Run",
    "begin",
    "draw_at",
    "highest_density_set",
    "infer",
]
