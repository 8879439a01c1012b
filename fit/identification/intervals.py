"""95 % intervals where linear ones mislead: profile likelihood and block bootstrap."""

from __future__ import annotations

from dataclasses import replace

import lmfit
import numpy as np
from scipy.optimize import brentq
from scipy.stats import chi2

from fit.errors import NotIdentifiable
from fit.identification.autocorrelation import inflation, lag_one
from fit.identification.covariance import correlation_inflation
from fit.identification.identify import Identification
from fit.identification.least_squares import SAME_THETA, Problem, Projected, solve
from fit.identification.model_order import Fitted
from fit.records.run import Array

LEVEL = 0.95  # common practice


def profile_intervals(identified: Identification, level: float = LEVEL) -> Array:
    """Profile-likelihood intervals of the time constants (K, 2) [s], by lmfit's conf_interval.

    The drop of the likelihood is judged with the residuals' own scale and correlation. An end
    the data do not set is the limit of what was searched (0 or infinity).
    """
    response, fitted = identified.response, identified.fitted
    problem = fitted.model.problem(fitted.reference_prior)
    theta = fitted.solution.theta
    if len(theta) == 1:
        return _profile_alone(problem, fitted, level)
    names = [f"ln_tau_{k + 1}" for k in range(fitted.order)]
    names += ["edge_s"] * (len(theta) - fitted.order)
    fit = _minimizer(problem, theta, names)
    result = fit.minimize(method="leastsq")
    enlarged = correlation_inflation(fitted.solution)

    def probability(
        best: lmfit.minimizer.MinimizerResult, new: lmfit.minimizer.MinimizerResult
    ) -> float:
        return float(chi2.cdf(max(new.chisqr - best.chisqr, 0.0) / enlarged, 1))

    for k, name in enumerate(names):
        u = response.tau_u_s[min(k, fitted.order - 1)] / response.tau_s[min(k, fitted.order - 1)]
        result.params[name].stderr = float(np.clip(u, 1e-4, 1.0))
    try:
        found = lmfit.conf_interval(
            fit, result, p_names=names[: fitted.order], sigmas=[level], prob_func=probability
        )
    except (lmfit.MinimizerException, ValueError) as error:
        raise NotIdentifiable(f"no profile interval: {error}") from error
    bounds = np.empty((fitted.order, 2))
    for k, name in enumerate(names[: fitted.order]):
        low, high = found[name][0][1], found[name][-1][1]
        bounds[k] = np.exp(low), np.exp(high)
    return np.where(np.isnan(bounds), np.inf, bounds)


def _profile_alone(problem: Problem, fitted: Fitted, level: float) -> Array:
    """The profile of a single parameter (1, 2) [s]: nothing to refit, and lmfit refuses it."""
    solution = fitted.solution
    rise = chi2.ppf(level, 1) * correlation_inflation(solution)

    def above(ln_tau: float) -> float:
        return problem.at(np.array([ln_tau]), with_jacobian=False).cost - solution.cost - rise

    here, ends = float(solution.theta[0]), []
    for limit, unset in ((problem.lower[0], 0.0), (problem.upper[0], np.inf)):
        ends.append(np.exp(brentq(above, here, limit)) if above(limit) > 0 else unset)
    return np.array([ends])


def bootstrap(fitted: Fitted, draws: int = 200, seed: int = 1) -> tuple[Array, Array]:
    """Time constants (draws, K) [s] and totals (draws, m) [K/W] of records made from the fit.

    Blocks of standardised residuals, all nodes together and longer than their correlation, are
    drawn with replacement and added to the fit (moving-block bootstrap, Künsch 1989).
    """
    model, solution = fitted.model, fitted.solution
    problem = model.problem(fitted.reference_prior)
    cells = len(model.record.cells.samples)
    seen = np.flatnonzero(problem.weight[:cells].max(axis=1) > 0)
    residual = solution.residual[seen]
    rho = lag_one(residual)
    free = max(len(seen) - model.parameters - fitted.order / residual.shape[1], 1.0)
    residual = residual * np.sqrt(len(seen) / free)
    length = int(np.clip(np.ceil(3 * inflation(rho)), 1, len(seen) // 4))
    random = np.random.default_rng(seed)
    mean = solution.design @ solution.coefficient
    tau, total = [], []
    for _ in range(draws):
        count = -(-len(seen) // length)
        starts = random.integers(0, len(seen) - length + 1, count)
        drawn = np.concatenate([np.arange(s, s + length) for s in starts])[: len(seen)]
        y = mean.copy()
        weight = problem.weight[seen]
        y[seen] += np.where(weight > 0, residual[drawn] / np.where(weight > 0, weight, 1.0), 0.0)
        again = solve(replace(problem, y=y), solution.theta, absolute=1e-3, most_steps=20)
        order = np.argsort(again.theta[: fitted.order])
        tau.append(np.exp(again.theta[: fitted.order][order]))
        total.append(again.coefficient[model.a].sum(axis=0))
    return np.array(tau), np.array(total)


def bootstrap_intervals(
    identified: Identification, draws: int = 200, seed: int = 1, level: float = LEVEL
) -> Array:
    """Percentile intervals of the time constants (K, 2) [s] by block bootstrap."""
    tau, _ = bootstrap(identified.fitted, draws, seed)
    return np.percentile(tau, [50 * (1 - level), 50 * (1 + level)], axis=0).T


def _minimizer(
    problem: Problem,
    theta: Array,
    names: list[str],
) -> lmfit.Minimizer:
    """An lmfit Minimizer over θ alone, the linear part projected out, with the analytic Jacobian.

    names: (q,) of the parameters, in θ's order.
    """
    parameters = lmfit.Parameters()
    for name, value, low, high in zip(names, theta, problem.lower, problem.upper, strict=True):
        parameters.add(name, value=float(value), min=float(low) - 1e-9, max=float(high) + 1e-9)

    latest: list[Projected] = []

    def at(parameters: lmfit.Parameters) -> Projected:
        here = np.array([parameters[name].value for name in names])
        # lmfit's limits move a θ by a rounding error.
        if not latest or np.abs(latest[0].theta - here).max() > SAME_THETA:
            latest[:] = [problem.at(here)]
        return latest[0]

    def residual(parameters: lmfit.Parameters) -> Array:
        found = at(parameters)
        return np.concatenate((found.residuals, found.prior_residual))

    def jacobian(parameters: lmfit.Parameters) -> Array:
        varying = [i for i, name in enumerate(names) if parameters[name].vary]
        return np.vstack((at(parameters).jacobian, np.diag(problem.prior_slope)))[:, varying]

    return lmfit.Minimizer(residual, parameters, fcn_kws={}, Dfun=jacobian)
