"""What leaves: layers, rasters and tables, free of any file format.

The build turns its results into one `Package`; every writer (GeoPackage, GeoTIFF, styles, plan
sheet, viewer, drafting file) reads the package and nothing else.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Literal

from geosite.base.columns import Columns, Field
from geosite.base.errors import Finding
from geosite.base.grid import Grid
from geosite.base.map_frame import Frame
from geosite.fieldbook.sitefile import UNTITLED, Sheet, Submission

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt

    from geosite.analysis.sections import Profile
    from geosite.fieldbook.sitefile import Code
    from geosite.handover.report_model.site import SiteReport
    from geosite.linework.model import Feature
    from geosite.reading.background_lines import BackgroundLines
    from geosite.reading.pictures import GroundPicture

__all__ = ["CAUTION", "Form", "Layer", "Package", "Raster", "Table"]

NODATA = -9999.0

CAUTION = (
    "Not a boundary survey. Not a certificate of accessibility and not a drainage design: limits "
    "are defaults that local rules replace, and local codes and licensed professionals decide. "
    "Locate buried services before digging. Parcel lines are the parcel map's, not a boundary "
    "determination."
)


@dataclass(frozen=True, eq=False)
class Layer:
    """One vector layer.

    Parameters
    ----------
    name, title, description
    geometry_type
        ``"Point"``, ``"LineString"``, ``"Polygon"`` or the Multi kinds, with or without Z
        (``"PolygonZ"``).
    fields
        In column order.
    records
        One mapping of field name to value per feature (``None`` for missing).
    geometries
        Shapely geometries in map coordinates: easting, northing (map units), elevation (elevation
        units); same length as `records`.
    """

    name: str
    title: str
    description: str
    geometry_type: str
    fields: tuple[Field, ...]
    records: Sequence[Mapping[str, Any]]
    geometries: Sequence[Any]

    def __repr__(self) -> str:
        return f"<Layer {self.name!r}, {self.geometry_type}: {len(self.records)} features>"


@dataclass(frozen=True, eq=False)
class Raster:
    """One raster, written as ``<name>.tif``.

    Parameters
    ----------
    values : array, shape (rows, cols)
        Row 0 north, NaN for nodata.
    unit
        ``"m"``, ``"percent"``, ``"degree"``, ...
    is_elevation
        Values are elevations in the vertical CRS.
    winds
        Of codes of directions: where each points, ``"north-east"``; empty text for no way out.
    """

    name: str
    title: str
    description: str
    values: npt.NDArray[np.floating[Any]]
    grid: Grid
    unit: str
    is_elevation: bool = False
    winds: Mapping[int, str] = field(default_factory=dict)


@dataclass(frozen=True, eq=False)
class Table:
    """One table, written as ``<name>.csv`` and, without geometry, into the GeoPackage."""

    name: str
    title: str
    fields: tuple[Field, ...]
    records: Sequence[Mapping[str, Any]]
    description: str = ""

    def __repr__(self) -> str:
        return f"<Table {self.name!r}: {len(self.records)} records>"

    @property
    def purpose(self) -> str:
        """Title and description, as lists of files and of sheets tell them."""
        return f"{self.title}: {self.description}" if self.description else self.title


@dataclass(frozen=True, slots=True)
class Form:
    """What a layer or a table is, apart from what stands in it.

    Parameters
    ----------
    name, title, description
        As in `Layer`.
    geometry_type
        As in `Layer`; empty for a table.
    parts
        When a feature has several parts, which makes the layer one of the multi type; empty where
        none can have.
    """

    name: str
    title: str
    description: str = ""
    geometry_type: str = ""
    parts: str = ""

    @property
    def geometry_types(self) -> str:
        """Which types the layer may have, and when.

        Examples
        --------
        >>> Form("kerbs", "Kerbs", "", "LineStringZ", "one has a gap").geometry_types
        'LineStringZ; MultiLineStringZ where one has a gap'
        """
        if not self.parts:
            return self.geometry_type
        return f"{self.geometry_type}; Multi{self.geometry_type} where {self.parts}"

    def layer(
        self,
        columns: Columns[Any],
        records: Sequence[Mapping[str, Any]],
        geometries: Sequence[Any],
        geometry_type: str = "",
    ) -> Layer:
        """Return the layer; its type where the features have several parts or no heights."""
        return Layer(
            self.name,
            self.title,
            self.description,
            geometry_type or self.geometry_type,
            columns.fields,
            records,
            geometries,
        )

    def table(self, columns: Columns[Any], records: Sequence[Mapping[str, Any]]) -> Table:
        """Return the table."""
        return Table(self.name, self.title, columns.fields, records, self.description)


@dataclass(frozen=True, eq=False)
class Package:
    """Everything that leaves.

    Parameters
    ----------
    title, date
        Of the site, date as ISO 8601 or empty.
    frame
        The map.
    layers, rasters, tables
        In the order a reader should meet them.
    report
        ``report.json``; ``None`` for a package without a survey.
    findings
        What to look at, from every stage.
    in_other_unit
        Text of a finding in feet where `unit` is metres, in metres where it is feet, by its text.
    features
        The drawing, for writers that know true curves (`geosite.linework.model.Feature`).
    profiles
        The sections (`geosite.analysis.sections.Profile`), for the writers that draw them.
    codes
        Meaning of the codes (`geosite.fieldbook.sitefile.Code` by name).
    description, surveyor, client, licence
        Of the site, as in its ``[site]`` table; empty for not said.
    lineage
        How the survey was measured, adjusted and placed, one sentence or two per step.
    unit
        Of lengths, areas and volumes where people read them: ``"m"`` or ``"ft"``; the files' own
        columns keep metres.
    background
        The picture or the lines that lie under the plan.
    sheet, submission
        ``[sheet]`` and ``[submission]`` of the site file: title block, responsible party.
    designed
        By name of a design, the layers of the water on the designed ground, for its sheet.
    standards
        By name of a limit set, the standard it is taken from.
    parcel_source
        Whose parcel map it is and of what date; empty for not said.
    """

    title: str
    date: str
    frame: Frame
    layers: tuple[Layer, ...] = ()
    rasters: tuple[Raster, ...] = ()
    tables: tuple[Table, ...] = ()
    report: SiteReport | None = None
    findings: tuple[Finding, ...] = ()
    features: tuple[Feature, ...] = ()
    profiles: tuple[Profile, ...] = ()
    codes: Mapping[str, Code] = field(default_factory=dict)
    description: str = ""
    surveyor: str = ""
    client: str = ""
    licence: str = ""
    lineage: tuple[str, ...] = ()
    unit: Literal["m", "ft"] = "m"
    sheet: Sheet = field(default_factory=Sheet)
    submission: Submission = field(default_factory=Submission)
    background: GroundPicture | BackgroundLines | None = None
    designed: Mapping[str, tuple[Layer, ...]] = field(default_factory=dict)
    standards: Mapping[str, str] = field(default_factory=dict)
    parcel_source: str = ""
    in_other_unit: Mapping[str, str] = field(default_factory=dict)

    @property
    def name(self) -> str:
        """The title, or what a site without one is called."""
        return self.title or UNTITLED

    @property
    def cell_size(self) -> float:
        """Edge of the largest cell of the rasters, map units; 0 without any."""
        return max((raster.grid.cell_size for raster in self.rasters), default=0.0)
