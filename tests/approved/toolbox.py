"""The toolbox of the desktop without the desktop: what its forms ask, and what a run hands over.

What the desktop would make is remembered as text; the command is a script that answers at once.
"""

from __future__ import annotations

import os
import re
import sqlite3
import stat
import sys
import zipfile
from collections.abc import Iterator
from contextlib import closing, contextmanager
from importlib import import_module
from pathlib import Path
from types import ModuleType
from typing import Any
from unittest import mock

from geosite.processes.description import describe
from geosite.processes.registry import processes

__all__ = ["toolbox_told"]

PLUGIN = "geosite.processes.hosts.toolbox.plugin"


class Word(str):
    """A name of the desktop: its parts are names, flags are joined, calls are told."""

    __slots__ = ()

    def __getattr__(self, name: str) -> Word:
        if name.startswith("_"):
            raise AttributeError(name)
        return Word(f"{self}.{name}")

    def __or__(self, other: object) -> Word:
        return Word(f"{self} | {other}")

    def __call__(self, *given: object, **named: object) -> Word:
        told = [*map(_plain, given), *(f"{k}={_plain(v)}" for k, v in named.items())]
        return Word(f"{self.rpartition('.')[2]}({', '.join(told)})")


def _plain(value: object) -> str:
    return str(value) if isinstance(value, Word) else repr(value)


class Parts(type):
    def __getattr__(cls, name: str) -> Word:
        if name.startswith("_"):
            raise AttributeError(name)
        return Word(f"{cls.__name__}.{name}")


class Thing(metaclass=Parts):
    """Whatever the desktop makes."""

    def __init__(self, *given: object, **named: object) -> None:
        self.told = Word(type(self).__name__)(*given, **named)
        self.help, self.flagged = "", Word("usual")

    def setHelp(self, text: str) -> None:
        self.help = text

    def flags(self) -> Word:
        return self.flagged

    def setFlags(self, flags: Word) -> None:
        self.flagged = flags


class Algorithm(Thing):
    """What the toolbox gives an algorithm; its answers are the given values."""

    def __init__(self) -> None:
        super().__init__()
        self.form: list[Any] = []
        self.results: list[Any] = []

    def addParameter(self, made: Any) -> None:
        self.form.append(made)

    def addOutput(self, made: Any) -> None:
        self.results.append(made)

    def parameterAsString(self, given: Any, name: str, _: Any) -> str:
        return str(given.get(name, ""))

    def parameterAsInt(self, given: Any, name: str, _: Any) -> int:
        return int(given[name])

    def parameterAsDouble(self, given: Any, name: str, _: Any) -> float:
        return float(given[name])

    def parameterAsBool(self, given: Any, name: str, _: Any) -> bool:
        return bool(given[name])

    def parameterAsEnum(self, given: Any, name: str, _: Any) -> int:
        return int(given[name])

    def parameterAsCrs(self, given: Any, name: str, _: Any) -> Any:
        code, text = given[name]
        return mock.Mock(authid=lambda: code, toWkt=lambda: text)

    def parameterAsExtent(self, given: Any, name: str, _: Any) -> Any:
        sides = zip(("xMinimum", "yMinimum", "xMaximum", "yMaximum"), given[name], strict=True)
        return mock.Mock(**{f"{side}.return_value": value for side, value in sides})

    def parameterAsRasterLayer(self, given: Any, name: str, _: Any) -> Any:
        source = given[name]
        return None if source == "gone" else mock.Mock(source=lambda: source)

    def parameterAsCompatibleSourceLayerPathAndLayerName(
        self, given: Any, name: str, _: Any, formats: list[str], usual: str, __: Any
    ) -> tuple[str, str]:
        assert usual in formats
        path, _, layer = str(given[name]).partition("|")
        return path, layer


class Sources:
    """Takes the options of a raster's source away, as the desktop does."""

    @staticmethod
    def instance() -> Sources:
        return Sources()

    def decodeUri(self, kind: str, source: str) -> dict[str, str]:
        assert kind == "gdal"
        path = source.partition("|")[0]
        return {"path": path} if path.endswith(".tif") else {}


class Core(ModuleType):
    def __getattr__(self, name: str) -> Any:
        if name.startswith("_"):
            raise AttributeError(name)
        return Parts(name, (Thing,), {})


