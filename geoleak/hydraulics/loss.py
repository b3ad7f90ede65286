"""How large a leak is: volume and money, the hole that would pass it, what pressure does to it."""

from __future__ import annotations

import math

WATER_KG_PER_M3 = 1000.0
# Discharge coefficient of a small round hole. Public leak charts imply 0.616 to 0.625.
DISCHARGE = 0.62
# Exponent N1 of flow with pressure (FAVAD): a fixed hole 0.5, a split that opens 1.5. By pipe kind:
# range 0.5 to 1.5 from memory; middle and spread by kind common practice, no source.
PRESSURE_EXPONENT = {"metal": (0.7, 0.2), "cement": (0.9, 0.2), "plastic": (1.1, 0.3)}
ANY_EXPONENT = (1.0, 0.3)


def orifice_l_per_s(
    diameter_m: float, pressure_kpa: float, *, discharge: float = DISCHARGE
) -> float:
    """Return the flow through a round hole into the open, Cd A sqrt(2 p / rho).

    Raises
    ------
    ValueError
        For a diameter or pressure below zero.
    """
    if diameter_m < 0 or pressure_kpa < 0:
        raise ValueError(
            f"a hole of {diameter_m} m at {pressure_kpa} kPa passes nothing that is known"
        )
    speed = math.sqrt(2e3 * pressure_kpa / WATER_KG_PER_M3)
    return 1e3 * discharge * math.pi / 4 * diameter_m**2 * speed


def equivalent_hole_m(flow_l_per_s: float, pressure_kpa: float) -> float:
    """Return the diameter in metres of the round hole that passes a flow at a pressure.

    Raises
    ------
    ValueError
        Without pressure nothing flows.
    """
    if pressure_kpa <= 0 or flow_l_per_s < 0:
        raise ValueError(f"no hole passes {flow_l_per_s} l/s at {pressure_kpa} kPa")
    return math.sqrt(flow_l_per_s / orifice_l_per_s(1.0, pressure_kpa))


def at_pressure(flow_l_per_s: float, from_kpa: float, to_kpa: float, *, exponent: float) -> float:
    """Return a leak's flow at another pressure, Q (p2 / p1) ** N1 (FAVAD).

    Raises
    ------
    ValueError
        For a pressure that is not positive.
    """
    if from_kpa <= 0 or to_kpa <= 0:
        raise ValueError(f"pressures are positive: {from_kpa} and {to_kpa} kPa are not both")
    return flow_l_per_s * (to_kpa / from_kpa) ** exponent
