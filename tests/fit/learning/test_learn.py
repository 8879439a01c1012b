"""What runs teach of a budget, and which of them may: made spans."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from fit.assessment.conformity import hold
from fit.budget import predict
from fit.budget.model import Budget
from fit.budget.read import budget_from
from fit.errors import NotIdentifiable
from fit.learning.identity import Identity
from fit.learning.learn import DOUBTED, joint_covariance, learn
from fit.learning.lesson import Lesson, lesson_of
from fit.measurement.spans import Spans
from tests.fit.budget.test_prediction import stated

R_K_PER_W, U_K_PER_W, SHARE = (2.0, 3.0), (0.2, 0.3), 0.95


def budget(shared: float = 1.0, share_u: float = 0.0, u: tuple[float, float] = U_K_PER_W) -> Budget:
    """Two stated stages, what their units share, and how sure the path share is."""
    stages = [
        stated(name, ends, R, one) | {"shared": {"R_K_per_W": shared}}
        for (name, ends), R, one in zip(
            (("inner", "tab to case"), ("outer", "case to ambient")), R_K_PER_W, u, strict=True
        )
    ]
    conditions = {
        "power_W": 4.0, "ambient_degC": 25.0, "path_fraction": SHARE, "path_fraction_u": share_u,
    }  # fmt: skip
    tables = {"schema": 1, "conditions": conditions, "stage": stages}
    return budget_from(tables, Path("budget.toml"))


def lesson(
    of: Budget, factors: tuple[float, float] = (1.0, 1.0), u: float = 0.02, power_u: float = 0.0
) -> Lesson:
    """A run whose spans are so many times as budgeted; u of each, and of the power, relative."""
    R = SHARE * np.array(R_K_PER_W) * factors
    rise = np.array([R.sum(), R[1], 0.0]) * 4.0
    spans = Spans(
        nodes=("tab", "case", "ambient"),
        R_K_per_W=R,
        covariance={"fit": np.diag((u * R) ** 2), "power": power_u**2 * np.outer(R, R)},
        power_W=4.0,
        final_degC=25.0 + rise,
        settled=True,
        warnings=(),
    )
    found = lesson_of(Identity("run"), hold(spans, predict(of)))
    return replace(found, doubt="")


def after(of: Budget, lessons: list[Lesson], **how: bool) -> tuple[np.ndarray, np.ndarray]:
    """Mean and standard deviation of the process's scores."""
    learned = learn(of, lessons, **how).learned
    return learned.mean, np.sqrt(np.diag(learned.covariance))


def test_a_run_as_stated_predicts_the_budgets_own_spans() -> None:
    one = lesson(budget())
    inputs = ()
    assert one.predicted(inputs, np.zeros((0, 3)))[0] == pytest.approx(np.log(R_K_PER_W))
    assert one.ln_measured == pytest.approx(np.log(R_K_PER_W))


def test_one_measured_resistance_is_the_conjugate_normal() -> None:
    """ln R ~ N(−s²/2, s²), measured to 2 %: precisions add up (normal with known variance)."""
    s2 = np.log1p(0.1**2)
    mean, sd = after(budget(), [lesson(budget(), (1.1, 1.0))])
    assert sd == pytest.approx(np.sqrt(1 / (1 + s2 / 0.02**2)) * np.ones(2), rel=0.01)
    expected = (np.log(1.1) + s2 / 2) / np.sqrt(s2) / (1 + 0.02**2 / s2)
    assert mean[0] == pytest.approx(expected, rel=0.02)


def test_of_one_unit_half_of_the_variance_stays_its_own() -> None:
    """Measured without error, one unit tells of the process what a reading as unsure would: ½."""
    _, sd = after(budget(shared=0.5), [lesson(budget(shared=0.5), u=1e-3)])
    assert sd**2 == pytest.approx([0.5, 0.5], abs=0.02)


def test_more_units_tell_more_of_the_process_and_more_runs_of_one_unit_do_not() -> None:
    """n units: variance 1/(1 + n) where process and unit have a half each."""
    own = budget(shared=0.5)
    four = [lesson(own, u=1e-3)] * 4
    assert after(own, four)[1] ** 2 == pytest.approx([0.2, 0.2], abs=0.02)
    assert after(own, four, one_unit=True)[1] ** 2 == pytest.approx([0.5, 0.5], abs=0.02)


