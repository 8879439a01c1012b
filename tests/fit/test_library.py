"""The library as its users import it."""

from __future__ import annotations

import re
import subprocess
import sys
from importlib.metadata import version
from pathlib import Path

import numpy as np

from fit.assessment.conformity import hold
from fit.notation import digits, with_expanded
from tests.support import made


def test_no_function_is_hidden_by_the_module_of_its_name() -> None:
    code = (
        "import fit, fit.assessment.conformity, fit.measurement.spans, fit.budget; "
        "hidden = [name for name in fit.__all__ if not callable(getattr(fit, name))]; "
        "assert not hidden, hidden"
    )
    done = subprocess.run([sys.executable, "-c", code], check=False, capture_output=True)
    assert done.returncode == 0, done.stderr


def test_importing_the_library_loads_nothing_heavy() -> None:
    code = (
        "import sys, fit; "
        "sys.exit(bool({'numpy', 'pandas', 'scipy', 'lmfit', 'matplotlib'} & set(sys.modules)))"
    )
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == 0


def test_every_public_name_is_there_and_listed() -> None:
    import fit

    assert len(fit.__all__) <= 25
    for name in fit.__all__:
        assert getattr(fit, name) is not None
    assert set(fit.__all__) <= set(dir(fit))


def test_the_documentation_uses_public_names_only() -> None:
    import fit

    text = (Path(fit.__file__).parent / "docs" / "library.md").read_text(encoding="utf-8")
    used = set(re.findall(r"\bfit\.([A-Za-z_]+)\(", text))
    assert used <= set(fit.__all__)
    assert {"read_run", "measure", "check", "compare", "rate"} <= used


def test_the_version_is_that_of_the_package() -> None:
    import fit

    assert fit.__version__ == version("heatrun")


def test_the_package_runs_as_a_module() -> None:
    done = subprocess.run(
        [sys.executable, "-m", "bench", "--version"], check=False, capture_output=True, text=True
    )
    assert (done.returncode, done.stdout.strip()[-5:]) == (0, version("heatrun"))


def test_results_are_written_in_a_console_as_everywhere_else() -> None:
    verdict = hold(made.spans(), made.prediction())
    prediction, measured = verdict.prediction, verdict.measured
    for result, covariance in (
        (prediction, prediction.R_covariance),
        (measured, measured.total_covariance),
    ):
        for R, u in zip(result.R_K_per_W, np.sqrt(np.diag(covariance)), strict=True):
            assert with_expanded(R, u) in repr(result)
    assert f"at {digits(prediction.power_W)} W" in repr(verdict)


def test_results_are_short_in_a_console_and_tables_in_a_notebook() -> None:
    verdict = hold(made.spans(), made.prediction())
    results = (verdict, verdict.measured, verdict.prediction, verdict.prediction.budget)
    for result in results:
        assert len(repr(result)) < 400
        assert "<table" in result._repr_html_()
        assert len(result.to_frame()) == len(result.to_frame().drop_duplicates())
