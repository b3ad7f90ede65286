"""Make the sample sites: ``python -m tests.make_sample_sites FOLDER`` remakes them byte for byte.

Each site is simulated from a pipe and a leak that are written down here, by a forward model of
its own (spherical spreading in lossy soil, noise carried along the pipe, a louder slab, a floor
of background power), not by the model of inference. Places, people and numbers are invented.
"""

from __future__ import annotations

import json
import sys
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from pyproj import CRS, Transformer

from tests.recordings import LeakPair, leak_pair, write_wav_16

FOOT_US = 1200 / 3937
FOOT = 0.3048
MEAN_RADIUS_M = 6_371_000.0

# Site -> leg, true chainage of the leak in metres, what geoleak should say.
TRUTH = {
    "alder_court": ("yard", 41.7 * FOOT_US, "dig"),
    "quarry_road": ("main", 63.2, "dig"),
    "school_loop": ("main", 51.0, "listen_on"),
    "mill_lane": ("service", 14.3, "dig"),
}


@dataclass(frozen=True)
class Ground:
    """Flat ground metres about a centre, to longitude and latitude and to a grid."""

    lon: float
    lat: float
    height_m: float
    crs: str

    def lonlat(self, en: np.ndarray) -> np.ndarray:
        """Return longitude and latitude (n, 2) of ground metres (n, 2)."""
        datum = CRS.from_user_input(self.crs).geodetic_crs
        plane = CRS.from_proj4(
            f"+proj=aeqd +lat_0={self.lat} +lon_0={self.lon} +ellps=GRS80 +units=m +no_defs"
        )
        geographic = CRS.from_proj4("+proj=longlat +ellps=GRS80 +no_defs")
        assert datum is not None
        scale = 1 + self.height_m / MEAN_RADIUS_M
        to = Transformer.from_crs(plane, geographic, always_xy=True)
        return np.column_stack(to.transform(en[:, 0] / scale, en[:, 1] / scale))

    def grid(self, en: np.ndarray) -> np.ndarray:
        """Return easting and northing (n, 2) in the grid's own unit."""
        crs = CRS.from_user_input(self.crs)
        lonlat = self.lonlat(en)
        to = Transformer.from_crs(crs.geodetic_crs, crs, always_xy=True)
        return np.column_stack(to.transform(lonlat[:, 0], lonlat[:, 1]))


@dataclass(frozen=True)
class Pipe:
    """A true pipe: vertices in ground metres, and a leak at a chainage."""

    vertices: np.ndarray
    leak_m: float
    depth_m: float

    @property
    def lengths(self) -> np.ndarray:
        """Return the chainage of each vertex."""
        steps = np.hypot(*np.diff(self.vertices, axis=0).T)
        return np.concatenate([[0.0], np.cumsum(steps)])

    def at(self, chainage_m: np.ndarray) -> np.ndarray:
        """Return positions (n, 2) at chainages."""
        return np.column_stack(
            [np.interp(chainage_m, self.lengths, self.vertices[:, k]) for k in (0, 1)]
        )

    def right(self, chainage_m: np.ndarray) -> np.ndarray:
        """Return unit vectors (n, 2) to the right of the pipe."""
        span = np.clip(
            np.searchsorted(self.lengths, chainage_m, side="right") - 1, 0, len(self.lengths) - 2
        )
        way = np.diff(self.vertices, axis=0)[span]
        way = way / np.hypot(way[:, 0], way[:, 1])[:, None]
        return np.column_stack([way[:, 1], -way[:, 0]])


def runs(start: tuple[float, float], bearing_deg: float, *legs: tuple[float, float]) -> np.ndarray:
    """Return vertices of runs: each leg is (length in metres, turn to the right after it)."""
    vertices = [np.array(start, dtype=float)]
    bearing = bearing_deg
    for length, turn in legs:
        step = np.array([np.sin(np.radians(bearing)), np.cos(np.radians(bearing))])
        vertices.append(vertices[-1] + length * step)
        bearing += turn
    return np.array(vertices)


