"""Powers of several parts that change over time, on a measured product.

Above the node that all heat passes, the reference, every node follows each source by the network's
modes, and the reference's own rise D with what it stores on the way:

    rise_j(t) = D(q(t)) + Σ_s Σ_k a_jsk φ_s L_k[P_s] − Σ_k b_jk (D − L_k[D]),
    q(t) = Σ_k shape_k L_k[Σ_s φ_s P_s],   D(q): settled at a heat q.

q is the heat that would keep the reference as warm as it is: a mean of the powers before, by the
shape of its measured response. So held powers settle where the rating at rest says, and no profile
is hotter than its highest powers held.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fit.budget.model import AMBIENT
from fit.identification.identify import identify_signals
from fit.measurement.branches import Branches
from fit.network.modes import modes
from fit.rating.branch_network import BranchNetwork
from fit.rating.power_profile import Profile
from fit.rating.pulsed_loads import dense, followed, reach
from fit.records.run import Array
from fit.signals.preparation import only


@dataclass(frozen=True)
class SourcePeak:
    """How hot one source's node gets."""

    name: str
    node: str
    mean_W: float
    peak_degC: float
    peak_u_K: float
    peak_t_s: float
    limit_degC: float | None


@dataclass(frozen=True, eq=False)
class BranchProfile:
    """What a profile of several powers does at one ambient."""

    profile: Profile
    t_s: Array  # (n,) [s]
    power_W: Array  # (n, sources) [W]
    source_degC: Array  # (n, sources) of each source's node
    skin_degC: Array  # (n,)
    sources: tuple[SourcePeak, ...]
    allowable_factor: float | None  # by which all its powers may be multiplied
    allowable_factor_u: float | None


@dataclass(frozen=True, eq=False)
class _Load:
    """A profile on a network: what is linear in its powers, worked out once."""

    network: BranchNetwork
    ambient_degC: float
    t_s: Array  # (n,)
    repeat: bool
    linear_K: Array  # (nodes, n) above the reference, were it at rest
    heat_W: Array  # (n,) that keeps the reference as warm as it is
    driven: Array  # (nodes, K) b_jk
    tau_s: Array  # (K,)

    def rise_K(self, factor: float = 1.0) -> Array:
        """Rise of every node (nodes, n), all powers so many times as high."""
        slow = self.network.air_rise_K(factor * self.heat_W, self.ambient_degC)
        lag = slow - followed(self.tau_s, self.t_s, slow, self.repeat, "line")
        return np.asarray(slow + factor * self.linear_K - self.driven @ lag)

    def factor(self, node: int, limit_K: float) -> float:
        """By which all powers may be multiplied until a node's rise reaches a limit."""
        return reach(lambda f: float(self.rise_K(f)[node].max()), limit_K)


def run_branch_profile(
    branches: Branches, network: BranchNetwork, profile: Profile, *, ambient_degC: float, skin: str
) -> BranchProfile:
    """Run a profile of the powers of all sources, from cold or until settled.

    Args:
        branches: as measured.
        network: of it, at any powers.
        profile: its sources in the budget's order.
        ambient_degC: of the air [degC].
        skin: the node that is touched.

    Returns:
        Temperatures over time, the peak of each source, and the factor by which all powers may be
        multiplied before the first limit is reached.

    Raises:
        NotIdentifiable: the record does not say how fast the reference follows.
    """
    sources = network.budget.sources
    load, power = _loaded(branches, network, profile, ambient_degC)
    rise = load.rise_K()
    at = [network.nodes.index(source.node) for source in sources]
    # As sure, in proportion to its rise, as at rest at the highest powers.
    settled = network.node_degC(profile.power_W.max(axis=0), ambient_degC)[:, at] - ambient_degC
    relative_u = settled.std(axis=0) / np.maximum(settled[0], 1e-9)
    hottest = rise[at].argmax(axis=1)
    peaks = tuple(
        SourcePeak(
            name=source.name,
            node=source.node,
            mean_W=float(mean),
            peak_degC=float(ambient_degC + rise[node, i]),
            peak_u_K=float(u * rise[node, i]),
            peak_t_s=float(load.t_s[i]),
            limit_degC=source.limit_degC,
        )
        for source, mean, node, i, u in zip(
            sources, profile.mean_each_W, at, hottest, relative_u, strict=True
        )
    )
    factors = [
        (load.factor(node, one.limit_degC - ambient_degC), u)
        for one, node, u in zip(peaks, at, relative_u, strict=True)
        if one.limit_degC is not None and one.peak_degC > ambient_degC
    ]
    factor, u = min(factors, default=(None, None))
    return BranchProfile(
        profile=profile,
        t_s=load.t_s,
        power_W=power,
        source_degC=ambient_degC + rise[at].T,
        skin_degC=ambient_degC + rise[network.nodes.index(skin)],
        sources=peaks,
        allowable_factor=factor,
        allowable_factor_u=None if factor is None or u is None else float(factor * u),
    )


def _loaded(
    branches: Branches, network: BranchNetwork, profile: Profile, ambient_degC: float
) -> tuple[_Load, Array]:
    """A profile on the measured values, and its powers (n, sources)."""
    topology = branches.fitted.network.topology
    inner = modes(topology, network.links_K_per_W[0], branches.network.C_J_per_K)
    share = network.budget.path_fraction
    t_s, power = dense(profile)
    path = power * share
    linear = sum(
        inner.amplitude_K_per_W[:, s] @ followed(inner.tau_s, t_s, one, profile.repeat)
        for s, one in enumerate(path.T)
    )
    tau_s, shape = _shape(branches)
    heat = shape @ followed(tau_s, t_s, path.sum(axis=1), profile.repeat)
    driven = inner.shape * inner.at_reference
    load = _Load(
        network=network,
        ambient_degC=ambient_degC,
        t_s=t_s,
        repeat=profile.repeat,
        linear_K=np.vstack([linear, np.zeros(len(t_s))]),
        # A mean of powers stays within them; noise can leave a fitted shape a little out of that.
        heat_W=np.clip(heat, 0.0, path.sum(axis=1).max()),
        driven=np.vstack([driven, np.zeros(driven.shape[1])]),
        tau_s=inner.tau_s,
    )
    return load, power


def _shape(branches: Branches) -> tuple[Array, Array]:
    """Time constants (K,) of the reference's rise above ambient, and each one's share (K,)."""
    reference = branches.fitted.network.topology.reference
    signals = only(branches.signals, (reference, AMBIENT))
    response = identify_signals(signals, AMBIENT).response
    amplitude = response.resistance_K_per_W[response.nodes.index(reference)]
    return response.tau_s, amplitude / amplitude.sum()
