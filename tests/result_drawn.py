"""What the invented Results let others draw: pipe, marks, readings, tapes, stakes, services."""

from __future__ import annotations

import math

import numpy as np
from shapely.geometry import LineString, Point

from geoleak.result.records import NextReadingSummary, ReadingSummary
from geoleak.stake import Stake, Tie
from tests.result_yard import BEARING_DEG, BEFORE_M, FIXED_M, PAST_M, SPREADS_M, STAKE_M


def pipe(yard):
    """Return the route, the intervals, the hole and the meter."""
    yield yard.feature(
        "route",
        "yard",
        yard.line,
        leg="yard",
        length_m=yard.length_m,
        material="pvc",
        marks_by="signal",
    )
    for percent, (low, high) in SPREADS_M.items():
        yield yard.feature(
            "interval",
            f"{percent}-1",
            yard.between(STAKE_M - low, STAKE_M + high),
            percent=percent,
            leg="yard",
            from_m=STAKE_M - low,
            to_m=STAKE_M + high,
        )
    length_m = BEFORE_M + PAST_M
    if yard.options.verdict == "dig":
        yield yard.feature("hole", "hole", yard.hole, length_m=length_m, chance=0.91, depth_m=0.94)
    yield yard.feature("fitting", "MTR1", yard.at(0), code="MTR1", leg="yard", chainage_m=0.0)


def level(chainage_m):
    return 24 + 17 / (1 + ((chainage_m - STAKE_M) / 1.6) ** 2)


def along(yard):
    """Return the readings, and the features of marks and readings."""
    options, generator = yard.options, np.random.default_rng(3)
    readings, features = [], []
    for number in range(19):
        chainage_m, name = 1.2 + 1.45 * number, str(101 + number)
        place = yard.at(chainage_m)
        shot = Point(place.x + generator.normal(0, 0.06) / yard.factor, place.y)
        features.append(
            yard.feature(
                "mark",
                name,
                shot,
                leg="yard",
                chainage_m=chainage_m,
                elevation_m=71.2 + 0.01 * number,
                depth_m=0.93,
                code=options.code,
                note=options.note,
            )
        )
        if not 2 < number < 17:
            continue
        reading = ReadingSummary(
            id=f"R{number - 2}",
            kind="surface",
            place=name,
            leg="yard",
            chainage_m=chainage_m,
            offset_m=0.03,
            level_db=float(round(level(chainage_m) + generator.normal(0, 1.2), 1)),
            repeats=2,
            surface="concrete" if number > 9 else "grass",
            background_db=None,
            low_hz=70.0,
            high_hz=850.0,
        )
        readings.append(reading)
        features.append(
            yard.feature(
                "reading",
                reading.id,
                place,
                reading_kind="surface",
                leg="yard",
                chainage_m=chainage_m,
                level_db=reading.level_db,
                surface=reading.surface,
                note=options.note,
            )
        )
    return tuple(readings), features


def ties(yard):
    """Return the ties, and the features of the ties and the corners they start from."""
    ties, features, note = [], [], f"building corner {yard.options.note}"
    for name, (x, y) in FIXED_M.items():
        corner = Point(yard.place(x, y))
        tape = LineString([corner, yard.stake])
        east, north = yard.stake.x - corner.x, yard.stake.y - corner.y
        bearing = math.degrees(math.atan2(east, north)) % 360
        tie = Tie(name, note, tape.length * yard.factor, bearing)
        features.append(yard.feature("feature", name, corner, code="BC", note=note))
        if yard.options.verdict != "dig":
            continue
        ties.append(tie)
        features.append(
            yard.feature(
                "tie",
                f"tie-{name}",
                tape,
                feature=name,
                distance_m=tie.distance_m,
                bearing_deg=bearing,
            )
        )
    return tuple(ties), features