def painted(
    pipe: Pipe, chainage_m: np.ndarray, rng: np.random.Generator, *, sigma: float, bias: float
) -> np.ndarray:
    """Return where the marks were painted: the pipe, a shared shift and each mark's own scatter."""
    aside = bias + sigma * rng.standard_normal(len(chainage_m))
    along = 0.02 * rng.standard_normal(len(chainage_m))
    return pipe.at(chainage_m + along) + aside[:, None] * pipe.right(chainage_m)


def heard_db(
    pipe: Pipe,
    where: np.ndarray,
    chainage_m: np.ndarray,
    *,
    source_db: float,
    soil_db_per_m: float,
    pipe_db_per_m: float,
    carried_db: float,
) -> np.ndarray:
    """Return the leak's own level at ground positions: through the soil, and along the pipe."""
    leak = pipe.at(np.array([pipe.leak_m]))[0]
    away = np.hypot(*(where - leak).T)
    slant = np.hypot(away, pipe.depth_m)
    direct = source_db - 20 * np.log10(slant) - soil_db_per_m * (slant - pipe.depth_m)
    along = np.abs(chainage_m - pipe.leak_m)
    carried = source_db - carried_db - pipe_db_per_m * along - 20 * np.log10(pipe.depth_m)
    return 10 * np.log10(10 ** (direct / 10) + 10 ** (carried / 10))


def rod_db(pipe: Pipe, at_m: float, *, source_db: float, soil_db_per_m: float) -> float:
    """Return the level at a rod's tip half a foot beside the pipe: what comes through the soil."""
    away = np.hypot(at_m - pipe.leak_m, 0.15)
    return float(source_db - 20 * np.log10(away) - soil_db_per_m * away)


def with_floor(leak_db: np.ndarray, floor_db: np.ndarray) -> np.ndarray:
    """Return the level of leak and background together: powers add."""
    return 10 * np.log10(10 ** (leak_db / 10) + 10 ** (floor_db / 10))


def write(path: Path, text: str, *, encoding: str = "utf-8", newline: str = "\n") -> None:
    """Write text with the line ends of the instrument it imitates."""
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(text.replace("\n", newline).encode(encoding))


def alder_court(folder: Path) -> None:
    """A plastic yard service in US survey feet; the leak lies at 41.7 ft, under the lawn's edge."""
    rng = np.random.default_rng(20260504)
    ground = Ground(lon=-79.041, lat=35.9022, height_m=118.0, crs="EPSG:6543")
    feet = FOOT_US
    pipe = Pipe(
        runs((-9.0, -7.0), 38.0, (55 * feet, 22.5), (43 * feet, 0.0)), 41.7 * feet, 3.1 * feet
    )
    length = pipe.lengths[-1]
    chainage = np.arange(2.0, length / feet - 1.0, 4.0) * feet
    chainage = chainage + 0.25 * feet * rng.standard_normal(len(chainage))
    marks = painted(pipe, chainage, rng, sigma=0.075, bias=0.02)
    marks[17] += 0.42 * pipe.right(chainage[17:18])[0]  # this one followed another line
    rows: list[tuple[int, np.ndarray, float, str]] = []
    tilt = np.array([0.012, -0.018])

    def shoot(number: int, at: np.ndarray, code: str) -> None:
        shot = at + 0.008 * rng.standard_normal(2)
        elevation = 118.0 + 33.0 + shot @ tilt + 0.012 * rng.standard_normal()
        rows.append((number, shot, elevation, code))

    shoot(1, np.array([-16.0, -12.0]), "CP")
    shoot(2, np.array([14.0, 19.0]), "CP")
    for k, at in enumerate(marks):
        shoot(101 + k, at, "WL")
    shoot(201, pipe.vertices[0], "MTR1")
    shoot(202, pipe.vertices[-1] + np.array([0.01, 0.02]), "HB")
    shoot(203, pipe.at(np.array([0.6 * feet]))[0] + np.array([0.05, -0.02]), "WV")
    for number, at in ((301, (9.5, 4.0)), (302, (12.5, 12.5)), (303, (-3.0, 9.0))):
        shoot(number, np.array(at), "BC")
    shoot(304, np.array([-14.0, 1.5]), "PP")
    grid = ground.grid(np.array([at for _, at, _, _ in rows]))
    lines = [
        f"{number},{northing:.3f},{easting:.3f},{elevation / feet:.3f},{code}"
        for (number, _, elevation, code), (easting, northing) in zip(rows, grid, strict=True)
    ]
    write(folder / "points.csv", "\n".join(lines) + "\n", newline="\r\n")
    _alder_readings(folder, pipe, marks, chainage, rng)
    gas = np.array([[-11.0, 3.0], [-1.0, -2.5], [9.0, -7.5]])
    lonlat = ground.lonlat(gas)
    feature = {
        "type": "Feature",
        "properties": {"name": "gas service"},
        "geometry": {
            "type": "LineString",
            "coordinates": [[round(float(c), 8) for c in p] for p in lonlat],
        },
    }
    collection = {"type": "FeatureCollection", "features": [feature]}
    write(folder / "gas.geojson", json.dumps(collection, indent=1) + "\n")
    write(folder / "site.toml", ALDER_TOML)


