"""Makes the pictures of the README anew: python sample_media/show.py OUT

OUT: a folder that `fieldstop demo` has filled. Needs Debian's chromium and the package playwright.
"""

from __future__ import annotations

import io
import json
import shutil
import subprocess
import sys
from pathlib import Path

from PIL import Image
from playwright.sync_api import Page, sync_playwright

SHOWN = Path(__file__).resolve().parent / "shown"
CASE = "QM-0217"


def keep(page: Page, name: str, high_px: int = 720) -> None:
    picture = Image.open(io.BytesIO(page.screenshot())).convert("RGB")
    picture.crop((0, 0, picture.width, high_px)).save(SHOWN / f"{name}.jpg", quality=88)


def main(out: Path) -> None:
    program = ["fieldstop", "--json", "--catalogue", str(out / "demo-catalogue.sqlite3")]
    server = subprocess.Popen(
        [*program, "review", str(out), "--no-browser", "--by", "AB"],
        stdout=subprocess.PIPE,
        text=True,
    )
    assert server.stdout is not None
    address = json.loads(server.stdout.readline())["address"]
    try:
        with sync_playwright() as play:
            browser = play.chromium.launch(
                executable_path=shutil.which("chromium"), args=["--no-sandbox", "--disable-gpu"]
            )
            page = browser.new_page(viewport={"width": 1280, "height": 720})
            page.goto((out / "private" / CASE / "report.html").resolve().as_uri())
            page.wait_for_timeout(3000)
            keep(page, "report")
            page.get_by_role("button", name="Sound", exact=True).first.click()
            page.wait_for_timeout(2000)
            keep(page, "report_sound")
            page.goto(address)
            page.wait_for_timeout(2000)
            keep(page, "cases", 260)
            page.get_by_role("link", name=CASE).first.click()
            page.wait_for_timeout(60_000)  # the recordings are opened, the sound is made
            page.get_by_role("button", name="Fog").first.click()
            page.wait_for_timeout(3000)
            keep(page, "review")
            for role in ("tab", "button"):
                if page.get_by_role(role, name="Sign off", exact=True).count():
                    page.get_by_role(role, name="Sign off", exact=True).first.click()
                    break
            page.wait_for_timeout(2000)
            keep(page, "review_sign")
            browser.close()
    finally:
        server.terminate()
        server.wait()


if __name__ == "__main__":
    main(Path(sys.argv[1]))
