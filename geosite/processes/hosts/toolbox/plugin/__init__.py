"""Plug-in of the open GIS desktop: the processes of the geosite command in its toolbox."""


def classFactory(iface: object) -> object:
    """Return the plug-in; called by the desktop."""
    from .provider import ToolboxPlugin

    return ToolboxPlugin()