def _alder_readings(
    folder: Path,
    pipe: Pipe,
    marks: np.ndarray,
    chainage: np.ndarray,
    rng: np.random.Generator,
) -> None:
    leak = heard_db(
        pipe, marks, chainage, source_db=37.0, soil_db_per_m=3.0, pipe_db_per_m=2.2, carried_db=9.0
    )
    concrete = chainage > 60 * FOOT_US
    floor = 19.0 + 0.8 * rng.standard_normal(len(marks)) + np.where(concrete, 3.0, 0.0)
    level = with_floor(leak + np.where(concrete, 5.0, 0.0), floor)
    level += 1.2 * rng.standard_normal(len(marks))
    lines = ["reading,kind,place,level,low_hz,high_hz,surface,background,note"]
    for k in range(3, 21):
        repeats = " ".join(f"{level[k] + 0.9 * rng.standard_normal():.0f}" for _ in range(2))
        surface = "concrete" if concrete[k] else "grass"
        note = "irrigation clicking" if k == 15 else ""
        quiet = f"{floor[k] + 0.5 * rng.standard_normal():.0f}" if k % 4 == 3 else ""
        lines.append(f"S{k - 2},surface,{101 + k},{repeats},150,700,{surface},{quiet},{note}")
    for k, (point, there) in enumerate(
        (("201", 0.0), ("203", 0.6 * FOOT_US), ("202", 98 * FOOT_US))
    ):
        contact = 46.0 - 1.1 * abs(there - pipe.leak_m) + 1.5 * rng.standard_normal()
        lines.append(f"C{k + 1},contact,{point},{contact:.0f},150,700,,,")
    rng = np.random.default_rng(20260505)
    for name, side in (("A1", -3.0), ("A2", 3.0)):
        where = marks[10:11] + side * FOOT_US * pipe.right(chainage[10:11])
        heard = heard_db(
            pipe,
            where,
            chainage[10:11],
            source_db=37.0,
            soil_db_per_m=3.0,
            pipe_db_per_m=2.2,
            carried_db=9.0,
        )
        level = with_floor(heard, np.array([19.0]))[0] + 1.2 * rng.standard_normal()
        place = f"111 {'left' if side < 0 else 'right'} {abs(side):.0f} ft"
        lines.append(f"{name},surface,{place},{level:.0f},150,700,grass,,")
    for k, step in enumerate((-3.3, -1.6, 0.0, 1.6, 3.3)):
        place = "111" if step == 0 else f"111 {'up' if step > 0 else 'down'} {abs(step):.1f} ft"
        level = rod_db(pipe, chainage[10] + step * FOOT_US, source_db=37.0, soil_db_per_m=3.0)
        level = with_floor(np.array([level]), np.array([16.0]))[0] + 1.5 * rng.standard_normal()
        lines.append(f"P{k + 1},rod,{place},{level:.0f},150,700,,,pushed beside the pipe")
    write(folder / "readings.csv", "\n".join(lines) + "\n")