def stakes(yard):
    """Return the stakes and their features; to listen on, the places to listen at."""
    if yard.options.verdict != "dig":
        return _listening(yard)
    stake = yard.stake
    stakes = [Stake("900", "stake", "LEAK yard", stake.x, stake.y, 71.26)]
    features = [
        yard.feature("stake", "900", stake, leg="yard", chainage_m=STAKE_M, elevation_m=71.26)
    ]
    for number, (side, turn) in enumerate((("L", -90), ("R", 90)), start=901):
        angle, away = math.radians(BEARING_DEG + turn), 1.524 / yard.factor
        place = Point(stake.x + away * math.sin(angle), stake.y + away * math.cos(angle))
        label = f"5.0 {side} of the stake, cut 3.1"
        stakes.append(Stake(str(number), "offset_stake", label, place.x, place.y, 71.27))
        features.append(yard.feature("offset_stake", str(number), place, label=label))
    ends = (("hole_start", STAKE_M - BEFORE_M), ("hole_end", STAKE_M + PAST_M))
    for number, (kind, chainage_m) in enumerate(ends, start=903):
        end = yard.at(chainage_m)
        stakes.append(Stake(str(number), kind, kind.replace("_", " "), end.x, end.y, None))
    checks, checked = _checks(yard, 905)
    return (*stakes, *checks), [*features, *checked]


def _checks(yard, start):
    """Return the check points and their features, numbered from `start`."""
    note, stakes, features = yard.options.note, [], []
    for number, name in enumerate(("201", "202"), start=start):
        east, north = yard.place(*FIXED_M[name])
        label = f"check {name} {note}"
        text = f"occupy {name} first: it must read within 0.1 ft, or stop"
        stakes.append(Stake(str(number), "check_point", label, east, north, 71.5, text=text))
        features.append(
            yard.feature("check_point", str(number), Point(east, north), label=f"check {name}")
        )
    return stakes, features


def next_readings(options):
    """Return two readings worth taking next, where the verdict is to listen on."""
    if options.verdict == "dig":
        return ()
    return (
        NextReadingSummary("surface", "109 up 1.0", "yard", 13.1, 1.9, 7.5),
        NextReadingSummary("contact", "MTR1", "yard", 0.0, 2.6, 7.5),
    )


def _listening(yard):
    """Return the places to listen at, and their features beside the best place so far."""
    label = "BEST SO FAR yard 0+41.30, not to dig"
    stakes, features = (
        [],
        [
            yard.feature(
                "best_so_far",
                "best-so-far",
                yard.stake,
                label=label,
                leg="yard",
                chainage_m=STAKE_M,
                verdict="listen_on",
            )
        ],
    )
    for number, each in enumerate(next_readings(yard.options), start=1):
        place, name = yard.at(each.chainage_m), str(899 + number)
        label = f"LISTEN {number} {each.kind} yard"
        stakes.append(Stake(name, "next_reading", label, place.x, place.y, 71.2))
        features.append(
            yard.feature(
                "next_reading",
                name,
                place,
                label=f"LISTEN {number}",
                number=number,
                reading_kind=each.kind,
                place=each.place,
                leg="yard",
                chainage_m=each.chainage_m,
                expected_interval_95_m=each.expected_interval_95_m,
                lonlat_accuracy_m=2.0,
            )
        )
    checks, checked = _checks(yard, 902)
    return (*stakes, *checks), [*features, *checked]


def utilities(yard):
    if not yard.options.services:
        return
    crossing, step = yard.at(STAKE_M + 0.43), 1 / yard.factor
    path = [(crossing.x + k * 3 * step, crossing.y - k * 7 * step) for k in (-1, 0, 1)]
    name = f"gas {yard.options.note}"
    yield yard.feature("utility", "gas", LineString(path), name=name, colour="yellow", quality="B")
    fibre = LineString([yard.place(-0.3, 9.0), yard.place(27.4, 13.7)])
    yield yard.feature("utility", "fibre", fibre, name="fibre", colour="orange")
