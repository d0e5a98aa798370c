"""Small survey folders for the tests of reading, good ones to be spoilt one way at a time."""

from __future__ import annotations

from pathlib import Path

from geosite.base.errors import GeositeError
from geosite.fieldbook.read import read_survey

SITE = """\
[survey]
file = "book.csv"

[baseline]
from = "B1"
to = "B2"

[anchor]
crs = "EPSG:25832"

[anchor.marks.B1]
easting = 512310.0
northing = 5276100.0

[anchor.marks.B2]
easting = 512320.0
northing = 5276100.0

[codes.setts]
title = "Stone setts"
"""

BOOK = """\
run,point,x,y,z,feature,code,segment,note
R1,B1,0,0,0,,,,
R1,B2,10,0,0.1,,,,
R1,A1,1,1,0,landing,setts,,
R1,A2,5,1,0,landing,setts,line,
R1,A3,5,5,0,landing,setts,arc,
R1,,1,5,0,landing,setts,arc2,
R2,B2,0,0,0,,,,
R2,B1,0,10,-0.1,,,,
"""

HEADER = "run,point,x,y,z,feature,code,segment,note\n"
BASELINE = "R1,B1,0,0,0,,,,\nR1,B2,10,0,0.1,,,,\n"


def write(folder: Path, book: str | bytes = BOOK, site: str | bytes = SITE) -> Path:
    """Write a survey into a folder and return its site file."""
    for name, text in (("site.toml", site), ("book.csv", book)):
        (folder / name).write_bytes(text.encode() if isinstance(text, str) else text)
    return folder / "site.toml"


def faults(path: Path) -> tuple[int, list[tuple[str, int | None, str]]]:
    """Return the exit status of reading a survey and (file name, line, code) of each problem."""
    try:
        read_survey(path)
    except GeositeError as error:
        for problem in error.problems:
            said = str(problem)
            assert said.isprintable()
            assert len(said) <= 1000
            assert problem.what
            assert problem.expected
            assert problem.remedy
        return error.exit_code, [(Path(p.file or "").name, p.line, p.code) for p in error.problems]
    return 0, []