ALDER_TOML = """\
title = "Alder Court, yard service"
crs = "EPSG:6543"              # NAD83(2011) / North Carolina (ftUS)
length_unit = "ftUS"
corrections = "network RTK"
water_temperature = 14

[points]
file = "points.csv"
layout = "pnezd"               # number, northing, easting, elevation, code
rover_bias = "0.05 ft"

[[leg]]
name = "yard"
code = "WL"
start = "201"                  # the meter
end = "202"                    # the hose bib at the house
depth = "3.1 ft"
depth_to = "centre"
material = "pvc"
outside_diameter = "1.315 in"
wall = "0.133 in"
pressure = "62 psi"
installed = 1988

[codes]
fitting = ["MTR*", "WV", "HB"]
feature = ["BC", "PP"]

[readings]
level_scale = "db"
gate = "6 ft"
everything_off = true          # every tap and machine was off while listening

[crew]
dig_length = "6 ft"
dig_when = 0.85
locator_sigma = "0.08 depth"
locator_bias = "0.03 depth"
tape_sigma = "0.05 ft"
tape_length = "100 ft"

[[utility]]
name = "gas"
file = "gas.geojson"
colour = "yellow"
"""


def quarry_road(folder: Path) -> None:
    """A 150 mm iron main in metres; the leak lies at 63.2 m, between two hydrants."""
    rng = np.random.default_rng(20260611)
    ground = Ground(lon=9.42, lat=51.31, height_m=231.0, crs="EPSG:25832")
    pipe = Pipe(runs((-40.0, -22.0), 61.0, (46.0, 11.25), (40.0, -22.5), (38.0, 0.0)), 63.2, 1.25)
    length = pipe.lengths[-1]
    chainage = np.arange(1.5, length - 0.5, 2.0)
    chainage = chainage + 0.08 * rng.standard_normal(len(chainage))
    marks = painted(pipe, chainage, rng, sigma=0.09, bias=-0.03)
    rows = [(f"{1000 + k}", at, "WL") for k, at in enumerate(marks)]
    rows += [
        ("2001", pipe.vertices[0], "HYD"),
        ("2002", pipe.at(np.array([length]))[0], "HYD"),
        ("2003", pipe.at(np.array([86.0]))[0], "WV"),
        ("3001", np.array([12.0, 22.0]), "BC"),
        ("3002", np.array([24.0, 27.5]), "BC"),
        ("3003", np.array([2.0, -9.0]), "PP"),
        ("3004", np.array([30.0, -4.0]), "KERB"),
        ("1", np.array([-46.0, -30.0]), "CP"),
        ("2", np.array([50.0, 30.0]), "CP"),
    ]
    lines = ["Punkt;Rechtswert;Hochwert;Höhe;Code;HRMS;VRMS;Status;Bemerkung"]
    for k, (name, at, code) in enumerate(rows):
        floating = k in (31, 32)
        precision = 0.011 + 0.004 * rng.random() + (0.22 if floating else 0.0)
        shot = at + precision * rng.standard_normal(2)
        easting, northing = ground.grid(shot[None, :])[0]
        height = 231.0 - 47.2 + 0.01 * shot[0] + 0.015 * rng.standard_normal()
        numbers = f"{easting:.3f};{northing:.3f};{height:.3f}".replace(".", ",")
        quality = f"{precision:.3f};{precision * 1.6:.3f}".replace(".", ",")
        status = "float" if floating else "fixed"
        note = "unter Baum" if floating else ""
        lines.append(f"{name};{numbers};{code};{quality};{status};{note}")
    write(folder / "punkte.csv", "\ufeff" + "\n".join(lines) + "\n", newline="\r\n")
    _quarry_readings(folder, pipe, marks, chainage, rng)
    write(folder / "site.toml", QUARRY_TOML)


