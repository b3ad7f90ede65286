"""Legs joined at tees, at named points and in loops; pipe distance between any two places."""

from geoleak.network.joints import joints_of_routes
from geoleak.network.loops import Junction, Loop, junctions, loops
from geoleak.network.network import Joint, Network
