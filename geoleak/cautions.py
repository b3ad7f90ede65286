"""The cautions that the product prints where its advice can hurt someone.

Local codes and licensed practice govern; a stake is advice.
"""

from __future__ import annotations

import datetime

from geoleak.units import INTERNATIONAL_FOOT_M as FOOT_M

PROTECTION_FROM_M = 5 * FOOT_M
"""Depth from which a trench needs a protective system: 29 CFR 1926.652(a)(1)."""
LADDER_FROM_M = 4 * FOOT_M
"""Depth from which a trench needs a way out within 25 ft: 29 CFR 1926.651(c)(2)."""
ENGINEER_FROM_M = 20 * FOOT_M
"""Depth beyond which an engineer designs the protection: 29 CFR 1926 Subpart P, App. B."""

CALL_FIRST = "Call the locate service and wait for the marks before digging."
PRIVATE_LINES = (
    "Private lines (customer-owned power, pool gas, irrigation, septic) are not marked by the "
    "public service: have them located."
)
HAND_DIG = "Hand-dig or vacuum inside the tolerance zone of every marked line."
TRENCH = (
    "Trenches need a protective system and a way out as the local code has it (in the US, 29 CFR "
    "1926 Subpart P: protection from 5 ft (1.52 m), or less if the soil may cave; a ladder from "
    "4 ft (1.22 m) within 25 ft; spoil 2 ft from the edge). A competent person classifies the soil."
)
STRAY_VOLTAGE = "Metallic services may carry stray voltage: test, and bond across before cutting."
TRAFFIC = "Guard the hole and the crew from traffic."
LISTENING_TRAFFIC = "Guard who listens from traffic: headphones keep its sound out."
VAULT_AIR = "Test the air before entering a vault or a deep pit."
HEARING = "Start headphones at the lowest volume and mute while the sensor moves."
PRESSURE = "Raising line pressure is for a licensed person."
ADVICE = "Local codes and licensed practice govern; a stake is advice."
LISTENING_ADVICE = "Local codes and licensed practice govern; where to listen is advice."

HOLE_CAUTIONS = (
    CALL_FIRST,
    PRIVATE_LINES,
    HAND_DIG,
    TRENCH,
    STRAY_VOLTAGE,
    TRAFFIC,
    VAULT_AIR,
    PRESSURE,
    ADVICE,
)


def hole_cautions(
    *,
    depth_m: float | None,
    depth_sigma_m: float = 0.0,
    services: tuple[str, ...] = (),
    listening: bool = False,
) -> tuple[str, ...]:
    """Return the cautions for one hole, what is special to it first.

    Parameters
    ----------
    depth_m : float or None
        Depth of the excavation; None where it is not known.
    depth_sigma_m : float
        Of that depth: what it may reach within one sigma counts.
    services : tuple of str
        Texts of services in the hole or its tolerance zone.
    listening : bool
        Whether a further reading is suggested before the dig.

    Notes
    -----
    That nobody may dig yet is not among them: outputs say what `not_before` returns by itself.
    """
    first = [f"In or near the hole: {each}." for each in services]
    first += trench_cautions(depth_m, depth_sigma_m=depth_sigma_m)
    return (*first, *((HEARING,) if listening else ()), *HOLE_CAUTIONS)


def listening_cautions() -> tuple[str, ...]:
    """Return the cautions for who goes on listening: nobody digs yet, so none is about a hole."""
    return (HEARING, LISTENING_TRAFFIC, VAULT_AIR, PRESSURE, LISTENING_ADVICE)


def trench_cautions(depth_m: float | None, *, depth_sigma_m: float = 0.0) -> tuple[str, ...]:
    """Return what a hole of this depth calls for under 29 CFR 1926 Subpart P."""
    if depth_m is None:
        return (
            "The depth is not known: measure it as you dig, and stop at 4 ft (1.22 m) for a ladder "
            "and at 5 ft (1.52 m) for a protective system.",
        )
    reach = depth_m + depth_sigma_m
    found = []
    if reach > ENGINEER_FROM_M:
        found.append("Deeper than 20 ft (6.10 m): an engineer designs the protection.")
    if reach >= PROTECTION_FROM_M:
        found.append(
            f"The hole may reach {_both(reach)}: a protective system is needed (5 ft or deeper)."
        )
    else:
        found.append(
            f"The hole may reach {_both(reach)}: a competent person must see no sign of a cave-in."
        )
    if reach >= LADDER_FROM_M:
        found.append("A ladder or ramp is needed within 25 ft (7.6 m) of everyone in the hole.")
    return tuple(found)


def _both(depth_m: float) -> str:
    return f"{depth_m / FOOT_M:.1f} ft ({depth_m:.2f} m)"


def not_before(
    *,
    number: str = "",
    valid_from: str | None = None,
    expires: str | None = None,
    now: datetime.datetime | None = None,
) -> str | None:
    """Return why nobody may dig yet, or None where the locate request is valid.

    Parameters
    ----------
    number : str
        The request's number, named in the answer.
    valid_from, expires : str, optional
        ISO dates or dates with a time, as site.toml states them. An expiry date without a time
        counts to the end of that day.
    now : datetime.datetime, optional
        Naive, local time of the site. Without it a request that has dates is not known to be
        valid: the answer states them.

    Returns
    -------
    str or None
        Begins with "not before".
    """
    named = f"locate request {number}".strip()
    if valid_from is None:
        return "not before a locate request is filed and valid"
    start = _moment(valid_from)
    end = None if expires is None else _moment(expires)
    if end is not None and "T" not in str(expires) and " " not in str(expires).strip():
        end += datetime.timedelta(days=1)
    if now is None:
        until = f", and not after {expires}" if expires is not None else ""
        return f"not before {valid_from} ({named}){until}"
    if now < start:
        return f"not before {valid_from} ({named})"
    if end is not None and now >= end:
        return f"not before a new locate request: {named} expired {expires}"
    return None


def _moment(text: str) -> datetime.datetime:
    moment = datetime.datetime.fromisoformat(text.strip())
    # A stated offset is dropped: dates of a request are in the site's own time.
    return moment.replace(tzinfo=None)
