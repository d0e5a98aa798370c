"""Make README's pictures with README's own commands.

    python sample_data/ferry_landing/make_pictures.py

runs the commands under "There and back" in README.md, in a folder of its own, and writes the
pictures that stand beside them: plan, sheet of the design, slip, page for the phone, what was
built, what has changed, the viewer, the project in the open GIS desktop. The two pages need
chromium with its driver, the desktop a screen that is none (Xvfb); without them their pictures stay
as they are.
"""

from __future__ import annotations

import os
import re
import shlex
import shutil
import subprocess
import sys
import tempfile
from io import BytesIO
from pathlib import Path

HERE = Path(__file__).resolve().parent
ROOT = HERE.parents[1]
PICTURES = HERE / "pictures"
DPI = 100


def commands() -> list[list[str]]:
    """Return the commands of README's way there and back, word by word."""
    part = (ROOT / "README.md").read_text(encoding="utf-8").split("## There and back")[1]
    blocks = re.findall(r"```sh\n(.*?)```", part.split("\n## ")[0], re.DOTALL)
    return [shlex.split(line) for block in blocks for line in block.strip().splitlines()]


def page_with(document: bytes, words: str) -> bytes:
    """Return the first page of a document that says something, as a document of its own."""
    import pypdfium2

    opened = pypdfium2.PdfDocument(document)
    texts = [opened[i].get_textpage().get_text_range() for i in range(len(opened))]
    alone, held = pypdfium2.PdfDocument.new(), BytesIO()
    alone.import_pages(opened, [next(i for i, text in enumerate(texts) if words in text)])
    alone.save(held)
    opened.close()
    return held.getvalue()


def draw(document: Path, words: str, name: str, dpi: float = DPI) -> None:
    """Write the page of a document that says something as a picture."""
    from geosite.drawing.pdf import png

    (PICTURES / name).write_bytes(png(page_with(document.read_bytes(), words), dpi))


def photograph(page: Path, name: str, size: tuple[int, int, float], typed: str = "") -> None:
    """Write a page as it is seen in a window of a size and density, with a reading typed in."""
    browser, driver = shutil.which("chromium"), shutil.which("chromedriver")
    if not (browser and driver):
        print(f"no chromium and chromedriver here: {name} stays as it is")
        return
    from selenium import webdriver

    options = webdriver.ChromeOptions()
    options.binary_location = browser
    for flag in ("--headless", "--no-sandbox", "--disable-gpu", "--hide-scrollbars"):
        options.add_argument(flag)
    window = webdriver.Chrome(options=options, service=webdriver.ChromeService(driver))
    try:
        wide, high, density = size
        screen = {"width": wide, "height": high, "deviceScaleFactor": density}
        window.execute_cdp_cmd(
            "Emulation.setDeviceMetricsOverride", {**screen, "mobile": wide < 500}
        )
        window.get(page.as_uri())
        if typed:
            window.find_element("id", "shown").send_keys(typed)
        window.save_screenshot(str(PICTURES / name))
    finally:
        window.quit()


def photograph_desktop(project: Path, name: str, spare: Path) -> None:
    """Write the open GIS desktop's window with a project as a picture; its settings go to spare."""
    desktop, screen = shutil.which("qgis"), shutil.which("Xvfb")
    if not (desktop and screen):
        print(f"no open GIS desktop and Xvfb here: {name} stays as it is")
        return
    # its Python is not ours; and what lies in its folder for passing things, it marks as passing
    env = {k: v for k, v in os.environ.items() if not k.startswith(("PYTHON", "VIRTUAL_ENV"))}
    env["PATH"] = "/usr/bin:/bin"
    passing = spare / "passing"
    passing.mkdir(parents=True)
    command = [
        *(desktop, "--noversioncheck", "--nologo", "--profiles-path", str(spare)),
        *("--code", str(HERE / "desktop_window.py"), "--project", str(project)),
    ]
    shown = [screen, "-displayfd", "1", "-screen", "0", "1500x950x24"]
    quiet = subprocess.DEVNULL
    with subprocess.Popen(shown, stdout=subprocess.PIPE, stderr=quiet, text=True) as server:
        try:
            assert server.stdout is not None
            env |= {"DISPLAY": f":{server.stdout.readline().strip()}"}
            env |= {"TMPDIR": str(passing), "PICTURE": str(PICTURES / name)}
            subprocess.run(command, env=env, check=True, timeout=120, stdout=quiet, stderr=quiet)
        finally:
            server.terminate()


def main() -> None:
    """Run the commands and write the pictures."""
    with tempfile.TemporaryDirectory() as folder:
        made = Path(folder)
        (made / "sample_data").symlink_to(ROOT / "sample_data")
        where = os.pathsep.join([str(Path(sys.executable).parent), os.environ["PATH"]])
        for command in commands():
            print(shlex.join(command))
            subprocess.run(
                command,
                cwd=made,
                check=True,
                env={**os.environ, "PATH": where},
                stdout=subprocess.DEVNULL,
                stderr=subprocess.DEVNULL,
            )
        draw(made / "landing" / "plan.pdf", "Site plan", "plan.png")
        draw(made / "landing" / "plan.pdf", "Design Boarding pad", "design.png")
        draw(made / "stakes" / "slip.pdf", "Setting out", "slip.png")
        draw(made / "built" / "as_built_plan.pdf", "As built", "as_built.png")
        draw(made / "change" / "change_plan.pdf", "Change between", "change.png")
        photograph(made / "stakes" / "phone.html", "phone.png", (390, 844, 1.5), "5.90 17.20 -0.41")
        photograph(made / "landing" / "viewer.html", "viewer.png", (1300, 820, 1.0))
        photograph_desktop(made / "landing" / "site.qgs", "desktop.png", made / "desktop")


if __name__ == "__main__":
    main()
