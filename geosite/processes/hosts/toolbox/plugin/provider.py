"""The plug-in and its provider: what the toolbox lists under the name of the command."""

from __future__ import annotations

from processing.core.ProcessingConfig import ProcessingConfig, Setting
from qgis.core import Qgis, QgsApplication, QgsMessageLog, QgsProcessingProvider
from qgis.PyQt.QtGui import QIcon

from .algorithm import ICON, ProcessAlgorithm
from .command import CommandError, find_command, list_processes

__all__ = ["ToolboxPlugin", "ToolboxProvider"]

COMMAND = "GEOSITE_COMMAND"


class ToolboxProvider(QgsProcessingProvider):
    """Lists the processes of the command."""

    def id(self) -> str:
        """Return the first part of every algorithm's id."""
        return "geosite"

    def name(self) -> str:
        """Return what the toolbox shows."""
        return "geosite"

    def longName(self) -> str:
        """Return what it is."""
        return "geosite: map files of walked sites"

    def icon(self) -> QIcon:
        """Return the sign of a baseline mark."""
        return QIcon(ICON)

    def load(self) -> bool:
        """Add the setting with the command's path, then list the processes."""
        ProcessingConfig.settingIcons[self.name()] = self.icon()
        ProcessingConfig.addSetting(
            Setting(
                self.name(),
                COMMAND,
                "Path of the geosite command",
                find_command(),
                valuetype=Setting.FILE,
            )
        )
        ProcessingConfig.readSettings()
        self.refreshAlgorithms()
        return True

    def unload(self) -> None:
        """Take the setting away."""
        ProcessingConfig.removeSetting(COMMAND)

    def loadAlgorithms(self) -> None:
        """Ask the command for its processes; say in the log why there are none."""
        command = ProcessingConfig.getSetting(COMMAND) or find_command()
        try:
            for description in list_processes(command):
                self.addAlgorithm(ProcessAlgorithm(command, description))
        except CommandError as error:
            QgsMessageLog.logMessage(str(error), self.name(), Qgis.Warning)


class ToolboxPlugin:
    """What the desktop loads: it adds the provider and takes it away."""

    def __init__(self) -> None:
        self.provider: ToolboxProvider | None = None

    def initProcessing(self) -> None:
        """Add the provider; the command-line runner calls this alone."""
        self.provider = ToolboxProvider()
        QgsApplication.processingRegistry().addProvider(self.provider)

    def initGui(self) -> None:
        """Add the provider to the desktop."""
        self.initProcessing()

    def unload(self) -> None:
        """Take the provider away."""
        if self.provider is not None:
            QgsApplication.processingRegistry().removeProvider(self.provider)
            self.provider = None
