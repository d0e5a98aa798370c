"""Run by the desktop's own Python: open a hand-over in every way and print what came of it."""

import json
import os
import sys

from qgis.core import (
    Qgis,
    QgsApplication,
    QgsExpressionContext,
    QgsExpressionContextUtils,
    QgsFeature,
    QgsGeometry,
    QgsLayoutExporter,
    QgsMapRendererSequentialJob,
    QgsMapSettings,
    QgsPointXY,
    QgsProject,
    QgsRasterLayer,
    QgsRectangle,
    QgsVectorLayer,
)
from qgis.PyQt.QtCore import QSize
from qgis.PyQt.QtGui import QColor

folder, pictures = sys.argv[1:]
application = QgsApplication([], False)
application.initQgis()
said = []
QgsApplication.messageLog().messageReceived.connect(
    lambda text, tag, level: said.append([tag, int(level), text]) if int(level) else None
)


def plain(layer):
    found = {"valid": layer.isValid(), "crs": layer.crs().authid()}
    if isinstance(layer, QgsRasterLayer):
        renderer = layer.renderer()
        shader = renderer.shader() if hasattr(renderer, "shader") else None
        stops = shader.rasterShaderFunction().colorRampItemList() if shader else []
        return {
            **found,
            "renderer": renderer.type(),
            "stops": [[stop.value, stop.color.name(), stop.label] for stop in stops],
        }
    if not layer.isSpatial():
        return {**found, "renderer": None, "features": layer.featureCount()}
    return {
        **found,
        "renderer": layer.renderer().type(),
        "labels": layer.labelsEnabled(),
        "features": layer.featureCount(),
        "legend": [item.label() for item in layer.renderer().legendSymbolItems()],
        "titles": {field.name(): layer.attributeDisplayName(i)
                   for i, field in enumerate(layer.fields())},
        "lists": {field.name(): layer.editorWidgetSetup(i).type()
                  for i, field in enumerate(layer.fields())},
        "tip": tip(layer),
    }  # fmt: skip


def tip(layer):
    from qgis.core import QgsExpression

    feature = next(layer.getFeatures(), None)
    if feature is None:
        return ""
    context = QgsExpressionContext(QgsExpressionContextUtils.globalProjectLayerScopes(layer))
    context.setFeature(feature)
    return QgsExpression.replaceExpressionText(layer.mapTipTemplate(), context)


def undrawn(layer):
    """Count the features that the renderer has no symbol for."""
    from qgis.core import QgsRenderContext

    context = QgsRenderContext()
    context.expressionContext().appendScopes(
        QgsExpressionContextUtils.globalProjectLayerScopes(layer)
    )
    renderer = layer.renderer().clone()
    renderer.startRender(context, layer.fields())
    missing = 0
    for feature in layer.getFeatures():
        context.expressionContext().setFeature(feature)
        missing += not renderer.willRenderFeature(feature, context)
    renderer.stopRender(context)
    return missing


def arrow(azimuth, sld=""):
    """Render one arrow with the hand-over's style; return where its ink lies from its place."""
    source = QgsVectorLayer(f"{folder}/site.gpkg|layername=drainage_arrows", "a", "ogr")
    one = QgsVectorLayer(
        "Point?crs=EPSG:25832&field=azimuth_deg:double&field=slope_percent:double"
        "&field=steadiness:double", "one", "memory",
    )  # fmt: skip
    if sld:
        assert one.loadSldStyle(sld)[1]
    else:
        one.setRenderer(source.renderer().clone())
    feature = QgsFeature(one.fields())
    feature.setAttributes([float(azimuth), 5.0, 1.0])
    feature.setGeometry(QgsGeometry.fromPointXY(QgsPointXY(500000, 5000000)))
    one.dataProvider().addFeatures([feature])
    image = rendered([one], QgsRectangle(499999, 4999999, 500001, 5000001), 200, 200)
    ink = [
        (x, y)
        for x in range(200)
        for y in range(200)
        if QColor(image.pixel(x, y)).lightness() < 128
    ]
    return [[x - 99.5, y - 99.5] for x, y in ink]


def written(layer):
    """Return what the labels of a layer say."""
    from qgis.core import QgsExpression

    found = []
    expression = QgsExpression(layer.labeling().settings().fieldName)
    for feature in layer.getFeatures():
        context = QgsExpressionContext(QgsExpressionContextUtils.globalProjectLayerScopes(layer))
        context.setFeature(feature)
        found.append(expression.evaluate(context))
    return found


def rendered(layers, extent, width, height):
    settings = QgsMapSettings()
    settings.setLayers(layers)
    settings.setDestinationCrs(layers[0].crs())
    settings.setExtent(extent)
    settings.setOutputSize(QSize(width, height))
    settings.setOutputDpi(400)
    settings.setBackgroundColor(QColor("white"))
    job = QgsMapRendererSequentialJob(settings)
    job.start()
    job.waitForFinished()
    return job.renderedImage()


report = {"version": Qgis.QGIS_VERSION}
# each file by itself
files = {}
for name in sorted(os.listdir(folder)):
    if name.endswith(".tif"):
        files[name] = plain(QgsRasterLayer(f"{folder}/{name}", name))
package = QgsVectorLayer(f"{folder}/site.gpkg", "package", "ogr")
for sub in package.dataProvider().subLayers():
    name = sub.split("!!::!!")[1]
    layer = QgsVectorLayer(f"{folder}/site.gpkg|layername={name}", name, "ogr")
    files[name] = plain(layer)
    if layer.isSpatial():
        files[name]["undrawn"] = undrawn(layer)
report["files"] = files
# the project
project = QgsProject.instance()
report["opened"] = project.read(f"{folder}/site.qgs")
report["crs"] = project.crs().authid()
report["layers"] = {name: plain(layer) for name, layer in project.mapLayers().items()}
report["groups"] = {
    group.name(): [leaf.name() for leaf in group.findLayers()]
    for group in project.layerTreeRoot().children()
}
report["shown"] = [leaf.layerId() for leaf in project.layerTreeRoot().findLayers()
                   if leaf.isVisible()]  # fmt: skip
report["written"] = {
    name.removeprefix("geosite_"): written(layer)
    for name, layer in project.mapLayers().items()
    if isinstance(layer, QgsVectorLayer) and layer.labelsEnabled() and layer.labeling()
}
layouts = project.layoutManager().printLayouts()
report["layouts"] = [layout.name() for layout in layouts]
report["scale"] = layouts[0].itemById("map").scale()
settings = QgsLayoutExporter.ImageExportSettings()
settings.dpi = 150
settings.generateWorldFile = False
settings.exportMetadata = False
report["exported"] = QgsLayoutExporter(layouts[0]).exportToImage(f"{pictures}/layout.png", settings)
AZIMUTHS = (*range(0, 360, 45), 355)
report["arrows"] = {azimuth: arrow(azimuth) for azimuth in AZIMUTHS}
sld = f"{folder}/styles/drainage_arrows.sld"
report["sld_arrows"] = {azimuth: arrow(azimuth, sld) for azimuth in AZIMUTHS}
report["said"] = said
print(json.dumps(report))
sys.stdout.flush()
os._exit(0)  # the desktop's own clearing up crashes without a window
