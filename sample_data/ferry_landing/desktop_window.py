"""Save the open GIS desktop's window as a picture: run by its own Python, from make_pictures.py.

The desktop runs this once its project is open (``--code``); PICTURE says where the picture goes.
"""

from __future__ import annotations

import os

from qgis.core import QgsProject
from qgis.PyQt.QtCore import Qt, QTimer
from qgis.PyQt.QtWidgets import QDockWidget, QToolBar
from qgis.utils import iface

SIZE = (1400, 862)
BARS = ("mFileToolBar", "mMapNavToolBar", "mAttributesToolBar")
WAIT_MS = 3000
"""For the window to be laid out, and for the map to be drawn: each of them takes a second."""


def arrange() -> None:
    """Leave the list of layers and the usual tools, and show the whole site."""
    window, canvas = iface.mainWindow(), iface.mapCanvas()
    window.showNormal()
    window.resize(*SIZE)
    for bar in window.findChildren(QToolBar):
        bar.setVisible(bar.objectName() in BARS)
    for dock in window.findChildren(QDockWidget):
        if dock.objectName() != "Layers":
            dock.close()
        else:
            window.resizeDocks([dock], [360], Qt.Horizontal)
    (marks,) = QgsProject.instance().mapLayersByName("Marks")
    extent = marks.extent()
    extent.scale(1.1)
    canvas.setExtent(extent)
    canvas.refresh()
    QTimer.singleShot(WAIT_MS, photograph)


def photograph() -> None:
    """Save the window and leave, without a question."""
    iface.mainWindow().grab().save(os.environ["PICTURE"])
    os._exit(0)


QTimer.singleShot(WAIT_MS, arrange)