@contextmanager
def _desktop() -> Iterator[tuple[Any, Any]]:
    """Modules of the desktop, told; and the plug-in imported among them."""
    core, looks = Core("qgis.core"), Core("qgis.PyQt.QtGui")
    vars(core).update(
        QgsProcessingAlgorithm=Algorithm, QgsProcessingException=Refusal,
        QgsProviderRegistry=Sources, QgsProcessingProvider=Provider,
        QgsApplication=mock.Mock(), QgsMessageLog=mock.Mock(),
    )  # fmt: skip
    settings = ModuleType("processing.core.ProcessingConfig")
    vars(settings).update(
        ProcessingConfig=mock.Mock(settingIcons={}), Setting=Parts("Setting", (Thing,), {})
    )
    folders = ("qgis", "qgis.PyQt", "processing", "processing.core")
    made = {name: ModuleType(name) for name in folders}
    made |= {one.__name__: one for one in (core, looks, settings)}
    own = [f"{PLUGIN}.{name}" for name in ("algorithm", "provider")]
    with mock.patch.dict(sys.modules, made):
        for name in own:
            sys.modules.pop(name, None)
        yield import_module(own[0]), import_module(own[1])
        for name in own:
            sys.modules.pop(name, None)


class Refusal(Exception):
    """Stands for the exception that the desktop shows."""


class Provider:
    """Lists algorithms."""

    def __init__(self) -> None:
        self.listed: list[Any] = []

    def addAlgorithm(self, made: Any) -> None:
        self.listed.append(made)

    def refreshAlgorithms(self) -> None:
        self.loadAlgorithms()  # type: ignore[attr-defined]


def _script(folder: Path, name: str, text: str) -> str:
    path = folder / name
    path.write_text(f"#!/bin/sh\n{text}", encoding="utf-8")
    path.chmod(path.stat().st_mode | stat.S_IXUSR)
    return str(path)


def toolbox_told(folder: Path, archive: Path) -> dict[str, str]:
    """What is installed; forms of all processes; what is handed over and back; the provider."""
    with _desktop() as (algorithm, provider):
        texts = {
            "archive.txt": "\n".join(_archive(archive)),
            "forms.txt": "\n".join(_forms(algorithm)),
            "runs.txt": "\n".join(_runs(algorithm, folder)),
            "provider.txt": "\n".join(_provided(provider, folder)),
        }
    return {name: f"{text}\n".replace(str(folder), "FOLDER") for name, text in texts.items()}


def _archive(path: Path) -> Iterator[str]:
    with zipfile.ZipFile(path) as archive:
        for entry in archive.infolist():
            about = (entry.date_time, entry.compress_type, entry.create_system)
            yield f"{entry.filename}: {about} {entry.external_attr >> 16:o}"
        about_it = archive.read("geosite_toolbox/metadata.txt").decode()
    yield re.sub("(?m)^version=[0-9].*", "version=NUMBER", about_it)


def _forms(algorithm: Any) -> Iterator[str]:
    for process in processes().processes.values():
        made = algorithm.ProcessAlgorithm("geosite", describe(process)).createInstance()
        made.initAlgorithm()
        yield f"== {made.name()}: {made.displayName()} {made.tags()}"
        yield f"{made.group()!r} {made.groupId()!r} {made.flags()} {made.command}"
        for field in made.form:
            yield f"{field.told} {field.flagged}"
        yield from (f"-> {one.told}" for one in made.results)
        if process.id == "derive-slope":
            yield made.shortDescription()
            yield made.shortHelpString()


