"""Files read whole: what is no regular file, or is far too large, is refused and not waited for."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from bench.rig.schema import read_rig
from fit.budget import read_budget
from fit.errors import InputError
from fit.rating.power_profile import read_profile
from fit.rating.touch_limits import read_touch_limits
from fit.records.plain_file import LARGEST_PROFILE, LARGEST_TOML

READERS = {
    "rig": (read_rig, LARGEST_TOML),
    "budget": (read_budget, LARGEST_TOML),
    "touch limits": (read_touch_limits, LARGEST_TOML),
    "profile": (read_profile, LARGEST_PROFILE),
}


@pytest.fixture(params=READERS)
def reader(request: pytest.FixtureRequest):
    return READERS[request.param]


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="this system has no pipes with names")
def test_a_pipe_is_refused_and_not_waited_for(reader, tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe")
    with pytest.raises(InputError, match="is no regular file"):
        reader[0](tmp_path / "pipe")


@pytest.mark.skipif(not Path("/dev/zero").exists(), reason="this system has no /dev/zero")
def test_a_device_that_never_ends_is_refused(reader) -> None:
    with pytest.raises(InputError, match="is no regular file"):
        reader[0](Path("/dev/zero"))


def test_a_file_far_too_large_is_refused(reader, tmp_path: Path) -> None:
    read, most = reader
    with (tmp_path / "large").open("wb") as stream:
        stream.truncate(most + 1)
    with pytest.raises(InputError, match="are read"):
        read(tmp_path / "large")


def test_what_is_no_text_is_refused(reader, tmp_path: Path) -> None:
    (tmp_path / "latin").write_bytes("Fühler".encode("latin-1"))
    with pytest.raises(InputError, match="is not UTF-8 text"):
        reader[0](tmp_path / "latin")
