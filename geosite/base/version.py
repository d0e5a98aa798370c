"""The one version of the package; the wheel, the command and every report take it from here."""

__version__ = "0.1.0"