def _runs(algorithm: Any, folder: Path) -> Iterator[str]:
    echo = (
        'echo "progress 0.25 reading it" >&2\necho "a word to the reader" >&2\n'
        f'cat > {folder}/asked.json\necho "$@" > {folder}/words.txt\n'
    )
    with closing(sqlite3.connect(folder / "made.gpkg")) as file, file:
        file.execute("CREATE TABLE gpkg_contents (table_name, identifier, data_type)")
        names = ("points", "contours", "areas", "marks", "parcels", "lines", "slopes")
        for name in names:
            row = (name, f"The {name}", "attributes" if name == "slopes" else "features")
            file.execute("INSERT INTO gpkg_contents VALUES (?, ?, ?)", row)
    made = f"""{{"slope": {{"href": "a.tif", "type": "image/tiff; x"}},
    "other": {{"href": "{folder}/made.gpkg", "type": "application/geopackage+sqlite3"}},
    "table": {{"href": "a.csv", "type": "text/csv"}}}}"""
    good = _script(folder, "good", f"{echo}echo '{made}'\n")
    bad = _script(
        folder, "bad", f'{echo}echo "geosite: elevation is 3; expected more" >&2\nexit 2\n'
    )
    mute = _script(folder, "mute", "exit 3\n")
    odd = _script(folder, "odd", "echo none\n")
    every = {
        "elevation": "dem.tif|option=1", "wms": "no file", "points": "a.gpkg|marks",
        "edges": "b.gpkg|kerbs", "edges_layer": "own", "crs": ("EPSG:25832", "WKT"),
        "target_crs": ("", "WKT"), "extent": (0.0, 1.0, 2.0, 3.0), "method": 1, "count": 4,
        "size": 2.5, "fast": True, "sites": "a.toml, b.toml", "name": "3", "empty": "",
    }  # fmt: skip
    path = {"type": "string", "format": "path"}
    schemas = {
        "elevation": {**path, "contentMediaType": "image/tiff"},
        "wms": {**path, "contentMediaType": "image/tiff"},
        "points": path, "layer": {"type": "string"}, "edges": path,
        "edges_layer": {"type": "string"}, "crs": {"type": "string"},
        "target_crs": {"type": "string"},
        "extent": {"type": "array", "minItems": 4, "items": {"type": "number"}},
        "method": {"type": "string", "enum": ["a", "b"]}, "count": {"type": "integer"},
        "size": {"type": "number"}, "fast": {"type": "boolean"},
        "sites": {"type": "array", "items": path}, "name": {"type": "string"},
        "empty": {"type": "string"}, "absent": {"type": "string"},
    }  # fmt: skip
    about = {
        "id": "all-kinds", "title": "All kinds", "outputs": {"slope": {"title": "The slope"}},
        "inputs": {name: {"schema": schema} for name, schema in schemas.items()},
    }  # fmt: skip
    for command in (good, bad, mute, odd, str(folder / "none")):
        given = every | {"RESULTS": str(folder / "out")}
        yield from _run(algorithm.ProcessAlgorithm(command, about), given, folder)
    yield from _run(algorithm.ProcessAlgorithm(good, about), {"elevation": "gone"}, folder)
    with mock.patch.object(algorithm.tempfile, "mkdtemp", lambda prefix: f"/a/{prefix}x"):
        yield from _run(algorithm.ProcessAlgorithm(good, about), {}, folder, project=None)
        slow = _script(folder, "slow", "exec sleep 30\n")
        yield from _run(algorithm.ProcessAlgorithm(slow, about), {}, folder, cancelled=True)


def _run(
    made: Any, given: Any, folder: Path, project: Any = "project", cancelled: bool = False
) -> Iterator[str]:
    said: list[str] = []
    feedback = mock.Mock(isCanceled=lambda: cancelled)
    for name in ("pushInfo", "pushWarning", "setProgressText"):
        getattr(feedback, name).side_effect = lambda text, name=name: said.append(f"{name}: {text}")
    feedback.setProgress.side_effect = lambda share: said.append(f"setProgress: {share}")
    context = mock.Mock(project=lambda: project)
    context.addLayerToLoadOnCompletion.side_effect = lambda path, details: said.append(
        f"load: {path}: {details}"
    )
    yield f"== {Path(made.command).name}"
    for name in ("asked.json", "words.txt"):
        (folder / name).unlink(missing_ok=True)
    try:
        results = made.processAlgorithm(given, context, feedback)
    except Refusal as refusal:
        results = f"refused: {refusal}"
    yield from said
    for name in ("asked.json", "words.txt"):
        if (folder / name).exists():
            yield (folder / name).read_text(encoding="utf-8").strip()
    yield str(results)


def _provided(provider: Any, folder: Path) -> Iterator[str]:
    listing = (
        '{"processes": [{"id": "a-b", "inputs": {"x": {}}, "outputs": {"y": {}}, "title": "A"}]}'
    )
    command = _script(
        folder, "geosite", f'test "$*" = "list --json --full" && echo \'{listing}\'\n'
    )
    config, log = provider.ProcessingConfig, provider.QgsMessageLog
    registry = provider.QgsApplication.processingRegistry()
    with mock.patch.dict(os.environ, {"GEOSITE_COMMAND": command}):
        for setting in ("", command, str(folder / "none")):
            config.getSetting.return_value = setting
            plugin = import_module(PLUGIN).classFactory(None)
            plugin.unload()
            plugin.initGui()
            (one,) = registry.addProvider.call_args.args
            assert one.load() is True, "the desktop would leave it out"
            yield f"{one.id()} {one.name()} {one.longName()} {type(one.icon()).__name__}"
            yield f"setting: {config.addSetting.call_args.args[0].told}"
            yield f"icons: {list(config.settingIcons)}"
            yield f"algorithms: {[(made.name(), made.command) for made in one.listed]}"
            yield f"log: {log.logMessage.call_args}"
            one.unload()
            yield f"removed: {config.removeSetting.call_args}"
            plugin.unload()
            assert registry.removeProvider.call_args.args == (one,)
            assert plugin.provider is None