def _quarry_readings(
    folder: Path,
    pipe: Pipe,
    marks: np.ndarray,
    chainage: np.ndarray,
    rng: np.random.Generator,
) -> None:
    leak = heard_db(
        pipe,
        marks,
        chainage,
        source_db=48.0,
        soil_db_per_m=1.8,
        pipe_db_per_m=0.35,
        carried_db=12.0,
    )
    floor = 24.0 + 1.0 * rng.standard_normal(len(marks))
    level = with_floor(leak, floor) + 1.4 * rng.standard_normal(len(marks))
    lines = ["reading;kind;place;level;low_hz;high_hz;surface;session;recording;note"]
    for k in range(12, 48, 1):
        number = f"{level[k]:.1f}".replace(".", ",")
        session = "am" if k < 34 else "pm"
        lines.append(f"R{k - 11};surface;{1000 + k};{number};300;3000;asphalt;{session};;")
    for k, (point, there) in enumerate((("2001", 0.0), ("2003", 86.0), ("2002", pipe.lengths[-1]))):
        contact = f"{71.0 - 0.22 * abs(there - pipe.leak_m) + 1.5 * rng.standard_normal():.1f}"
        lines.append(f"K{k + 1};contact;{point};{contact.replace('.', ',')};300;3000;;am;;")
    write(folder / "readings.csv", "\n".join(lines) + "\n")
    rng = np.random.default_rng(20260612)
    _quarry_recordings(folder, pipe, rng)
    lines = (folder / "readings.csv").read_text(encoding="utf-8").splitlines()
    for name, mark, file in (("A1", 1031, "near.wav"), ("A2", 1047, "far.wav")):
        lines.append(f"{name};surface;{mark};;;;asphalt;;{file};recorded")
    aside = np.random.default_rng(20260613)
    for k, side in enumerate((-3.0, -2.0, -1.0, 1.0, 2.0, 3.0)):
        where = marks[31:32] + side * pipe.right(chainage[31:32])
        heard = heard_db(
            pipe,
            where,
            chainage[31:32],
            source_db=48.0,
            soil_db_per_m=1.8,
            pipe_db_per_m=0.35,
            carried_db=12.0,
        )
        level = with_floor(heard, np.array([24.0]))[0] + 1.4 * aside.standard_normal()
        place = f"1031 {'left' if side < 0 else 'right'} {abs(side):.0f}"
        number = f"{level:.1f}".replace(".", ",")
        lines.append(f"S{k + 1};surface;{place};{number};500;1500;asphalt;pm;;aside of the loudest")
    write(folder / "readings.csv", "\n".join(lines) + "\n")
    true_delay = (pipe.leak_m - (pipe.lengths[-1] - pipe.leak_m)) / 1262.0
    shown = f"{1000 * true_delay + 0.15 * rng.standard_normal():.2f}".replace(".", ",")
    rows = [
        "delay;first;second;delay_ms;sigma_ms;recording_first;recording_second;note",
        f"D1;2001;2002;{shown};0,4;;;both hydrants",
        "D2;2001;2003;;;pair.wav#1;pair.wav#2;hydrant and valve, recorded",
    ]
    write(folder / "delays.csv", "\n".join(rows) + "\n")


def _quarry_recordings(folder: Path, pipe: Pipe, rng: np.random.Generator) -> None:
    """Hydrant 2001 and valve 2003 at once, and the ground near the leak and far from it."""
    sensors = LeakPair(
        first_m=pipe.leak_m,
        second_m=86.0 - pipe.leak_m,
        wave_speed_m_per_s=1262.0,
        band_hz=(250.0, 1100.0),
        snr_db=3.0,
        duration_s=12.4,
        hum_db=6.0,
    )
    first, second = leak_pair(sensors, rng)
    write_wav_16(folder / "pair.wav", np.column_stack([first, second]), 4000)
    for name, snr_db in (("near.wav", 14.0), ("far.wav", -9.0)):
        ground = LeakPair(band_hz=(350.0, 900.0), snr_db=snr_db, duration_s=12.2)
        heard, _ = leak_pair(ground, rng)
        # One gain for both files, so that their levels may be set side by side.
        write_wav_16(folder / name, heard, 4000, peak=float(np.abs(heard).max()) / 60.0)


