"""Linear referencing: what chainage is this point, what point is this chainage.

`Route` is one line, `RouteSet` many. Only numpy is needed. Chainage is horizontal distance from
the line's start; pipe length is along the slope. Offset is positive to the right looking
up-chainage.
"""

from geoleak.linref.line import NearestSnap, Route, RouteSet, Snap
from geoleak.linref.segments import RIVAL_WITHIN_M
