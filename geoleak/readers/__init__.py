"""Files in, plain records out. One module per kind of input."""

from geoleak.readers.collector import (
    Collector,
)
from geoleak.readers.column_values import (
    angles,
)
from geoleak.readers.folder import read_site
from geoleak.readers.header_roles import (
    ROLES,
)
from geoleak.readers.legs import (
    number_order,
)
from geoleak.readers.point_context import (
    PointContext,
)
from geoleak.readers.points import (
    LAYER_SUFFIXES,
    raw_of_file,
)
from geoleak.readers.positions import (
    read_positions,
)
from geoleak.readers.text_source import (
    Raw,
)
from geoleak.readers.utilities import (
    UtilityFile,
    read_utility_file,
)

__all__ = [
    "LAYER_SUFFIXES",
    "ROLES",
    "Collector",
    "PointContext",
    "Raw",
    "UtilityFile",
    "angles",
    "number_order",
    "raw_of_file",
    "read_positions",
    "read_site",
    "read_utility_file",
]