QUARRY_TOML = """\
title = "Quarry Road, 150 mm main"
crs = "EPSG:25832"             # ETRS89 / UTM zone 32N
length_unit = "m"
corrections = "own base on a known point"
water_temperature = 11

[points]
file = "punkte.csv"
precision_is = "1 sigma"
rover_bias = "1.5 cm"

[[leg]]
name = "main"
code = "WL"
start = "2001"
end = "2002"
depth = "1.25 m"
material = "cast_iron"
outside_diameter = "170 mm"
wall = "10 mm"
pressure = "450 kPa"
installed = 1961

[codes]
fitting = ["HYD", "WV"]
feature = ["BC", "PP", "KERB"]

[readings]
level_scale = "db"
gate = "2 m"
everything_off = true

[crew]
dig_length = "2 m"
dig_when = 0.85
locator_sigma = "0.08 depth"
"""


def school_loop(folder: Path) -> None:
    """Latitude and longitude, two legs from a tee, five readings: not enough to dig on."""
    rng = np.random.default_rng(20260907)
    ground = Ground(lon=-105.085, lat=39.953, height_m=1640.0, crs="EPSG:6428")
    main = Pipe(runs((-30.0, 4.0), 92.0, (38.0, 0.0), (30.0, 0.0)), 51.0, 4.5 * FOOT)
    branch = Pipe(runs(tuple(main.vertices[1]), 182.0, (18.0, 45.0), (16.0, 0.0)), 99.0, 4.0 * FOOT)
    rows: list[tuple[str, np.ndarray, str]] = []
    for first, pipe, code in ((11, main, "WM"), (101, branch, "WB")):
        chainage = np.arange(1.0, pipe.lengths[-1], 5.0 * FOOT)
        for k, at in enumerate(painted(pipe, chainage, rng, sigma=0.10, bias=0.03)):
            rows.append((f"{first + k}", at, code))
    rows += [
        ("TEE1", main.vertices[1], "TEE"),
        ("V1", main.vertices[0], "WV"),
        ("V2", main.vertices[-1], "WV"),
        ("H1", branch.vertices[-1], "HYD"),
        ("B1", np.array([2.0, 16.0]), "BC"),
        ("B2", np.array([22.0, 15.0]), "BC"),
        ("B3", np.array([-12.0, -12.0]), "BC"),
    ]
    lines = ["Name,Latitude,Longitude,Ellip. Height (m),Code,H Prec (m),V Prec (m),Fix,Depth (ft)"]
    for name, at, code in rows:
        precision = 0.012 + 0.004 * rng.random()
        shot = at + precision * rng.standard_normal(2)
        lon, lat = ground.lonlat(shot[None, :])[0]
        height = 1640.0 + 0.02 * shot[0] + 0.02 * rng.standard_normal()
        depth = f"{4.4 + 0.15 * rng.standard_normal():.1f}" if code in ("WM", "WB") else ""
        lines.append(
            f"{name},{lat:.9f},{lon:.9f},{height:.3f},{code},{precision:.3f},"
            f"{1.7 * precision:.3f},fixed,{depth}"
        )
    write(folder / "rover.csv", "\n".join(lines) + "\n")
    where = np.array([30.0, 44.0, 56.0])
    leak = heard_db(
        main, main.at(where), where,
        source_db=33.0, soil_db_per_m=3.0, pipe_db_per_m=2.0, carried_db=9.0,
    )  # fmt: skip
    level = with_floor(leak, np.full(3, 24.0)) + rng.standard_normal(3)
    lines = ["reading,kind,place,level,low_hz,high_hz,surface,note"]
    for k, at in enumerate(where):
        station = f"main@{at / FOOT:.0f}"
        lines.append(f"{k + 1},surface,{station},{level[k]:.0f},150,700,grass,")
    lines.append(f"4,surface,branch@20,{24 + rng.standard_normal():.0f},150,700,grass,")
    lines.append("5,surface,branch@70,,150,700,paving,bell rang")
    write(folder / "readings.csv", "\n".join(lines) + "\n")
    write(folder / "site.toml", SCHOOL_TOML)


