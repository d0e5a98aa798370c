"""The site file: TOML tables as frozen structs. The JSON Schema of these structs is enforced.

One struct per table. Every field has a default unless the job cannot be done without it, and below
it a docstring: what it means, and the section of the rule where it is a limit that a local rule may
replace. The docstring may end in ``Example: `...`.`` (TOML), needed where neither a default nor a
list of words shows what to write, and in ``Since 0.2.``. The unit is in the type: a `Length` is in
metres inside, and may be written with its own unit (``"4 in"``). ``geosite describe site-file``
prints all of it.
"""

from __future__ import annotations

from typing import Annotated, Literal

import msgspec
from msgspec import Meta, Struct, field

__all__ = [
    "UNTITLED",
    "Anchor",
    "AnchorMark",
    "Azimuth",
    "Baseline",
    "Code",
    "CutPrice",
    "Design",
    "DesignEdge",
    "DesignPad",
    "DesignStrip",
    "DeviceTable",
    "Distances",
    "Drainage",
    "EarthPrice",
    "Earthwork",
    "FillPrice",
    "GradeLine",
    "Grades",
    "Handover",
    "LegNoise",
    "Parcels",
    "Price",
    "Prices",
    "Quantities",
    "Revision",
    "Run",
    "Section",
    "Sheet",
    "Site",
    "SiteFile",
    "Submission",
    "Surface",
    "Survey",
    "Tolerance",
]

UNTITLED = "Untitled site"
"""What a site without a title is called."""

Positive = Annotated[float, Meta(gt=0)]
NotNegative = Annotated[float, Meta(ge=0)]
Length = Annotated[float, Meta(gt=0, extra={"unit": "m"})]
LengthOrNone = Annotated[float, Meta(ge=0, extra={"unit": "m"})]
"""Nought is allowed."""
MapLength = Annotated[float, Meta(gt=0, extra={"unit": "map unit"})]
MapPlace = Annotated[float, Meta(extra={"unit": "map unit"})]
Height = Annotated[float, Meta(extra={"unit": "elevation unit"})]
HeightStep = Annotated[float, Meta(gt=0, extra={"unit": "elevation unit"})]
EllipsoidHeight = Annotated[float, Meta(extra={"unit": "m"})]
Geoid = Annotated[
    float,
    Meta(
        extra={
            "unit": "m",
            "usual": (-110, 90),
            "ask": "Is it the height of the geoid above the ellipsoid at the site, and not an"
            " elevation? Take it from a map of the geoid, or leave the key out.",
        }
    ),
]
"""Anywhere on Earth it is -107 to 86 m (Pavlis et al. 2012, doi:10.1029/2011JB008916)."""
Percent = Annotated[float, Meta(ge=0, extra={"unit": "percent"})]
Grade = Annotated[float, Meta(extra={"unit": "percent"})]
Bearing = Annotated[float, Meta(ge=-360, le=360, extra={"unit": "degree"})]
Latitude = Annotated[float, Meta(ge=-90, le=90, extra={"unit": "degree"})]
Longitude = Annotated[float, Meta(ge=-180, le=180, extra={"unit": "degree"})]
Name = Annotated[str, Meta(min_length=1, max_length=200)]


