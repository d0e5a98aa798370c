"""One process of the command as an algorithm of the desktop's toolbox."""

from __future__ import annotations

import re
import tempfile
from pathlib import Path
from typing import Any

from qgis.core import (
    QgsProcessing,
    QgsProcessingAlgorithm,
    QgsProcessingContext,
    QgsProcessingException,
    QgsProcessingFeedback,
    QgsProcessingOutputFile,
    QgsProcessingOutputRasterLayer,
    QgsProcessingOutputVectorLayer,
    QgsProcessingParameterBoolean,
    QgsProcessingParameterCrs,
    QgsProcessingParameterDefinition,
    QgsProcessingParameterEnum,
    QgsProcessingParameterExtent,
    QgsProcessingParameterFile,
    QgsProcessingParameterFolderDestination,
    QgsProcessingParameterNumber,
    QgsProcessingParameterRasterLayer,
    QgsProcessingParameterString,
    QgsProcessingParameterVectorLayer,
    QgsProcessingUtils,
    QgsProviderRegistry,
)
from qgis.PyQt.QtGui import QIcon

from .command import CommandError, run
from .parameters import Parameter, at_parameters, parameters, to_input

__all__ = ["ProcessAlgorithm"]

OUT = "RESULTS"
ICON = str(Path(__file__).with_name("icon.svg"))
# formats that the command reads; anything else is handed over as a GeoPackage
_READ = ["gpkg", "geojson", "shp", "fgb", "csv"]


class ProcessAlgorithm(QgsProcessingAlgorithm):
    """A process: its form from its description, its run by the command."""

    def __init__(self, command: str, description: dict[str, Any]) -> None:
        super().__init__()
        self.command = command
        self.description = description
        self.fields = parameters(description)

    # ---- what the toolbox shows ------------------------------------------------------------------

    def createInstance(self) -> ProcessAlgorithm:
        """Return a copy for one run."""
        return ProcessAlgorithm(self.command, self.description)

    def name(self) -> str:
        """Return the id, as the desktop allows it."""
        return re.sub(r"[^a-z0-9_]", "_", self.description["id"])

    def displayName(self) -> str:
        """Return the title."""
        return str(self.description["title"])

    def group(self) -> str:
        """Return no group: there are few."""
        return ""

    def groupId(self) -> str:
        """Return no group."""
        return ""

    def tags(self) -> list[str]:
        """Return what the search finds it by."""
        return [self.description["id"], *self.description.get("keywords", [])]

    def icon(self) -> QIcon:
        """Return the sign of a baseline mark."""
        return QIcon(ICON)

    def shortDescription(self) -> str:
        """Return what it does."""
        return str(self.description.get("description", ""))

    def shortHelpString(self) -> str:
        """Return the help beside the form."""
        rows = [f"<p>{_escaped(self.shortDescription())}</p>"]
        for heading, items in (
            ("Inputs", [(field.title, field.help) for field in self.fields]),
            (
                "Results",
                [
                    (made.get("title") or name, made.get("description", ""))
                    for name, made in self.description["outputs"].items()
                ],
            ),
        ):
            rows.append(f"<h3>{heading}</h3>")
            rows += [f"<p><b>{_escaped(t)}</b>: {_escaped(words)}</p>" for t, words in items]
        return "".join(rows)

    def flags(self) -> Any:
        """Return the usual flags; files are read by another process, so any thread will do."""
        return super().flags()

    # ---- the form --------------------------------------------------------------------------------

    def initAlgorithm(self, configuration: dict[str, Any] | None = None) -> None:
        """Make the form."""
        for field in self.fields:
            made = _definition(field)
            made.setHelp(field.help)
            if field.optional and field.kind in ("text", "json", "crs", "extent"):
                advanced = QgsProcessingParameterDefinition.FlagAdvanced
                made.setFlags(made.flags() | advanced)
            self.addParameter(made)
        self.addParameter(QgsProcessingParameterFolderDestination(OUT, "Folder for the results"))
        for name, made in self.description["outputs"].items():
            title = made.get("title") or name
            self.addOutput(_output(str(made["schema"].get("contentMediaType", "")))(name, title))

    # ---- a run -----------------------------------------------------------------------------------

    def processAlgorithm(
        self,
        given: dict[str, Any],
        context: QgsProcessingContext,
        feedback: QgsProcessingFeedback,
    ) -> dict[str, Any]:
        """Run the command, pass on what it says, and hand its results to the desktop."""
        out = self.parameterAsString(given, OUT, context) or tempfile.mkdtemp(prefix="geosite-")
        inputs: dict[str, Any] = {}
        for field in self.fields:
            inputs.update(self._value(field, given, context, feedback))
        feedback.pushInfo(f"{self.command} execute {self.description['id']} --out {out}")

        def progress(share: float, words: str) -> None:
            feedback.setProgress(100.0 * share)
            feedback.setProgressText(words)

        try:
            made = run(
                self.command,
                self.description["id"],
                inputs,
                out,
                said=feedback.pushWarning
                if hasattr(feedback, "pushWarning")
                else feedback.pushInfo,
                progress=progress,
                cancelled=feedback.isCanceled,
            )
        except CommandError as error:
            if feedback.isCanceled():
                return {}
            told = at_parameters(str(error).splitlines(), self.fields)
            raise QgsProcessingException("\n".join(told)) from None
        results: dict[str, Any] = {name: one["href"] for name, one in made.items()}
        for name, one in made.items():
            self._load(name, one, context)
        return {**results, OUT: out}

    def _value(
        self,
        field: Parameter,
        given: dict[str, Any],
        context: QgsProcessingContext,
        feedback: QgsProcessingFeedback,
    ) -> dict[str, Any]:
        """Return an input as the command takes it; nothing where it was left empty."""
        value = given.get(field.id)
        if value is None or value == "":
            return {}
        if field.kind == "layer":
            path, layer = self.parameterAsCompatibleSourceLayerPathAndLayerName(
                given, field.id, context, _READ, "gpkg", feedback
            )
            # which layer of its file the project shows: the input's own key, or the only one
            keys = (f"{field.id}_layer", "layer")
            key = next((k for k in keys if any(other.id == k for other in self.fields)), None)
            if key is None or not layer or given.get(key):
                return {field.id: path}
            return {field.id: path, key: layer}
        if field.kind == "raster":
            raster = self.parameterAsRasterLayer(given, field.id, context)
            if raster is None:
                raise QgsProcessingException(f"{field.title}: no such raster")
            parts = QgsProviderRegistry.instance().decodeUri("gdal", raster.source())
            return {field.id: parts.get("path") or raster.source()}
        return {field.id: self._plain(field, given, context)}

    def _plain(self, field: Parameter, given: dict[str, Any], context: QgsProcessingContext) -> Any:
        if field.kind == "crs":
            crs = self.parameterAsCrs(given, field.id, context)
            return crs.authid() or crs.toWkt()
        if field.kind == "extent":
            box = self.parameterAsExtent(given, field.id, context)
            return [box.xMinimum(), box.yMinimum(), box.xMaximum(), box.yMaximum()]
        if field.kind == "choice":
            return field.choices[self.parameterAsEnum(given, field.id, context)]
        if field.kind == "integer":
            return self.parameterAsInt(given, field.id, context)
        if field.kind == "number":
            return self.parameterAsDouble(given, field.id, context)
        if field.kind == "boolean":
            return self.parameterAsBool(given, field.id, context)
        text = self.parameterAsString(given, field.id, context)
        return to_input(text, self.description["inputs"][field.id]["schema"])

    def _load(self, name: str, made: dict[str, str], context: QgsProcessingContext) -> None:
        """Let the desktop open a result; looks lie in the GeoPackage and beside the rasters."""
        title = self.description["outputs"].get(name, {}).get("title") or name
        project = context.project()
        if project is None:
            return
        path = made["href"]
        if made["type"].startswith("image/tiff"):
            details = QgsProcessingContext.LayerDetails(
                title, project, name, QgsProcessingUtils.LayerHint.Raster
            )
            context.addLayerToLoadOnCompletion(path, details)
        elif "geopackage" in made["type"]:
            for layer, words in _layers_of(path):
                details = QgsProcessingContext.LayerDetails(
                    words, project, f"{name}_{layer}", QgsProcessingUtils.LayerHint.Vector
                )
                context.addLayerToLoadOnCompletion(f"{path}|layername={layer}", details)


