"""Broken on purpose: stands for a plug-in whose requirements were not installed."""

import a_package_that_nobody_has  # noqa: F401
