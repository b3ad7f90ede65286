"""The cautions that the product prints where its advice can hurt someone.

Local codes and licensed practice govern; a stake is advice.
"""

from __future__ import annotations

import datetime
from typing import TYPE_CHECKING

from geoleak.units import INTERNATIONAL_FOOT_M as FOOT_M

if TYPE_CHECKING:
    from geoleak.site import LocateRequest

PROTECTION_FROM_M = 5 * FOOT_M
"""Depth from which a trench needs a protective system: 29 CFR 1926.652(a)(1)."""
LADDER_FROM_M = 4 * FOOT_M
"""Depth from which a trench needs a way out within 25 ft: 29 CFR 1926.651(c)(2)."""
ENGINEER_FROM_M = 20 * FOOT_M
"""Depth beyond which an engineer designs the protection: 29 CFR 1926 Subpart P, App. B."""

SHALLOW_M = 0.6
"""A hole no deeper than a spade's reach is dug by hand: common practice, no source."""

CALL_FIRST = "Call the locate service and wait for the marks before digging."
PRIVATE_LINES = (
    "Private lines (customer-owned power, pool gas, irrigation, septic) are not marked by the "
    "public service: have them located."
)
HAND_DIG = "Hand-dig or vacuum inside the tolerance zone of every marked line."
STRAY_VOLTAGE = "Metallic services may carry stray voltage: test, and bond across before cutting."
TRAFFIC = "Guard the hole and the crew from traffic."
LISTENING_TRAFFIC = "Guard who listens from traffic: headphones keep its sound out."
VAULT_AIR = "Test the air before entering a vault or a deep pit."
HEARING = "Start headphones at the lowest volume and mute while the sensor moves."
PRESSURE = "Raising line pressure is for a licensed person."
ADVICE = "Local codes and licensed practice govern; a stake is advice."
CHECKING_ADVICE = "Local codes and licensed practice govern; where to check is advice."
ROD = (
    "A rod breaks ground: call the locate service and wait for the marks first; push by hand, "
    "beside the pipe, never where another service is marked."
)
SHUTTING = (
    "Shutting a supply or working a hydrant needs the owner's leave; a fire line is never shut "
    "unannounced."
)
LISTENING_ADVICE = "Local codes and licensed practice govern; where to listen is advice."

SHALLOW = "Shallow: dig by hand only; cables, drip lines and other services lie at the same depth."
UNDER_A_FLOOR = (
    "Under a floor: have power, gas and heating pipes in and under the slab located, and steel and "
    "tensioned cables in it; cut wet against dust, and air the room."
)
SLABS = {
    "concrete": "The ground at the stake is concrete: cut and lift the slab first, wet against "
    "dust; services may lie in it.",
    "asphalt": "The ground at the stake is asphalt: cut it first; services may lie under it.",
    "paving": "The ground at the stake is paved: lift the blocks first and keep them.",
    "tile": "The ground at the stake is a floor on a slab: cut and lift it first.",
}
"""Surface -> what stands over the hole and has to be opened first."""


def hole_cautions(
    *,
    depth_m: float | None,
    depth_sigma_m: float = 0.0,
    services: tuple[str, ...] = (),
    listening: bool = False,
    surface: str | None = None,
    unit: str = "ft",
    country: str | None = None,
) -> tuple[str, ...]:
    """Return the cautions for one hole, what is special to it first.

    Parameters
    ----------
    depth_m : float or None
        Depth of the excavation; None where it is not known.
    depth_sigma_m : float
        Of that depth: what it may reach within one sigma counts.
    services : tuple of str
        Texts of services in the hole, its sloped sides or its tolerance zone.
    listening : bool
        Whether a further reading is suggested before the dig.
    surface : str, optional
        What the ground at the stake is; "tile" is a floor, so the hole is indoors.
    unit : {"m", "ft", "ftUS"}
        Of the site: it stands first.
    country : str, optional
        ISO 3166 code; rules of the United States are quoted for no other.

    Notes
    -----
    That nobody may dig yet is not among them: outputs say what `not_before` returns by itself.
    """
    indoors = surface == "tile"
    shallow = depth_m is not None and depth_m + depth_sigma_m <= SHALLOW_M
    first = [f"In or near the hole: {each}." for each in services]
    first += [SLABS[surface]] if surface in SLABS else []
    first += [UNDER_A_FLOOR] if indoors else []
    rule: tuple[str, ...] = ()
    if shallow:
        first.append(SHALLOW)
    else:
        rule = (trench_rule(unit, country),)
        first += trench_cautions(depth_m, depth_sigma_m=depth_sigma_m, unit=unit, country=country)
    first += [HEARING] if listening else []
    usual = (CALL_FIRST, PRIVATE_LINES, HAND_DIG, *rule, STRAY_VOLTAGE)
    about = [] if indoors else [TRAFFIC] if shallow else [TRAFFIC, VAULT_AIR]
    return (*first, *usual, *about, PRESSURE, ADVICE)


