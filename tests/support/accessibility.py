"""What axe-core finds wrong with a page; it is no part of the project and comes from outside.

Name its file (`axe.min.js` of the package axe-core, MPL-2.0) in the environment variable
`AXE_CORE`.
"""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from tests.support.browser import Browser

VARIABLE = "AXE_CORE"
RUN = """
const done = arguments[arguments.length - 1];
const of = (node) => node.target.join(" ") + ": " + node.failureSummary;
axe.run(document, { resultTypes: ["violations"] }).then(
  (found) => done(found.violations.flatMap((one) => one.nodes.map((n) => one.id + " " + of(n)))),
  (error) => done(["axe did not run: " + error]));
"""


def axe_source() -> str:
    """The checker's text; the test is skipped where nobody says where it is."""
    file = os.environ.get(VARIABLE)
    if not file:
        pytest.skip(f"needs axe-core: name its axe.min.js in the environment variable {VARIABLE}")
    return Path(file).read_text(encoding="utf-8")


def violations(tab: Browser, axe: str) -> list[str]:
    """What it finds on the page that is open, one line each."""
    tab.run(axe + "\nreturn typeof axe;")
    found: list[str] = tab.run_until_done(RUN)
    return found
