"""Run by the desktop's own Python: install the plug-in, run processes, chain a native one."""

import json
import os
import sys

profile, site, work = sys.argv[1:]
sys.path[:0] = [f"{profile}/python/plugins", "/usr/share/qgis/python/plugins"]

from qgis.core import (  # noqa: E402
    QgsApplication,
    QgsProcessingContext,
    QgsProcessingException,
    QgsProcessingFeedback,
    QgsProject,
    QgsVectorLayer,
)

application = QgsApplication([], False)
application.initQgis()
import processing  # noqa: E402
from processing.core.Processing import Processing  # noqa: E402

Processing.initialize()
import geosite_toolbox  # noqa: E402

plugin = geosite_toolbox.classFactory(None)
plugin.initProcessing()
registry = QgsApplication.processingRegistry()


class Feedback(QgsProcessingFeedback):
    def __init__(self):
        super().__init__()
        self.shares = []
        self.words = []
        self.words_shown = []

    def pushWarning(self, text):
        self.words_shown.append(text)

    def setProgressText(self, text):
        self.words.append(text)
        self.shares.append(self.progress())


def run(name, **given):
    feedback, context = Feedback(), QgsProcessingContext()
    context.setProject(QgsProject.instance())
    out = f"{work}/{name}"
    made = processing.run(
        f"geosite:{name}", {**given, "RESULTS": out}, feedback=feedback, context=context
    )
    loaded = sorted(details.name for details in context.layersToLoadOnCompletion().values())
    return made, feedback, loaded


report = {"listed": sorted(one.name() for one in registry.providerById("geosite").algorithms())}
built, feedback, report["loaded"] = run("build_site", site=site)
report["built"], report["shares"] = built, feedback.shares
areas = QgsVectorLayer(f"{built['site']}|layername=areas", "areas", "ogr")
report["areas"] = areas.renderer().type()
marks = QgsVectorLayer(f"{built['site']}|layername=marks", "marks", "ogr")
QgsProject.instance().addMapLayer(marks)
surface, _, _ = run("interpolate_elevation", points=marks, cell_size=0.5, method=1)
kept = processing.run(
    "native:extractbyattribute",
    {"INPUT": marks, "FIELD": "role", "OPERATOR": 0, "VALUE": "mark", "OUTPUT": "memory:"},
)["OUTPUT"]
report["from_memory"], _, _ = run("interpolate_elevation", points=kept, cell_size=1.0)
slope, _, _ = run("derive_slope", elevation=surface["elevation"])
_, led, _ = run("derive_drainage", elevation=surface["elevation"], inlets=areas)
report["led"] = led.words_shown
report["drainage"], _, _ = run("derive_drainage", elevation=surface["elevation"])
chained = processing.run(
    "native:zonalstatisticsfb",
    {
        "INPUT": areas,
        "INPUT_RASTER": slope["slope"],
        "RASTER_BAND": 1,
        "COLUMN_PREFIX": "slope_",
        "OUTPUT": "memory:",
    },
)["OUTPUT"]
report["slopes"] = {f["feature"]: f["slope_mean"] for f in chained.getFeatures()}
try:
    run("interpolate_elevation", points=f"{work}/bare.csv", cell_size=0.5)
    report["refused"] = None
except QgsProcessingException as error:
    report["refused"] = str(error)
form = registry.algorithmById("geosite:interpolate_elevation")
report["form"] = {d.name(): d.type() for d in form.parameterDefinitions()}
report["help"] = form.shortHelpString()
print(json.dumps(report))
sys.stdout.flush()
os._exit(0)  # the desktop's own clearing up crashes without a window
