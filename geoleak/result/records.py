"""The finished Result: every number that any output prints, and its JSON form.

Exporters take a `Result` and add no numbers of their own. Geometry comes twice: ``grid`` in the
printed grid CRS (its own unit) and ``lonlat`` in degrees (None on a local site). Everything else
is in metres, and each key says its unit. `geoleak.result.build` makes a Result.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

from geoleak.evidence import KindFit
from geoleak.record import Record, field, picked
from geoleak.site import Job, Note, PointStyle
from geoleak.stake import ErrorSource, Excavation, NearService, SettingOutEllipse, Stake, Tie

if TYPE_CHECKING:
    from folium import Map
    from geopandas import GeoDataFrame
    from matplotlib.axes import Axes
    from pandas import DataFrame
    from shapely.geometry.base import BaseGeometry

SCHEMA = 2
"""Of result.json. Readers pass over keys that they do not know."""
NamedPiece = tuple[str, float, float]


class LearnedFrom(Record):
    """A file of learned values, with the closed-out sites behind it; dates ISO, or empty."""

    file: str
    sites: int
    first: str
    last: str


class Provenance(Record):
    """Which run this is: an id from the inputs' hashes and the version, so same input, same id."""

    id: str
    version: str
    date: str | None
    """ISO date, the newest that the points state; None where they state none."""
    created_from: Mapping[str, str]
    """File name -> SHA-256 (hex)."""
    tables: LearnedFrom | None = None
    """Whose learned values it rests on; None: the shipped guesses."""


class SiteSummary(Record):
    """What every output prints at its head."""

    title: str
    crs: str
    grid_name: str
    grid_unit: str
    length_unit: str
    local: bool
    corrections: str
    mean_height_m: float
    combined_factor: float
    grid_scale: float
    elevation_factor: float
    convergence_deg: float
    operations: tuple[str, ...]


class Position(Record):
    """Coordinates in the printed grid. ``unit`` is "m", "ft" or "ftUS"."""

    easting: float
    northing: float
    unit: str
    crs: str


class Leak(Record):
    """The answer: where the leak is and how sure that is. Keys are a contract."""

    leg: str
    chainage_m: float
    station: str
    interval_50: tuple[NamedPiece, ...]
    interval_80: tuple[NamedPiece, ...]
    interval_95: tuple[NamedPiece, ...]
    sigma_along_m: float | None
    position: Position
    elevation_m: float | None
    lonlat: tuple[float, float] | None
    lonlat_accuracy_m: float | None
    setting_out_ellipse_95: SettingOutEllipse
    depth_m: float | None
    """To the crown of the pipe; None where nothing states a depth."""
    depth_sigma_m: float | None
    side: Mapping[str, float]
    probability_elsewhere: float
    budget: tuple[ErrorSource, ...]
    probability_interval: float = 1.0
    """Chance of what the intervals are of: the leak is what is heard, on a traced leg, and in no
    hole that was laid bare and dry."""


class NearMarks(Record):
    """The stake told from the nearer mark: so far past it, before it where negative.

    ``next_mark`` stands on the stake's other side.
    """

    mark: str
    past_m: float
    next_mark: str | None
    straight_from: str | None = None
    straight_to: str | None = None
    """First and last mark of the straight run that the stake stands on."""


class LegSummary(Record):
    """One leg. ``vertices``: fitted [easting, northing] in the printed grid."""

    name: str
    length_m: float
    pipe_length_m: float
    probability: float
    material: str | None
    outside_diameter_m: float | None
    marks_by: str
    assumed: bool
    vertices: tuple[tuple[float, float], ...]


class NextHole(Record):
    """A stretch to open next and the chance that it holds the leak where the first hole is dry."""

    pieces: tuple[NamedPiece, ...]
    length_m: float
    chance: float


class RivalSummary(Record):
    """An explanation that rivals a leak straight below the sound."""

    name: str
    """``"fitting"``, ``"aside"``, ``"beyond"`` or ``"displaced"``."""
    chance: float
    chance_dry: float
    """That it is so and the hole is dry."""
    share_stated: float
    """Before anything was heard."""
    checked: bool
    point: str | None = None
    """The fitting that would make the sound."""


