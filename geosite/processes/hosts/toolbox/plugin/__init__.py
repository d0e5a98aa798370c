"""Plug-in of the open GIS desktop: the processes of the geosite command in its toolbox."""


def classFactory(iface):  # noqa: N802 (the name that the desktop calls)
    """Return the plug-in; called by the desktop."""
    from .provider import ToolboxPlugin

    return ToolboxPlugin()