SCHOOL_TOML = """\
title = "School loop, fire line and branch"
crs = "EPSG:6318"              # NAD83(2011), latitude and longitude
grid_crs = "EPSG:6428"         # NAD83(2011) / Colorado Central (ftUS), for printed coordinates
length_unit = "ft"

[points]
file = "rover.csv"

[[leg]]
name = "main"
code = "WM"
start = "V1"
end = "V2"
material = "pvc"
outside_diameter = "6.9 in"
wall = "0.383 in"
depth = "4.5 ft"

[[leg]]
name = "branch"
code = "WB"
start = "TEE1"
end = "H1"
from = "main"
material = "pvc"
outside_diameter = "4.8 in"
wall = "0.267 in"
depth = "4 ft"

[codes]
fitting = ["WV", "HYD"]
feature = ["BC"]

[readings]
level_scale = "db"
"""


def mill_lane(folder: Path) -> None:
    """A copper service from meter to report; the leak lies at 14.3 m, before the house valve."""
    rng = np.random.default_rng(20260611)
    ground = Ground(lon=9.18, lat=48.72, height_m=402.0, crs="EPSG:25832")
    pipe = Pipe(runs((-12.0, 3.0), 71.0, (16.0, 0.0), (10.0, 0.0)), 14.3, 0.9)
    chainage = np.arange(1.0, 25.5, 1.0) + 0.06 * rng.standard_normal(25)
    marks = painted(pipe, chainage, rng, sigma=0.05, bias=0.015)
    shots = [(f"{k + 1}", at, "CU") for k, at in enumerate(marks)]
    shots += [("51", pipe.vertices[0], "WM"), ("52", pipe.vertices[-1], "HV")]
    shots += [("61", np.array([2.0, 12.0]), "EK"), ("62", np.array([9.0, 2.0]), "EK")]
    shots += [("63", np.array([-8.0, 12.0]), "EK")]
    grid = ground.grid(np.array([at + 0.006 * rng.standard_normal(2) for _, at, _ in shots]))
    lines = ["Point,Easting,Northing,Elevation,Code,HRMS"]
    for (name, _, code), (east, north) in zip(shots, grid, strict=True):
        height = 402.0 + 0.01 * rng.standard_normal()
        lines.append(f"{name},{east:.3f},{north:.3f},{height:.3f},{code},{0.011:.3f}")
    write(folder / "marks.csv", "\n".join(lines) + "\n")
    sound = {"source_db": 36.0, "soil_db_per_m": 3.0, "pipe_db_per_m": 0.8, "carried_db": 12.0}
    leak = heard_db(pipe, marks, chainage, **sound)
    floor = 18.0 + 0.7 * rng.standard_normal(len(marks))
    level = with_floor(leak, floor) + 1.2 * rng.standard_normal(len(marks))
    rows = ["reading,kind,place,level,surface,background"]
    for k in range(4, 24):
        again = " ".join(f"{level[k] + 0.8 * rng.standard_normal():.0f}" for _ in range(2))
        quiet = f"{floor[k]:.0f}" if k % 5 == 4 else ""
        rows.append(f"{k - 3},surface,{k + 1},{again},grass,{quiet}")
    for name, there in (("51", 0.0), ("52", 26.0)):
        contact = 52.0 - 0.8 * abs(there - pipe.leak_m) + 1.5 * rng.standard_normal()
        rows.append(f"K{name},contact,{name},{contact:.0f},,")
    for side in (-1.0, 1.0):
        where = marks[13:14] + side * pipe.right(chainage[13:14])
        heard = with_floor(heard_db(pipe, where, chainage[13:14], **sound), np.array([18.0]))[0]
        heard += 1.2 * rng.standard_normal()
        rows.append(
            f"A{side:+.0f},surface,14 {'left' if side < 0 else 'right'} 1 m,{heard:.0f},grass,"
        )
    for k, step in enumerate((-1.0, -0.5, 0.0, 0.5, 1.0)):
        heard = rod_db(pipe, chainage[13] + step, source_db=36.0, soil_db_per_m=3.0)
        heard = with_floor(np.array([heard]), np.array([15.0]))[0] + 1.5 * rng.standard_normal()
        place = "14" if step == 0 else f"14 {'up' if step > 0 else 'down'} {abs(step)} m"
        rows.append(f"R{k + 1},rod,{place},{heard:.0f},,")
    write(folder / "readings.csv", "\n".join(rows) + "\n")
    write(folder / "meter.csv", MILL_METER)
    write(folder / "site.toml", MILL_TOML)