def trench_rule(unit: str, country: str | None) -> str:
    """Return what the code asks of a trench: figures only of the site's own country."""
    if country not in (None, "US"):
        return (
            "Trenches are supported or sloped and have a way out as the local code has it. "
            "A competent person judges the ground."
        )
    protected, ladder, reach, spoil = (_feet(each, unit) for each in (5, 4, 25, 2))
    return (
        "Trenches need a protective system and a way out as the local code has it "
        f"({'' if country else 'in the US, '}29 CFR 1926 Subpart P: protection from {protected}, "
        f"or less if the soil may cave; a ladder from {ladder} within {reach}; spoil {spoil} from "
        "the edge). A competent person classifies the soil."
    )


def slopes_from_m(country: str | None) -> float:
    """Return the depth from which sides are sloped or supported.

    In the United States 5 ft; elsewhere codes differ, and 4 ft is taken (1.2 m: common practice,
    no source).
    """
    return PROTECTION_FROM_M if country in (None, "US") else LADDER_FROM_M


def listening_cautions() -> tuple[str, ...]:
    """Return the cautions for who goes on listening: nobody digs yet, so none is about a hole."""
    return (HEARING, LISTENING_TRAFFIC, VAULT_AIR, PRESSURE, LISTENING_ADVICE)


def checking_cautions(kind: str) -> tuple[str, ...]:
    """Return the cautions for who makes a check: a rod breaks ground, a stop test shuts water."""
    first = {"rod": (ROD,), "stop": (SHUTTING,)}.get(kind, ())
    return (*first, HEARING, LISTENING_TRAFFIC, VAULT_AIR, CHECKING_ADVICE)


def trench_cautions(
    depth_m: float | None,
    *,
    depth_sigma_m: float = 0.0,
    unit: str = "ft",
    country: str | None = None,
) -> tuple[str, ...]:
    """Return what a hole of this depth calls for, under 29 CFR 1926 Subpart P unless elsewhere."""
    ladder, protected = _feet(4, unit), _feet(5, unit)
    abroad = country not in (None, "US")
    if depth_m is None:
        stop = f"stop at {ladder} for a ladder and at {protected} for a protective system"
        if abroad:
            stop = f"stop at {ladder} for support of the sides and a way out"
        return (f"The depth is not known: measure it as you dig, and {stop}.",)
    reach = depth_m + depth_sigma_m
    found = []
    if reach > ENGINEER_FROM_M:
        found.append(f"Deeper than {_feet(20, unit)}: an engineer designs the protection.")
    said = f"The hole may reach {_both(reach, unit, f'{reach / FOOT_M:.1f} ft')}: "
    if abroad and reach >= slopes_from_m(country):
        found.append(f"{said}sides are supported or sloped as the local code has it.")
    elif reach >= PROTECTION_FROM_M:
        found.append(f"{said}a protective system is needed ({protected} or deeper).")
    else:
        found.append(f"{said}a competent person must see no sign of a cave-in.")
    if reach >= LADDER_FROM_M:
        within = "" if abroad else f" within {_feet(25, unit)} of everyone"
        found.append(f"A ladder or ramp is needed{within} in the hole.")
    return tuple(found)


def _feet(feet: int, unit: str) -> str:
    """Return a length of a rule, which is in whole feet."""
    return _both(feet * FOOT_M, unit, f"{feet} ft", decimals=1 if feet > 16 else 2)


def _both(length_m: float, unit: str, feet: str, *, decimals: int = 2) -> str:
    """Return a length in feet and metres, the site's own unit first."""
    metres = f"{length_m:.{decimals}f} m"
    return f"{metres} ({feet})" if unit == "m" else f"{feet} ({metres})"


def not_before(request: LocateRequest, now: datetime.datetime | None = None) -> str | None:
    """Return why nobody may dig yet, or None where the locate request is valid.

    Parameters
    ----------
    request : LocateRequest
        Its dates may have a time; an expiry date without one counts to the end of that day.
    now : datetime.datetime, optional
        Naive, local time of the site. Without it a request that has dates is not known to be
        valid: the answer states them.

    Returns
    -------
    str or None
        Begins with "not before".
    """
    valid_from, expires = request.valid_from, request.expires
    named = f"locate request {request.number}".strip()
    if valid_from is None:
        return "not before a locate request is filed and valid"
    if now is None:
        until = f", and not after {expires}" if expires is not None else ""
        return f"not before {valid_from} ({named}){until}"
    if now < _moment(valid_from):
        return f"not before {valid_from} ({named})"
    if expires is not None:
        dated = "T" not in expires and " " not in expires.strip()
        if now >= _moment(expires) + datetime.timedelta(days=dated):
            return f"not before a new locate request: {named} expired {expires}"
    return None


def _moment(text: str) -> datetime.datetime:
    # A stated offset is dropped: dates of a request are in the site's own time.
    return datetime.datetime.fromisoformat(text.strip()).replace(tzinfo=None)