def test_the_power_readings_error_does_not_average_out_over_runs() -> None:
    """All spans and all runs 5 % high together, where the power is known to 5 %."""
    own = budget()
    many = after(own, [lesson(own, u=1e-3, power_u=0.05)] * 9)[1]
    free = after(own, [lesson(own, u=0.05)] * 9)[1]
    assert (many > 1.5 * free).all()


def test_the_path_share_and_the_resistances_are_told_apart_only_by_what_was_stated() -> None:
    """R φ is measured: R and φ are left correlated, and their product is known."""
    own = budget(share_u=0.03)
    learned = learn(own, [lesson(own, u=1e-3)]).learned
    keys = [one.key for one in learned.inputs]
    i, j = keys.index("R_K_per_W"), keys.index("path_fraction")
    covariance = learned.covariance
    assert covariance[i, j] / np.sqrt(covariance[i, i] * covariance[j, j]) < -0.95


def test_common_errors_are_common_to_all_runs_in_the_covariance() -> None:
    whole = joint_covariance([lesson(budget(), u=0.01, power_u=0.05)] * 2)
    expected = 0.05**2 * np.ones((4, 4)) + 0.01**2 * np.eye(4)
    assert whole == pytest.approx(expected)


def test_a_bad_part_does_not_teach() -> None:
    with pytest.raises(NotIdentifiable, match="tab to case least; --force teaches all the same"):
        learn(budget(), [lesson(budget(), (2.0, 1.0))])


def test_by_force_it_does() -> None:
    mean, _ = after(budget(), [lesson(budget(), (2.0, 1.0))], force=True)
    assert mean[0] > 5


def test_a_run_that_check_doubts_does_not_teach_and_the_others_do() -> None:
    own = budget()
    sound, doubted = lesson(own), replace(lesson(own), doubt="check finds poor-contact at inner")
    runs = learn(own, [doubted, sound]).runs
    assert [run.taught for run in runs] == [False, True]
    assert runs[0].why_not == "check finds poor-contact at inner"


def test_sound_runs_are_refused_as_seldom_as_stated(monkeypatch) -> None:
    """Made from the budget itself, one in a hundred; the chance of 7 or more of 150 is 0.001."""
    monkeypatch.setattr("fit.learning.learn.DRAWS", 1000)
    own, random = budget(), np.random.default_rng(7)
    s = np.sqrt(np.log1p(0.01))
    refused = 0
    for _ in range(150):
        factors = np.exp(s * random.standard_normal(2) - s**2 / 2) * np.exp(
            0.02 * random.standard_normal(2)
        )
        run = learn(own, [lesson(own, tuple(factors))], force=True).runs[0]
        refused += run.p < DOUBTED
    assert refused < 7


def test_a_budget_that_is_sure_of_all_has_nothing_to_learn() -> None:
    sure = replace(budget(), stages=tuple(replace(s, uncertain={}) for s in budget().stages))
    with pytest.raises(NotIdentifiable, match="nothing to learn"):
        learn(sure, [lesson(budget())])


def test_a_run_without_a_resolved_span_is_no_lesson() -> None:
    with pytest.raises(NotIdentifiable, match="no span is resolved"):
        lesson(budget(), u=2.0)


def test_accuracy_that_the_rig_does_not_state_is_said() -> None:
    (warning,) = learn(budget(), [lesson(budget())]).warnings
    assert warning.startswith("power accuracy not stated")


def test_a_power_error_is_common_to_runs_of_different_spans_too() -> None:
    """The second run resolves its first span only."""
    first = lesson(budget(), u=0.01, power_u=0.05)
    whole = joint_covariance([first, replace(first, taken=(0,), ln_measured=first.ln_measured[:1],
        own_covariance=first.own_covariance[:1, :1],
        rig_covariance={name: c[:1, :1] for name, c in first.rig_covariance.items()})])  # fmt: skip
    assert whole == pytest.approx(0.05**2 * np.ones((3, 3)) + 0.01**2 * np.eye(3))
