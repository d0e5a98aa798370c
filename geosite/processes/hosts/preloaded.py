"""Imported once by the server that the worker processes are forked from; see `many`.

What takes long to import is then there in every worker from its first site on. None of these
libraries starts a thread or opens a file on import.
"""

import importlib
import os

# the workers share the cores: one thread each, or they get into each other's way
for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

for _name in (
    "fiona",
    "rasterio",
    "scipy.sparse.csgraph",
    "scipy.spatial",
    "geosite.build",
    "geosite.fieldbook.read",
    "geosite.handover.folder.write",
    "geosite.processes.build_site",
):
    importlib.import_module(_name)
