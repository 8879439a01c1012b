"""A report printed to PDF by a headless Chromium, where one is installed."""

from __future__ import annotations

import shutil
import subprocess
import tempfile
from pathlib import Path

from fit.errors import HeatrunError

BROWSERS = ("chromium", "chromium-browser", "google-chrome", "chrome", "msedge")
FLAGS = (
    "--headless",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
    "--no-pdf-header-footer",
)
PATIENCE_S = 90  # printing takes seconds: a browser that is not done by then hangs


def find_browser() -> str | None:
    """A browser that prints without a display; None where there is none."""
    return next((path for name in BROWSERS if (path := shutil.which(name))), None)


def print_page(page: Path, pdf: Path) -> Path:
    """Print a page of ours to PDF, replacing an earlier one.

    Args:
        page: HTML file.
        pdf: file to write.

    Returns:
        The file written.

    Raises:
        HeatrunError: no browser is installed, or it did not print.
    """
    browser = find_browser()
    if browser is None:
        raise HeatrunError(
            f"{pdf}: printing to PDF needs Chromium or Chrome; install one, or print {page} "
            "from your own browser"
        )
    with tempfile.TemporaryDirectory(prefix="heatrun-print-") as profile:
        fresh = Path(profile) / "page.pdf"
        words = [browser, *FLAGS, *_sandbox(), f"--user-data-dir={profile}/profile"]
        words += [f"--print-to-pdf={fresh}", page.resolve().as_uri()]
        try:
            subprocess.run(words, capture_output=True, timeout=PATIENCE_S, check=False)
        except (OSError, subprocess.TimeoutExpired) as error:
            raise HeatrunError(f"{pdf}: {browser} did not print ({error})") from error
        if not fresh.is_file():
            raise HeatrunError(f"{pdf}: {browser} printed nothing; print {page} from your browser")
        waiting = pdf.with_name(f".{pdf.name}.tmp")
        shutil.copyfile(fresh, waiting)
        waiting.replace(pdf)
    return pdf


def _sandbox() -> list[str]:
    """Root (in a container, say) cannot use the browser's sandbox; the page is our own."""
    import os

    return ["--no-sandbox"] if getattr(os, "geteuid", lambda: 1)() == 0 else []
