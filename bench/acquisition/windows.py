"""The junction's windows into the run folder, as they come."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from bench.instruments.base import Reading, Window
from bench.rig.schema import Rig
from fit.records.vf_windows import VfWriter


class WindowRecord:
    """Keeps what a rig's junction sends; nothing where it has none."""

    def __init__(self, rig: Rig, folder: Path) -> None:
        """
        Args:
            rig: as read.
            folder: of the run.

        Raises:
            RecordError: the file cannot be written.
        """
        self._channel = rig.junction
        self._writer = None if rig.junction is None else VfWriter(folder, rig.junction.node)

    def keep(self, readings: Mapping[str, Reading], origin_s: float) -> None:
        """Append the window among the readings of a scan, if there is one.

        Args:
            readings: new ones by instrument.
            origin_s: bench clock at the start of the record [s].

        Raises:
            RecordError: the disk does not take it.
        """
        if self._channel is None or self._writer is None:
            return
        window = readings.get(self._channel.instrument)
        if isinstance(window, Window) and window.t_s >= origin_s:
            t_s = round(window.t_s - origin_s, 4)
            self._writer.append(t_s, window.off_s, window.volts)

    def close(self) -> None:
        """Close the file, if there is one."""
        if self._writer is not None:
            self._writer.close()
