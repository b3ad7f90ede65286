"""Legs joined at tees, at named points and in loops; pipe distance between any two places."""

from geoleak.network.joints import Junction, Loop, joints_of_routes, junctions, loops
from geoleak.network.network import Joint, Network
