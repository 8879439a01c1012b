"""Cells with heat capacity, conductances between them, and the sheets they make."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from scipy.sparse import coo_array, csc_array, diags_array

Array = Any


@dataclass
class Assembly:
    """A product under construction: cells are numbered as they are added."""

    capacity_J_per_K: list[Array] = field(default_factory=list)
    one: list[Array] = field(default_factory=list)
    other: list[Array] = field(default_factory=list)
    conductance_W_per_K: list[Array] = field(default_factory=list)
    size: int = 0

    def cells(self, capacity_J_per_K: Array) -> Array:
        """New cells of these heat capacities (...) [J/K]: their numbers (...)."""
        capacity = np.atleast_1d(np.asarray(capacity_J_per_K, dtype=float))
        number = self.size + np.arange(capacity.size).reshape(capacity.shape)
        self.capacity_J_per_K.append(capacity.ravel())
        self.size += capacity.size
        return number

    def link(self, one: Array, other: Array, conductance_W_per_K: Array) -> None:
        """Conductances [W/K] between cells, arrays that broadcast."""
        a, b, G = np.broadcast_arrays(one, other, conductance_W_per_K)
        self.one.append(a.ravel())
        self.other.append(b.ravel())
        self.conductance_W_per_K.append(G.ravel().astype(float))

    def sheet(self, conductance_W_per_K: Array, capacity_J_per_K: Array) -> Array:
        """A sheet of square cells (nx, ny), heat flowing in its plane.

        Args:
            conductance_W_per_K: conductivity x thickness of each cell (nx, ny) [W/K].
            capacity_J_per_K: of each cell (nx, ny) [J/K].

        Between two cells two half cells lie in series: the harmonic mean.
        """
        kt = np.asarray(conductance_W_per_K, dtype=float)
        number = self.cells(capacity_J_per_K)
        for a, b in ((np.s_[:-1, :], np.s_[1:, :]), (np.s_[:, :-1], np.s_[:, 1:])):
            self.link(number[a], number[b], 2 * kt[a] * kt[b] / (kt[a] + kt[b]))
        return number

    def matrices(self, loss_W_per_K: Array) -> tuple[csc_array, Array]:
        """Conductance matrix, with a loss to the ambient on its diagonal, and capacities (n,)."""
        a, b = np.concatenate(self.one), np.concatenate(self.other)
        G = np.concatenate(self.conductance_W_per_K)
        n = self.size
        rows, columns = np.concatenate((a, b, a, b)), np.concatenate((a, b, b, a))
        values = np.concatenate((G, G, -G, -G))
        whole = coo_array((values, (rows, columns)), shape=(n, n)).tocsc()
        return csc_array(whole + diags_array(loss_W_per_K)), np.concatenate(self.capacity_J_per_K)