class Table(Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """Base of every table: frozen, and an unknown key is an error."""


class Site(Table, frozen=True, kw_only=True):
    """``[site]``: what the survey is called."""

    title: Annotated[str, Meta(min_length=1)] = UNTITLED
    """Name of the site, on the plan, in the report and the metadata."""
    date: str | None = None
    """Day of the walk, ISO 8601; a TOML date without quotes will do. Example: `2026-04-12`."""
    description: str = ""
    """What was walked, in a sentence. Example: `"Apron and slipway, walked in two runs"`."""
    surveyor: str = ""
    """Who walked. Example: `"A. Walker"`."""
    client: str = ""
    """For whom. Example: `"Harbour board"`."""
    licence: str = ""
    """Under which terms the files may be used. Example: `"CC BY 4.0"`."""


class LegNoise(Table, frozen=True, kw_only=True):
    """``[survey.leg_noise]``: standard deviation of one leg per axis, sqrt(a^2 + b^2 length)."""

    constant: LengthOrNone = 0.005
    """a, the part that every leg has."""
    per_sqrt_metre: NotNegative = 0.004
    """b, metres per square root of a metre walked: the part that grows with the way."""


class DeviceTable(Table, frozen=True, kw_only=True):
    """``[survey.device]``: what the error of the device is made of, as standard deviations.

    A number that is not given is that of the class.
    """

    class_: Literal["unknown", "good"] | None = field(name="class", default=None)
    """Starting values; without it those of an unknown device. "good": held in the hand and walked
    with, not on a vehicle or a drone, which are unknown ones."""
    file: str | None = None
    """TOML file with this table, as ``geosite calibrate`` writes it. Example: `"device.toml"`."""
    pointing: NotNegative | None = None
    """Metres per horizontal axis between the device's path and a mark; it does not add up.
    Example: `0.01`."""
    pointing_up: NotNegative | None = None
    """The same upwards, in metres per visit; without it `pointing`. Example: `0.01`."""
    walk: NotNegative | None = None
    """Random walk of the position, metres per square root of a metre walked. Example: `0.015`."""
    walk_up: NotNegative | None = None
    """The same upwards, metres per square root of a metre; without it `walk`. Example: `0.015`."""
    walk_per_second: NotNegative | None = None
    """Random walk where the field book has times, metres per square root of a second.
    Example: `0.01`."""
    walk_up_per_second: NotNegative | None = None
    """The same upwards, metres per square root of a second; without it `walk_per_second`.
    Example: `0.01`."""
    heading_deg: NotNegative | None = None
    """Random walk of the heading, degrees per square root of a metre walked. Example: `0.4`."""
    scale_percent: NotNegative | None = None
    """Scale of a run, percent. Example: `1.0`."""
    climb_percent: NotNegative | None = None
    """Height a run gains or loses in proportion to the way walked, percent. Example: `0.5`."""
    tilt_deg: NotNegative | None = None
    """Tilt of a run's vertical axis about each horizontal axis, degrees. Example: `0.4`."""
    degrees_of_freedom: Positive | None = None
    """How well these are known: as by so many misclosures per component.
    Example: `4`."""


class Survey(Table, frozen=True, kw_only=True):
    """``[survey]``: the field book and how it was walked."""

    file: str
    """Field book, a file in the site file's folder: CSV, a spreadsheet or a layer of points.
    Example: `"field_book.csv"`."""
    unit: Literal["m", "ft", "ftUS"] = "m"
    """Unit of x, y and z in the field book: metres, international feet (0.3048 m), US survey feet
    (1200/3937 m)."""
    columns: dict[str, str] = {}
    """Field-book column (run, point, x, ...) to the header that the device writes.
    Example: `{ point = "Name", z = "Height" }`."""
    layer: str | None = None
    """Layer or sheet of the field book, where its file has several. Example: `"walk"`."""
    closure_limit: Positive | None = None
    """Smallest acceptable ratio of misclosure, 300 for 1:300; without it by the device, or
    1:300 where [survey.leg_noise] is given. Example: `300`."""
    closure_rules: tuple[Literal["WAC 332-130-090", "FGCC 1984"], ...] = ()
    """Published rules that closures are compared with, for information. None is compared with
    unless it is named here: a rule of one state says nothing on another's ground.
    Example: `["FGCC 1984"]`. Since 0.2."""
    leg_noise: LegNoise | None = None
    """Legs that err independently of each other; not together with `device`."""
    device: DeviceTable | None = None
    """Without it and `leg_noise`, an unknown device."""


class Run(Table, frozen=True, kw_only=True):
    """``[runs.NAME]``: what is known of one walk."""

    date: str | None = None
    """Day it was walked, where the survey took several. Example: `2026-05-11`."""


class Baseline(Table, frozen=True, kw_only=True):
    """``[baseline]``: the two marks every run visits."""

    from_: Name = field(name="from")
    """First mark of the baseline. Example: `"B1"`."""
    to: Name
    """Second mark of the baseline, as far from the first as can be. Example: `"B2"`."""


class AnchorMark(Table, frozen=True, kw_only=True):
    """``[anchor.marks.NAME]``: a mark whose map position is known."""

    easting: MapPlace | None = None
    """Easting on the map of `crs`. Example: `512640.0`."""
    northing: MapPlace | None = None
    """Northing on the map of `crs`. Example: `5276210.0`."""
    elevation: Height | None = None
    """Height, in the unit of the vertical CRS; without one, in that of the map.
    Example: `402.6`."""
    latitude: Latitude | None = None
    """WGS 84, instead of easting and northing. Example: `47.6402`."""
    longitude: Longitude | None = None
    """WGS 84, instead of easting and northing. Example: `9.1684`."""
    ellipsoidal_height: EllipsoidHeight | None = None
    """Height above the WGS 84 ellipsoid instead of the elevation; the geoid grid turns it into one.
    Example: `449.9`."""
    sigma: Annotated[float, Meta(ge=0, extra={"unit": "m", "usual": (0.0001, 20.0)})] | None = None
    """Standard deviation per horizontal axis; without it the position is taken as exact.
    Example: `0.015`."""
    sigma_elevation: LengthOrNone | None = None
    """Standard deviation of the elevation; without it `sigma`, else exact. Example: `0.02`."""
    source: str = ""
    """Where its coordinates come from: stands in the report beside them.
    Example: `"control list of the harbour board, sheet 2"`. Since 0.2."""
    check: bool = False
    """A check point: known, compared, never used to place the survey."""


class Azimuth(Table, frozen=True, kw_only=True):
    """``[anchor.azimuth]``: direction of the baseline, from its first mark to its second."""

    value: Bearing
    """Clockwise from north. Example: `87.6`."""
    reference: Literal["grid", "true", "magnetic"] = "grid"
    """Which north: of the map grid, true, or of a compass."""
    date: str | None = None
    """Day of the compass reading, needed for a magnetic azimuth. Example: `2026-04-12`."""
    sigma: (
        Annotated[float, Meta(ge=0, extra={"unit": "degree", "usual": (0.0001, 10.0)})] | None
    ) = None
    """Standard deviation; 0.5 for a compass without it, else exact. Example: `0.5`."""


class Anchor(Table, frozen=True, kw_only=True):
    """``[anchor]``: where on the map the baseline lies."""

    crs: str
    """Projected CRS of the map, by its code, as WKT or PROJ string. Example: `"EPSG:25832"`."""
    vertical_crs: str | None = None
    """CRS of the elevations; without one they count in map units. Example: `"EPSG:7837"`."""
    marks: dict[str, AnchorMark]
    """Marks whose place on the map is known, each a table of its own."""
    azimuth: Azimuth | None = None
    """Direction of the baseline, where only one mark is known."""
    geoid_height: Geoid | None = None
    """Geoid above ellipsoid, for the elevation factor; without it taken as 0. Example: `48.2`."""


class Code(Table, frozen=True, kw_only=True):
    """``[codes.NAME]``: what a surface or feature code means."""

    geometry: Literal["area", "line", "point"] = "area"
    """What features of this code are drawn as."""
    title: str = ""
    """Name for people. Example: `"Asphalt apron"`."""
    depth: Annotated[float, Meta(ge=0, extra={"unit": "m", "usual": (0.005, 1.0)})] | None = None
    """Depth (thickness) of material, for its volume. Example: `"4 in"`."""
    coverage: Positive | None = None
    """Square metres that one unit of material covers. Example: `1.0`."""
    coverage_unit: str = ""
    """What one unit of material is called. Example: `"pallets of setts"`."""
    waste_percent: Annotated[float, Meta(ge=0, extra={"unit": "percent", "usual": (0, 50)})] = 0.0
    """Added to the material for cutting and breakage."""
    existing: bool = False
    """It is there and stays: measured and listed, but not ordered. Since 0.2."""
    counted_in: str | None = None
    """Code that the same thing is counted in, such as the other edge of a kerb: measured and
    listed, but not ordered again. Example: `"kerb_foot"`. Since 0.2."""
    paved: bool = False
    """Paved: counted so in the take-off and in the checks of falls."""
    building: bool = False
    """Footprint: cut out of the surface, a barrier to water, checked for falls away from it."""
    dwelling: bool = False
    """A building to live in: falls away from it are held against International Residential Code
    R401.3, else against International Building Code 1804.4. Since 0.2."""
    barrier: bool = False
    """Water does not cross it (kerb, wall)."""
    inlet: bool = False
    """Water leaves here."""
    breakline: bool = False
    """The ground has an edge along it: triangles do not cross."""
    ground: bool = True
    """False: its marks are not on the ground (top of a wall), left out of the surface."""
    height_m: LengthOrNone | None = None
    """Of a barrier: how high, deeper water goes over it; without it none does; 0: as high as its
    two walked edges. Of a gutter: how deep, else 2 cm. Example: `0.12`."""
    gutter: bool = False
    """Water runs along here, as at the foot of a kerb."""
    drains_to: str | None = None
    """Of a building: the inlet that takes the water of its roof. Example: `"inlet_west"`."""
    runoff: Annotated[float, Meta(ge=0, le=1)] | None = None
    """Share of the rain that runs off, for the rational method. Example: `0.9`."""


class Surface(Table, frozen=True, kw_only=True):
    """``[surface]``: the elevation model."""

    cell_size: MapLength | None = None
    """Edge of a raster cell; without it from the spacing of the marks. Example: `0.25`."""
    method: Literal[
        "tin", "natural-neighbour", "thin-plate", "inverse-distance", "plane", "auto"
    ] = "tin"
    """How the ground between the marks is made: flat triangles, smooth ways, one plane, or the one
    that predicts left-out marks best."""
    slope_method: Literal["horn", "zevenbergen-thorne"] = "horn"
    """Slope from eight neighbours (Horn 1981) or from four (Zevenbergen and Thorne 1987)."""
    slope_unit: Literal["percent", "degree", "ratio"] = "percent"
    """Unit of the slope raster."""
    contour_interval: HeightStep | None = None
    """Step between contours; without it from the relief. Example: `0.25`."""
    index_every: Annotated[int, Meta(ge=1)] = 5
    """Every how manieth contour is an index contour, drawn bold with its elevation."""
    exclude: tuple[str, ...] = ()
    """Features whose marks are left out of the surface. Example: `["roof"]`."""
    scores: bool = False
    """Leave-one-out scores of every method in the report."""


class Drainage(Table, frozen=True, kw_only=True):
    """``[drainage]``: where water goes. Limits are defaults that a local rule replaces."""

    method: Literal["d8", "d-infinity"] = "d8"
    """Water leaves a cell one of eight ways, or shared between two neighbours (Tarboton 1997)."""
    flow_paths_from: tuple[str, ...] = ()
    """Marks or features from which a flow path is drawn. Example: `["A1"]`."""
    fall_from_building_percent: Percent = 5.0
    """The default is that of International Residential Code R401.3 (6 in within the first 10 ft)
    and International Building Code 1804.4: put the local one here."""
    fall_from_building_paved_percent: Percent = 2.0
    """The default is that of the same sections for impervious surfaces."""
    fall_distance: Length = 3.048
    """Distance from the building over which it must fall; the default is 10 ft of R401.3."""
    fall_from_building_source: str = ""
    """Local rule that these three are taken from. Example: `"Landing rules, 5.2"`. Since 0.2."""
    minimum_paved_fall_percent: Percent = 1.0
    """Flatter paved ground will hold water (common practice, no source)."""
    arrow_spacing: MapLength | None = None
    """Distance between drainage arrows; without it from the size of the site. Example: `4.0`."""
    rainfall_mm_per_hour: Positive | None = None
    """Intensity of the rain for the time of concentration, which is yours to choose; without it no
    peak flows. Example: `100.0`."""
    runoff: Annotated[float, Meta(ge=0, le=1)] | None = None
    """Share of the rain that runs off where no code says. Example: `0.5`."""
    confidence_runs: Annotated[int, Meta(ge=0, le=10_000)] = 200
    """Possible grounds that are drained for the intervals of ponds, catchments, flat paving and
    walls, and for drainage_confidence.tif; 0 leaves them out."""
    seed: int = 1
    """Start of the random numbers, so that a run can be repeated."""


class Quantities(Table, frozen=True, kw_only=True):
    """``[quantities]``: the take-off."""

    shared_edge_tolerance: LengthOrNone = 0.0
    """Edges nearer than this are snapped to one. 0 reports them and changes nothing."""


class Price(Table, frozen=True, kw_only=True):
    """``[prices.codes.NAME]``: what one unit of a code costs. Since 0.2."""

    rate: Annotated[float, Meta(ge=0)]
    """Price per unit, in the currency. Example: `38.5`."""
    per: Literal["m2", "m3", "m", "ft2", "yd2", "yd3", "ft", "piece"] = "m2"
    """The unit: area on the slope, volume by the code's depth, length of a line or of an area's
    edging, or pieces."""
    waste_percent: Percent | None = None
    """Added to what is measured; without it that of the code. Pieces are then rounded up to whole
    ones. Example: `8.0`."""
    minimum: Annotated[float, Meta(ge=0)] = 0.0
    """Least charge per code of which there is any, in the currency. Example: `150.0`."""


class EarthPrice(Table, frozen=True, kw_only=True):
    """What moving a cubic metre or yard of ground costs. Since 0.2."""

    rate: Annotated[float, Meta(ge=0)]
    """Price per unit, in the currency. Example: `28.0`."""
    per: Literal["m3", "yd3"] = "m3"
    """The unit. Since 0.2."""
    allowance_percent: Percent = 0.0
    """Added to what is measured: swell of what is carried away, compaction of what is filled.
    Example: `15.0`."""
    minimum: Annotated[float, Meta(ge=0)] = 0.0
    """Least charge per design that has any, in the currency. Example: `150.0`."""


class CutPrice(EarthPrice, frozen=True, kw_only=True):
    """``[prices.cut]``: what the ground costs that a design takes away. Since 0.2."""


class FillPrice(EarthPrice, frozen=True, kw_only=True):
    """``[prices.fill]``: what the ground costs that a design brings. Since 0.2."""


class Prices(Table, frozen=True, kw_only=True):
    """``[prices]``: what take-off and designs cost. No tax, no contract advice. Since 0.2."""

    currency: str = ""
    """Written beside each amount. Example: `"EUR"`."""
    rounding: Annotated[float, Meta(gt=0)] = 0.01
    """Smallest share of the currency: lines are rounded to a multiple of it, halves up.
    Example: `0.05`."""
    codes: dict[str, Price] = {}
    """Rates by code, each a table of its own."""
    cut: CutPrice | None = None
    """Of the ground that a design takes away."""
    fill: FillPrice | None = None
    """Of the ground that a design brings."""


class Distances(Table, frozen=True, kw_only=True):
    """``[distances]``: what is measured between marks."""

    pairs: tuple[tuple[Name, Name], ...] = ()
    """From mark, to mark. Example: `[["B1", "B2"]]`."""
    angles: tuple[tuple[Name, Name, Name], ...] = ()
    """At a mark, clockwise from the direction to one mark to that to another.
    Example: `[["B1", "B2", "A1"]]`."""


class GradeLine(Table, frozen=True, kw_only=True):
    """``[grades.lines.NAME]``: a line whose grades are checked."""

    feature: str | None = None
    """Line feature to check; instead of it `marks`. Example: `"kerb"`."""
    marks: tuple[str, ...] = ()
    """Marks that the line runs through; instead of it `feature`. Example: `["A1", "A2"]`."""
    limits: str = "walk"
    """Limit set to check against; `geosite describe limits` lists them."""
    width: Annotated[float, Meta(gt=0, extra={"unit": "m", "usual": (0.5, 15.0)})] = 1.2
    """Width of the way, for the cross slope where its edges were not walked."""
    edges: tuple[Name, Name] | None = None
    """Its two edges, features: width and cross slope are then told from edge to edge.
    Example: `["kerb_left", "kerb_right"]`. Since 0.2."""
    flares: tuple[tuple[Name, ...], ...] = ()
    """Of a kerb ramp: marks down each flared side, from its top to the kerb's foot.
    Example: `[["F1", "F2"], ["F3", "F4"]]`. Since 0.2."""
    landing: tuple[str, ...] = ()
    """Of a kerb ramp: marks across the landing at its top, on from the ramp.
    Example: `["R3", "R4"]`. Since 0.2."""
    gutter: tuple[str, ...] = ()
    """Of a kerb ramp: marks from its foot out across the gutter or road.
    Example: `["R1", "G1"]`. Since 0.2."""
    station: Length | None = None
    """Distance between stations; without it from the line. Example: `1.0`."""


class Grades(Table, frozen=True, kw_only=True):
    """``[grades]``: lines to check and the limit sets to check them against."""

    lines: dict[str, GradeLine] = {}
    """Lines to check, each a table of its own."""
    limits_file: str | None = None
    """TOML file with limit sets of your own, beside the site file. Example: `"limits.toml"`."""


class Section(Table, frozen=True, kw_only=True):
    """``[sections.NAME]``: an elevation profile between marks or along a feature."""

    marks: tuple[str, ...] = ()
    """Marks that the section runs through; instead of it `feature`. Example: `["A1", "A2"]`."""
    feature: str | None = None
    """Line feature that the section follows; instead of it `marks`. Example: `"kerb"`."""
    interval: Length | None = None
    """Distance between stations; without it a round one, for at most fifty. Example: `1.0`."""
    design_elevation: Height | None = None
    """Elevation of the design line at its start. Example: `402.5`."""
    design_grade_percent: Grade = 0.0
    """Grade of the design line from its start, up positive."""


class Earthwork(Table, frozen=True, kw_only=True):
    """``[earthworks.NAME]``: cut and fill of an area against a design plane or a second surface."""

    feature: str
    """Area whose ground is compared. Example: `"apron"`."""
    design_elevation: Height | None = None
    """Elevation of the design plane at `through`. Example: `402.5`."""
    through: str | None = None
    """Mark the plane goes through at `design_elevation`; without it the middle of the area.
    Example: `"A1"`."""
    fall_percent: Percent = 0.0
    """Fall of the design plane."""
    fall_azimuth: Annotated[float, Meta(ge=0, le=360, extra={"unit": "degree"})] = 0.0
    """Clockwise from grid north, the way the plane falls."""
    surface: str | None = None
    """Raster of a second surface instead of a plane, elevation units. Example: `"old.tif"`."""
    interval: Length = 1.0
    """Distance between cross sections."""


class Parcels(Table, frozen=True, kw_only=True):
    """``[parcels]``: the parcel map to lay the survey on. Never a boundary determination."""

    file: str
    """Polygon layer in the site file's folder: GeoPackage, zipped or plain shapefile, GeoJSON, KML,
    GML, drafting file (DXF) and others. Example: `"parcels.gpkg"`."""
    layer: str | None = None
    """Layer, where the file has several. Example: `"parcels"`."""
    name_field: str | None = None
    """Column with the parcels' names; without it their numbers in the file. Example: `"parcel"`."""
    sigma: LengthOrNone = 0.5
    """Stated accuracy of the parcel map, standard deviation per axis."""
    source: Annotated[str, Meta(max_length=200)] = ""
    """Whose parcel map it is and of what date: printed where the plan says where it lies.
    Example: `"parcel map of the land registry, 2026-03-01"`. Since 0.2."""
    crs: str | None = None
    """CRS of the file, where the file does not say it. Example: `"EPSG:4326"`."""
    operation: str | None = None
    """Coordinate operation from the parcels' CRS to the map's, by its code; without it the best one
    at the site. Example: `"EPSG:1149"`."""
    accuracy_m: LengthOrNone | None = None
    """Accuracy to take for that operation, standard deviation per axis; lets parcels in where no
    operation of known accuracy is installed. Example: `1.0`."""


class DesignPad(Table, frozen=True, kw_only=True):
    """``[designs.NAME.pads.PAD]``: an area that is built to a plane."""

    feature: str | None = None
    """Area of the survey whose outline it has. Example: `"apron"`."""
    points: tuple[tuple[MapPlace, MapPlace], ...] = ()
    """Corners instead, easting and northing.
    Example: `[[512645, 5276213], [512652, 5276213], [512652, 5276217]]`."""
    elevation: Height
    """Of the plane at `through`. Example: `402.22`."""
    through: str | tuple[MapPlace, MapPlace] | None = None
    """Mark, or easting and northing; without it the first corner. Example: `"A1"`."""
    fall_percent: Percent = 0.0
    """Fall of the plane, per length on the ground."""
    fall_azimuth: Annotated[float, Meta(ge=0, le=360, extra={"unit": "degree"})] = 0.0
    """The way it falls, clockwise from grid north."""
    code: str | None = None
    """Code of what is built: prices and quantities go by it. Example: `"pad"`. Since 0.2."""


class DesignEdge(Table, frozen=True, kw_only=True):
    """``[designs.NAME.edges.EDGE]``: a line with elevations; a closed one bounds a surface."""

    marks: tuple[str, ...] = ()
    """Marks of the survey along it. Example: `["A1", "A2"]`."""
    points: tuple[tuple[MapPlace, MapPlace], ...] = ()
    """Places instead, easting and northing. Example: `[[512645, 5276214], [512654, 5276214]]`."""
    elevations: tuple[Height, ...] = ()
    """At each of them. Example: `[402.4, 402.2]`."""
    start: Height | None = None
    """Elevation at the first of them instead. Example: `402.4`."""
    grades: tuple[Grade, ...] = ()
    """Grade of each stretch after `start`, percent, rise positive. Example: `[-2.0]`."""
    closed: bool = False
    """The last place joins the first, and what lies within is built."""
    code: str | None = None
    """Code of the line, or of what lies within a closed edge where the code is of areas: prices and
    quantities go by it. Example: `"kerb"`. Since 0.2."""


class DesignStrip(Table, frozen=True, kw_only=True):
    """``[designs.NAME.strips.STRIP]``: a path or road along a line with elevations."""

    line: str
    """Edge of this design that it follows. Example: `"axis"`."""
    width: Length
    """Whole width on the ground. Example: `3.0`."""
    cross_fall_percent: Grade = 0.0
    """Fall away from the line; to its right where it falls to one side, to its left if negative."""
    crowned: bool = True
    """Falls to both sides; false: to one side."""
    code: str | None = None
    """Code of what is built: prices and quantities go by it. Example: `"asphalt"`. Since 0.2."""


class Design(Table, frozen=True, kw_only=True):
    """``[designs.NAME]``: a ground that is to be built, joined to the walked one."""

    title: str = ""
    """Name for people. Example: `"Boarding pad"`."""
    file: str | None = None
    """Layer of 3D points, lines and areas, or raster of elevations. Example: `"design.gpkg"`."""
    layer: str | None = None
    """Layer of the file, where it holds several. Example: `"planned"`."""
    code: str | None = None
    """Code of what the file builds: prices and quantities go by it. Example: `"asphalt"`.
    Since 0.2."""
    pads: dict[str, DesignPad] = {}
    """Areas that are built to planes."""
    edges: dict[str, DesignEdge] = {}
    """Lines with elevations."""
    strips: dict[str, DesignStrip] = {}
    """Paths and roads along edges."""
    alternative_for: str | None = None
    """A word shared by designs of which only one is built: each has its own totals, and no sum
    holds two of them. Example: `"boarding place"`. Since 0.2."""
    side_slope: Annotated[float, Meta(ge=0, le=100)] = 2.0
    """Length of the bank per height, 2 for one in two, until it meets the ground; 0: a wall."""


class Tolerance(Table, frozen=True, kw_only=True):
    """``[tolerances.CODE]``: how near to the design it must be built. None is a default."""

    plan: Length | None = None
    """Greatest distance in plan. Example: `0.05`."""
    height: Length | None = None
    """Greatest difference in height. Example: `0.02`."""
    thickness: Length | None = None
    """Greatest difference of what was laid from the depth of its code. Example: `0.02`."""


class Handover(Table, frozen=True, kw_only=True):
    """``[handover]``: what leaves beside the standard files."""

    sheet: Literal[
        "A4", "A3", "A2", "A1", "A0", "ANSI A", "ANSI B", "ANSI C", "ANSI D", "ANSI E"
    ] = "A3"
    """Paper of the plan."""
    scale: Annotated[int, Meta(gt=0)] | None = None
    """Scale of the plan, 200 for 1:200; without it the largest round one that fits.
    Example: `200`."""
    unit: Literal["m", "ft"] = "m"
    """Unit of every length that is printed or said; without it that of the field book."""
    plan: bool = True
    """Plan sheet (`plan.pdf`, `plan.svg`, `plan.png`)."""
    viewer: bool = True
    """Page for a browser (`viewer.html`)."""
    dxf: bool = True
    """Drafting file (`site.dxf`)."""
    geojson: bool = True
    """Features in longitude and latitude (`site.geojson`)."""
    points_csv: bool = True
    """Marks to set out from (`points.csv`)."""
    spreadsheet: bool = True
    """`site.xlsx`, the tables for a spreadsheet in any locale."""
    survey_report: bool = True
    """Closures, accuracies and adjusted coordinates to sign (`survey_report.pdf`)."""
    takeoff: bool = True
    """`takeoff.pdf`, what is there and what to order."""
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
    """Who ordered it; ``[site] client`` where this is not given."""
    surveyor: str = ""
    """Who made it; ``[site] surveyor`` where this is not given."""
    licence: str = ""
    """Licence or registration of the surveyor, as it must stand on the sheet."""
    approved_by: str = ""
    """Who approved it; left to be signed where this is not given."""
    background: str | None = None
    """What lies under the plan, in any CRS: a georeferenced picture (GeoTIFF in grey or colour,
    8 bits a band) or a layer of lines and areas (GeoPackage, shapefile, GeoJSON), drawn thin and
    grey. Example: `"streets.gpkg"`. Since 0.2."""
    background_layer: str | None = None
    """Which layer of the background, where the file has several. Example: `"streets"`.
    Since 0.2."""
    background_attribution: Annotated[str, Meta(max_length=120)] = ""
    """What its owner wants to be said of it, printed at the edge of the map.
    Example: `"Streets: invented town, open data"`. Since 0.2."""
    units: Literal["one", "both"] = "one"
    """`"both"`: take-off and the plan's surfaces in metric and customary units, that of
    `[handover] unit` first; each is rounded by what is known in it. Since 0.2."""
    revisions: tuple[Revision, ...] = ()
    """Oldest first."""


class Submission(Table, frozen=True, kw_only=True):
    """``[submission]``: who is responsible for the data, and what a receiver asks for."""

    profile: str | None = None
    """Name of a built-in profile or a file beside the site file: what the receiver requires.
    `geosite verify --profile` holds what was built against it. Example: `"discovery"`."""
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
    acknowledged_by: str = ""
    """Who signs for the receipt beside the surveyor in the survey report, where the receiver asks
    for that; `"client"` for the client. Example: `"Building office"`. Since 0.2."""


class SiteFile(Table, frozen=True, kw_only=True):
    """The whole site file."""

    site: Site = Site()
    """What the survey is called."""
    survey: Survey
    """The field book."""
    runs: dict[str, Run] = {}
    """What is known of single walks."""
    baseline: Baseline
    """The two marks that every run visits."""
    anchor: Anchor
    """Where on the map the baseline lies."""
    codes: dict[str, Code] = {}
    """What the codes of the field book mean."""
    surface: Surface = Surface()
    """The elevation model."""
    drainage: Drainage = Drainage()
    """Where water goes."""
    quantities: Quantities = Quantities()
    """The take-off."""
    prices: Prices = Prices()
    distances: Distances = Distances()
    """What is measured between marks."""
    grades: Grades = Grades()
    """Lines whose grades are checked."""
    sections: dict[str, Section] = {}
    """Elevation profiles."""
    earthworks: dict[str, Earthwork] = {}
    """Cut and fill."""
    parcels: Parcels | None = None
    """The parcel map."""
    designs: dict[str, Design] = {}
    """Grounds that are to be built."""
    tolerances: dict[str, Tolerance] = {}
    """How near to the design each code must be built."""
    handover: Handover = Handover()
    """What leaves."""
    sheet: Sheet = Sheet()
    """What stands on the plan sheet."""
    submission: Submission = Submission()
    """What the receiver wants to know."""


def schema() -> dict[str, object]:
    """Return the JSON Schema of a site file."""
    return msgspec.json.schema(SiteFile)