class CheckSummary(Record):
    """What to check first. ``places`` are texts that the sheets understand."""

    kind: str
    """``"stop"``, ``"across"``, ``"trace_on"``, ``"rod"``, ``"again"`` or ``"redo"``."""
    places: tuple[str, ...]
    minutes: float
    rival: str
    """The explanation that it tells most of; empty where there is a ``job``."""
    chance_if_passed: float
    """Chance in the hole once the check has found nothing against it."""
    fitting: str | None = None
    """The fitting to work in a stop test."""
    job: str = ""
    """What to do again before anybody digs, where something contradicts the answer."""
    then: str = ""
    """What its outcomes mean, where those of its kind do not say it."""


class DecisionSummary(Record):
    """Dig, check first or listen on. Keys are a contract."""

    verdict: str
    reasons: tuple[str, ...]
    chance_in_hole: float
    hole: Excavation
    then: tuple[NextHole, ...]
    chance_by_length: tuple[tuple[float, float], ...]
    value_of_reading: float | None = None
    rivals: tuple[RivalSummary, ...] = ()
    check: CheckSummary | None = None
    chance_if_heard: float | None = None
    """Chance in the hole if what is heard is the leak, straight below."""
    rivals_off: tuple[str, ...] = ()
    """Explanations that ``[prior]`` sets to 0: no chance counts them."""
    doubts: tuple[str, ...] = ()
    """Codes of what stops a dig, the one to see to first ahead; ``reasons`` begin with them."""


class NextReadingSummary(Record):
    """A reading worth taking next. ``place`` is text that readings.csv understands."""

    kind: str
    place: str
    leg: str
    chainage_m: float
    expected_interval_95_m: float
    interval_95_now_m: float | None = None
    """Length of the 95 % interval before it is taken."""


class ProfileLeg(Record):
    """The posterior along one leg, thinned, with the fitted level curve where there is one."""

    leg: str
    chainage_m: tuple[float, ...]
    density_per_m: tuple[float, ...]
    expected_chainage_m: tuple[float, ...] = ()
    expected_db: tuple[float, ...] = ()
    low_db: tuple[float, ...] = ()
    high_db: tuple[float, ...] = ()


class ReadingSummary(Record):
    """A reading as it was used. ``level_db`` is in the scale that ``level_scale`` names."""

    id: str
    kind: str
    place: str
    leg: str
    chainage_m: float
    offset_m: float
    level_db: float
    repeats: int
    surface: str | None
    background_db: float | None
    low_hz: float | None
    high_hz: float | None
    recording: str | None = None
    level_from: str = "meter"
    """``"meter"`` or ``"recording"`` (dB re full scale): levels of two scales do not compare."""


class Feature(Record, eq=False):
    """A thing to draw or store. ``properties`` hold only JSON values and carry no markup.

    Kinds: stake, best_so_far, interval, hole, route, mark, reading, fitting, feature, tie, utility,
    check_point, offset_stake, next_reading, check_place, dug, found.
    """

    kind: str
    id: str
    grid: BaseGeometry
    lonlat: BaseGeometry | None
    properties: Mapping[str, Any] = field(default_factory=lambda: MappingProxyType({}))


