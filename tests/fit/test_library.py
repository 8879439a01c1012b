"""The library as its users import it."""

from __future__ import annotations

import subprocess
import sys


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