MILL_METER = """\
time,reading,unit,run,state
2026-06-11T08:00:10+02:00,412.336,m3,before,all shut
2026-06-11T08:10:10+02:00,412.354,m3,before,all shut
2026-06-11T08:20:10+02:00,412.372,m3,before,all shut
2026-06-11T08:25:10+02:00,412.381,m3,valve,house valve shut
2026-06-11T08:35:10+02:00,412.399,m3,valve,house valve shut
2026-06-13T15:00:10+02:00,418.100,m3,after,all shut
2026-06-13T15:30:10+02:00,418.100,m3,after,all shut
2026-06-13T16:00:10+02:00,418.100,m3,after,all shut
"""
MILL_TOML = """\
title = "Mill Lane, copper service"
crs = "EPSG:25832"             # ETRS89 / UTM zone 32N
length_unit = "m"
corrections = "network RTK"
country = "DE"

[points]
file = "marks.csv"

[[leg]]
name = "service"
code = "CU"
start = "51"                   # the meter, in the pit at the boundary
end = "52"                     # the house valve
depth = "0.9 m"
material = "copper"
outside_diameter = "28 mm"
wall = "1.5 mm"
pressure = "4.2 bar"

[codes]
fitting = ["WM", "HV"]
feature = ["EK"]

[readings]
everything_off = true

[crew]
dig_length = "1.5 m"
dig_when = 0.85

[meter]
house_valve = "52"
price = 2.40                   # a cubic metre
since = "2026-04-01"           # the first high bill

[job]
company = "Field services"
number = "26-0611"
"""

README = """\
# Sample sites

Invented places, people and numbers, in the style of real files. `python -m tests.make_sample_sites
sample_sites` remakes them byte for byte. The readings come from a forward model of the script's own
(spherical spreading in lossy soil, noise carried along the pipe, a louder slab, background added as
power), not from the model that geoleak infers with.

## alder_court

A plastic yard service, part lawn, part concrete, with a gas line nearby; mark 118 followed another
line. Files: PNEZD without a header, US survey feet, CRLF line ends.
**The true leak: leg yard, 41.7 ft from the meter.** Expect: dig.

## quarry_road

A 150 mm cast-iron main under asphalt, listened to in two sessions, with contacts on two hydrants
and a valve, one delay between the hydrants, and recordings: two of the ground (near the leak and
far from it) and a pair at hydrant and valve whose delay is worked out. Files: a header, semicolons,
decimal commas, a byte order mark, columns of precision and fix, two float shots.
**The true leak: leg main, 63.2 m from hydrant 2001.** Expect: dig.

## school_loop

Two plastic legs from a tee. Files: latitude and longitude, depths at the marks.
**The true leak: leg main, 51.0 m (167 ft) from valve V1.** Expect: listen on; four readings are not
enough to dig on.

## mill_lane

A copper service told from the meter to the report: `meter.csv` before, with the house valve shut,
and after the repair. Files: a header with easting first, metres.
**The true leak: leg service, 14.3 m from the meter.** Expect: dig.
"""


def make(folder: Path) -> None:
    """Write every sample site below `folder`."""
    alder_court(folder / "alder_court")
    quarry_road(folder / "quarry_road")
    school_loop(folder / "school_loop")
    mill_lane(folder / "mill_lane")
    write(folder / "README.md", README)


if __name__ == "__main__":
    make(Path(sys.argv[1] if len(sys.argv) > 1 else "sample_sites"))