def _layers_of(path: str) -> list[tuple[str, str]]:
    """Return name and title of the layers with geometry in a GeoPackage, the lowest first."""
    import sqlite3

    # areas below, marks above; what is not named in the middle
    low, high = ("parcels", "areas", "lines"), ("drainage_arrows", "baseline", "points", "marks")

    def height(name: str) -> int:
        if name in low:
            return low.index(name) - len(low)
        return high.index(name) + 1 if name in high else 0

    with sqlite3.connect(f"file:{Path(path).as_posix()}?mode=ro", uri=True) as file:
        found = file.execute(
            "SELECT table_name, identifier FROM gpkg_contents WHERE data_type = 'features'"
        ).fetchall()
    file.close()
    return sorted(found, key=lambda row: height(row[0]))


def _escaped(text: str) -> str:
    return text.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")


def _output(media_type: str) -> Any:
    if media_type.startswith("image/tiff"):
        return QgsProcessingOutputRasterLayer
    if "geopackage" in media_type:
        return QgsProcessingOutputVectorLayer
    return QgsProcessingOutputFile


def _definition(field: Parameter) -> Any:
    """Return the form's field for an input."""
    name, title, optional = field.id, field.title, field.optional
    if field.kind == "layer":
        return QgsProcessingParameterVectorLayer(
            name, title, [QgsProcessing.TypeVector], optional=optional
        )
    if field.kind == "raster":
        return QgsProcessingParameterRasterLayer(name, title, optional=optional)
    if field.kind == "file":
        return QgsProcessingParameterFile(
            name, title, optional=optional, fileFilter=f"{field.filter or ''};;All files (*.*)"
        )
    if field.kind == "crs":
        return QgsProcessingParameterCrs(name, title, optional=optional)
    if field.kind == "extent":
        return QgsProcessingParameterExtent(name, title, optional=optional)
    if field.kind == "choice":
        usual = field.choices.index(field.default) if field.default in field.choices else None
        return QgsProcessingParameterEnum(
            name, title, list(field.choices), defaultValue=usual, optional=optional
        )
    if field.kind == "boolean":
        return QgsProcessingParameterBoolean(
            name, title, defaultValue=field.default, optional=optional
        )
    if field.kind in ("number", "integer"):
        types = QgsProcessingParameterNumber
        bounds = {
            key: value
            for key, value in (("minValue", field.least), ("maxValue", field.most))
            if value is not None
        }
        return QgsProcessingParameterNumber(
            name,
            title,
            types.Integer if field.kind == "integer" else types.Double,
            defaultValue=field.default,
            optional=optional,
            **bounds,
        )
    shown = None if field.default is None else str(field.default)
    return QgsProcessingParameterString(name, title, defaultValue=shown, optional=optional)
