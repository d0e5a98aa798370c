"""The site file: TOML tables as frozen structs. The JSON Schema of these structs is enforced.

One struct per table. Every field has a default unless the job cannot be done without it, a unit in
its description, and the section of the rule where it is a limit that a local rule may replace.
"""

from __future__ import annotations

from typing import Annotated, Literal

import msgspec
from msgspec import Meta, Struct, field

__all__ = [
    "Anchor",
    "AnchorMark",
    "Azimuth",
    "Baseline",
    "Code",
    "Distances",
    "Drainage",
    "Earthwork",
    "GradeLine",
    "Grades",
    "Handover",
    "LegNoise",
    "Parcels",
    "Quantities",
    "Revision",
    "Section",
    "Sheet",
    "Site",
    "SiteFile",
    "Submission",
    "Surface",
    "Survey",
]

Positive = Annotated[float, Meta(gt=0)]
NotNegative = Annotated[float, Meta(ge=0)]
Name = Annotated[str, Meta(min_length=1, max_length=200)]


class Table(Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """Base of every table: frozen, and an unknown key is an error."""


class Site(Table, frozen=True, kw_only=True):
    """``[site]``: what the survey is called."""

    title: str = "Untitled site"
    date: str | None = None
    """ISO 8601; a TOML date becomes one on reading."""
    description: str = ""
    surveyor: str = ""
    client: str = ""
    licence: str = ""


class LegNoise(Table, frozen=True, kw_only=True):
    """``[survey.leg_noise]``: standard deviation of one leg per axis, sqrt(a^2 + b^2 length)."""

    constant: NotNegative = 0.005
    """a, metres."""
    per_sqrt_metre: NotNegative = 0.004
    """b, metres per square root of a metre walked."""


class Survey(Table, frozen=True, kw_only=True):
    """``[survey]``: the field book and how it was walked."""

    file: str
    unit: Literal["m", "ft", "ftUS"] = "m"
    columns: dict[str, str] = {}
    """Field-book column (run, point, x, ...) to the header the device writes."""
    layer: str | None = None
    closure_limit: Positive = 300.0
    """Smallest acceptable ratio of misclosure, 300 for 1:300. A default: practice differs."""
    leg_noise: LegNoise = LegNoise()


class Baseline(Table, frozen=True, kw_only=True):
    """``[baseline]``: the two marks every run visits."""

    from_: Name = field(name="from")
    to: Name


class AnchorMark(Table, frozen=True, kw_only=True):
    """``[anchor.marks.NAME]``: a mark whose map position is known."""

    easting: float | None = None
    """Map CRS units."""
    northing: float | None = None
    """Map CRS units."""
    elevation: float | None = None
    """Unit of the vertical CRS; without one, the unit of the map CRS."""
    latitude: Annotated[float, Meta(ge=-90, le=90)] | None = None
    """Degrees, WGS 84."""
    longitude: Annotated[float, Meta(ge=-180, le=180)] | None = None
    """Degrees, WGS 84."""
    ellipsoidal_height: float | None = None
    """Metres above the WGS 84 ellipsoid, turned into an elevation by the geoid grid."""
    sigma: NotNegative | None = None
    """Standard deviation per horizontal axis, metres; without it the position is taken as exact."""
    sigma_elevation: NotNegative | None = None
    """Standard deviation of the elevation, metres; without it `sigma`, else exact."""
    check: bool = False
    """A check point: known, compared, never used to place the survey."""


class Azimuth(Table, frozen=True, kw_only=True):
    """``[anchor.azimuth]``: direction of the baseline, from its first mark to its second."""

    value: Annotated[float, Meta(ge=-360, le=360)]
    """Degrees clockwise from north."""
    reference: Literal["grid", "true", "magnetic"] = "grid"
    date: str | None = None
    """Day of the compass reading, needed for a magnetic azimuth."""
    sigma: NotNegative | None = None
    """Standard deviation, degrees; default 0.5 for a compass, else exact."""


class Anchor(Table, frozen=True, kw_only=True):
    """``[anchor]``: where on the map the baseline lies."""

    crs: str
    vertical_crs: str | None = None
    marks: dict[str, AnchorMark]
    azimuth: Azimuth | None = None
    geoid_height: float | None = None
    """Geoid above ellipsoid, metres, for the elevation factor; without it taken as 0."""


class Code(Table, frozen=True, kw_only=True):
    """``[codes.NAME]``: what a surface or feature code means."""

    geometry: Literal["area", "line", "point"] = "area"
    title: str = ""
    depth: NotNegative | None = None
    """Depth of material, metres."""
    coverage: Positive | None = None
    """Square metres that one unit of material covers."""
    coverage_unit: str = ""
    waste_percent: NotNegative = 0.0
    paved: bool = False
    building: bool = False
    """Footprint: cut out of the surface, a barrier to water, checked for falls away from it."""
    barrier: bool = False
    """Water does not cross it (kerb, wall)."""
    inlet: bool = False
    """Water leaves here."""
    breakline: bool = False
    """The ground has an edge along it: triangles do not cross."""
    ground: bool = True
    """False: its marks are not on the ground (top of a wall), left out of the surface."""


class Surface(Table, frozen=True, kw_only=True):
    """``[surface]``: the elevation model."""

    cell_size: Positive | None = None
    """Map units; without it from the spacing of the marks."""
    method: Literal[
        "tin", "natural-neighbour", "thin-plate", "inverse-distance", "plane", "auto"
    ] = "tin"
    slope_method: Literal["horn", "zevenbergen-thorne"] = "horn"
    slope_unit: Literal["percent", "degree", "ratio"] = "percent"
    contour_interval: Positive | None = None
    """Elevation units; without it from the relief."""
    index_every: Annotated[int, Meta(ge=1)] = 5
    exclude: tuple[str, ...] = ()
    """Features whose marks are left out of the surface."""
    scores: bool = False
    """Leave-one-out scores of every method in the report."""


class Drainage(Table, frozen=True, kw_only=True):
    """``[drainage]``: where water goes. Limits are defaults that a local rule replaces."""

    method: Literal["d8", "d-infinity"] = "d8"
    flow_paths_from: tuple[str, ...] = ()
    """Marks or features from which a flow path is drawn."""
    fall_from_building_percent: NotNegative = 5.0
    """International Residential Code R401.3: 6 in within the first 10 ft."""
    fall_from_building_paved_percent: NotNegative = 2.0
    """International Residential Code R401.3, impervious surfaces."""
    fall_distance: Positive = 3.048
    """Metres from the building, R401.3 (10 ft)."""
    minimum_paved_fall_percent: NotNegative = 1.0
    """Flatter paved ground will hold water (common practice, no source)."""
    arrow_spacing: Positive | None = None
    """Map units between drainage arrows."""
    confidence_runs: Annotated[int, Meta(ge=0, le=10_000)] = 0
    """How many times the surface is perturbed for drainage_confidence.tif; 0 leaves it out."""
    seed: int = 1


class Quantities(Table, frozen=True, kw_only=True):
    """``[quantities]``: the take-off."""

    shared_edge_tolerance: NotNegative = 0.0
    """Metres; edges nearer than this are snapped to one. 0 reports them and changes nothing."""


class Distances(Table, frozen=True, kw_only=True):
    """``[distances]``: what is measured between marks."""

    pairs: tuple[tuple[Name, Name], ...] = ()
    """From mark, to mark."""
    angles: tuple[tuple[Name, Name, Name], ...] = ()
    """At a mark, clockwise from the direction to one mark to that to another."""


class GradeLine(Table, frozen=True, kw_only=True):
    """``[grades.lines.NAME]``: a line whose grades are checked."""

    feature: str | None = None
    marks: tuple[str, ...] = ()
    limits: str = "walk"
    width: Positive = 1.2
    """Metres, for the cross slope."""
    station: Positive | None = None
    """Metres between stations."""


class Grades(Table, frozen=True, kw_only=True):
    """``[grades]``: lines to check and the limit sets to check them against."""

    lines: dict[str, GradeLine] = {}
    limits_file: str | None = None
    """TOML file with the user's own limit sets."""


class Section(Table, frozen=True, kw_only=True):
    """``[sections.NAME]``: an elevation profile between marks or along a feature."""

    marks: tuple[str, ...] = ()
    feature: str | None = None
    interval: Positive | None = None
    """Metres between stations."""
    design_elevation: float | None = None
    design_grade_percent: float = 0.0


class Earthwork(Table, frozen=True, kw_only=True):
    """``[earthworks.NAME]``: cut and fill of an area against a design plane or a second surface."""

    feature: str
    design_elevation: float | None = None
    """Elevation of the design plane at `through`, elevation units."""
    through: str | None = None
    """Mark the plane goes through at `design_elevation`; without it the middle of the area."""
    fall_percent: NotNegative = 0.0
    fall_azimuth: Annotated[float, Meta(ge=0, le=360)] = 0.0
    """Degrees clockwise from grid north, the way the plane falls."""
    surface: str | None = None
    """Raster of a second surface instead of a plane, elevation units."""
    interval: Positive = 1.0
    """Metres between cross sections."""


class Parcels(Table, frozen=True, kw_only=True):
    """``[parcels]``: the parcel map to lay the survey on. Never a boundary determination."""

    file: str
    layer: str | None = None
    name_field: str | None = None
    sigma: NotNegative = 0.5
    """Stated accuracy of the parcel map, standard deviation per axis, metres."""


class Handover(Table, frozen=True, kw_only=True):
    """``[handover]``: what leaves beside the standard files."""

    sheet: Literal[
        "A4", "A3", "A2", "A1", "A0", "ANSI A", "ANSI B", "ANSI C", "ANSI D", "ANSI E"
    ] = "A3"
    scale: Annotated[int, Meta(gt=0)] | None = None
    unit: Literal["m", "ft"] = "m"
    plan: bool = True
    viewer: bool = True
    dxf: bool = True
    geojson: bool = True
    points_csv: bool = True
    curves: bool = False
    """True-curve layer in the GeoPackage."""
    coverages: bool = False
    """Rasters as gridded coverages in the GeoPackage."""
    archive: bool = False
    """``handover.zip``, one file to send on with everything in it."""


class Revision(Table, frozen=True, kw_only=True):
    """One row of ``[[sheet.revisions]]``: what changed on the sheet since it was first issued."""

    number: Annotated[str, Meta(min_length=1, max_length=12)]
    """Its letter or number, as it is written beside the change."""
    date: str
    """ISO 8601; a TOML date becomes one on reading."""
    text: Annotated[str, Meta(max_length=200)]
    """What changed."""
    by: str = ""
    """Who changed it."""


class Sheet(Table, frozen=True, kw_only=True):
    """``[sheet]``: the title block of plan, sections and papers (fields after ISO 7200:2004)."""

    project: str = ""
    """Project that the sheet belongs to."""
    number: str = ""
    """Number of the sheet in the project's list."""
    client: str = ""
    """Legal owner; ``[site] client`` where this is not given."""
    surveyor: str = ""
    """Who made it; ``[site] surveyor`` where this is not given."""
    licence: str = ""
    """Licence or registration of the surveyor, as it must stand on the sheet."""
    approved_by: str = ""
    """Who approved it; left to be signed where this is not given."""
    revisions: tuple[Revision, ...] = ()
    """Oldest first."""


class Submission(Table, frozen=True, kw_only=True):
    """``[submission]``: who is responsible for the data, and what a receiver asks for."""

    profile: str | None = None
    """Name of a built-in profile or a file beside the site file: what the receiver requires."""
    organisation: str = ""
    """Responsible party, the contact of data and metadata."""
    email: str = ""
    """Of the responsible party."""
    issued: str | None = None
    """Day the data is handed over, ISO 8601; a TOML date becomes one. Without it the metadata bears
    the day of the survey, never the clock's."""
    identifier: str = ""
    """Unique identifier of the data; one is made from title, date and place without it."""
    keywords: tuple[str, ...] = ()
    """Words it is found by."""
    conditions: str = ""
    """Conditions for access and use."""
    public_access: str = ""
    """Limitations on public access; ``"none"`` for none."""
    link: str = ""
    """Address at which the data can be had, written down and never opened."""


class SiteFile(Table, frozen=True, kw_only=True):
    """The whole site file."""

    site: Site = Site()
    survey: Survey
    baseline: Baseline
    anchor: Anchor
    codes: dict[str, Code] = {}
    surface: Surface = Surface()
    drainage: Drainage = Drainage()
    quantities: Quantities = Quantities()
    distances: Distances = Distances()
    grades: Grades = Grades()
    sections: dict[str, Section] = {}
    earthworks: dict[str, Earthwork] = {}
    parcels: Parcels | None = None
    handover: Handover = Handover()
    sheet: Sheet = Sheet()
    submission: Submission = Submission()


def schema() -> dict[str, object]:
    """Return the JSON Schema of a site file."""
    return msgspec.json.schema(SiteFile)