class Result(Record, eq=False):
    """The finished answer for one site. `to_dict` is the contract of result.json."""

    run: Provenance
    site: SiteSummary
    leak: Leak
    near: NearMarks | None
    legs: tuple[LegSummary, ...]
    decision: DecisionSummary
    next_readings: tuple[NextReadingSummary, ...]
    profile: tuple[ProfileLeg, ...]
    readings: tuple[ReadingSummary, ...]
    fits: tuple[KindFit, ...]
    level_scale: str
    warnings: tuple[Note, ...]
    cautions: tuple[str, ...]
    ties: tuple[Tie, ...] = ()
    ties_text: tuple[str, ...] = ()
    """Which side the stake lies on, the setting-out error of the ties, or what is missing."""
    stakes: tuple[Stake, ...] = ()
    point_style: PointStyle = field(default_factory=PointStyle)
    """How the site's first point file is laid out: stakes.csv follows it."""
    services: tuple[NearService, ...] = ()
    services_clear: tuple[str, ...] = ()
    """Names of services that were given but come nowhere near the hole."""
    features: tuple[Feature, ...] = ()
    prior_factors: Mapping[str, float] = field(default_factory=lambda: MappingProxyType({}))
    """Factors on the chance per metre that were in use."""
    job: Job = field(default_factory=Job)
    not_before: str | None = None
    """Why nobody may dig yet (no valid locate request), or None."""
    closed: bool = False
    """A leak was found and no meter run says that something leaks yet: nothing is to dig by."""

    @property
    def stands(self) -> str:
        """What outputs tell: the verdict, or ``"closed"`` whatever it is."""
        return "closed" if self.closed else self.decision.verdict

    def to_dict(self) -> dict[str, Any]:
        """Return the contents of result.json: JSON values only, no NaN, geometry left out."""
        return {"schema": SCHEMA} | {
            name: _plain(getattr(self, name))
            for name in self.__struct_fields__
            if name != "features"
        }

    def to_geojson(self) -> dict[str, Any]:
        """Return an RFC 7946 FeatureCollection (empty on a local site: it has no lon/lat)."""
        from geoleak.export.json_files import feature_collection

        return feature_collection(self)

    def to_geodataframe(self) -> GeoDataFrame:
        """Return the features as a GeoDataFrame in the printed grid CRS."""
        import geopandas

        rows = [{"kind": f.kind, "id": f.id, **f.properties} for f in self.features]
        crs = None if self.site.local else self.leak.position.crs
        return geopandas.GeoDataFrame(rows, geometry=[f.grid for f in self.features], crs=crs)

    def write(
        self,
        folder: str | Path,
        *,
        force: bool = False,
        also: Sequence[str] = (),
        street_tiles: bool = False,
    ) -> list[Path]:
        """Write every output into `folder`, all of it or nothing, and return the paths.

        Parameters
        ----------
        folder : path
            Made where it does not exist.
        force : bool, default False
            Write into a folder that holds files geoleak did not write (they stay), and over
            outputs that were changed since.
        also : sequence of str
            Further files: ``"kml"``, ``"gpx"``, ``"dxf"``, ``"landxml"``.
        street_tiles : bool, default False
            Let the map fetch street tiles from the network when it is opened.

        Raises
        ------
        InputError
            If the folder is refused or a word of `also` is not known.
        GeoleakError
            If the result cannot be written; the folder is then as it was.
        """
        from geoleak.export.folder import write_all

        return write_all(self, Path(folder), force=force, also=also, street_tiles=street_tiles)

    def layers(self) -> dict[str, GeoDataFrame]:
        """Return the layers of site.gpkg as GeoDataFrames in the printed grid, by name."""
        from geoleak.export import notebook

        return notebook.layers(self)

    def profile_frame(self) -> DataFrame:
        """Return the posterior along the legs, a row a place: leg, chainage_m, density_per_m."""
        from geoleak.export import notebook

        return notebook.profile(self)

    def plot(self, ax: Axes | None = None) -> Axes:
        """Draw the plan with matplotlib (extra ``plot``) and return its axes."""
        from geoleak.export import notebook

        return notebook.plot(self, ax)

    def explore(self, *, street_tiles: bool = False) -> Map:
        """Return a folium map of every feature, a layer a kind."""
        from geoleak.export import notebook

        return notebook.explore(self, street_tiles=street_tiles)

    @property
    def __geo_interface__(self) -> dict[str, Any]:
        return self.to_geojson()

    def __repr__(self) -> str:
        from geoleak.export import words

        decision, leak = self.decision, self.leak
        return (
            f"<Result {self.site.title!r}: {self.stands}, {leak.leg} {leak.station}, "
            f"{words.chance(decision.chance_in_hole)} in the hole, run {self.run.id}>"
        )

    def _repr_html_(self) -> str:
        from geoleak.export.map import notebook_html

        return notebook_html(self)


def _plain(value: Any) -> Any:
    """Turn records, mappings and tuples into dicts and lists."""
    if isinstance(value, (str, int, float, bool)) or value is None:
        return value
    if isinstance(value, Note):
        return value.to_dict()
    if isinstance(value, Mapping):
        return {str(key): _plain(each) for key, each in value.items()}
    if isinstance(value, (tuple, list)):
        return [_plain(each) for each in value]
    if hasattr(value, "model_dump"):  # a table of site.toml
        return _plain(value.model_dump())
    return _plain(picked(value, *value.__struct_fields__))
