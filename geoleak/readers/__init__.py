"""Files in, plain records out. One module per kind of input."""

from geoleak.readers.collector import Collector
from geoleak.readers.drawings import UtilityFile, read_utility_file
from geoleak.readers.folder import read_site
from geoleak.readers.gis import SHAPEFILE_PARTS
from geoleak.readers.headers import ROLES
from geoleak.readers.legs import number_order
from geoleak.readers.numbers import (
    DEPTH_DOUBTS,
    DIAMETER,
    MOST_DEPTHS_M,
    PIPE_DEPTH,
    Usual,
    depths_in_other_units,
    doubt,
    is_bare,
)
from geoleak.readers.points import LAYER_SUFFIXES, no_ids, read_positions, read_table
from geoleak.readers.sheets import SHEETS, header_of
from geoleak.readers.table import PointContext, Table
from geoleak.readers.text import (
    decode_text,
    sniff_delimiter,
    split_rows,
    with_dittos,
    without_comments,
)
from geoleak.readers.toml import read_tables
