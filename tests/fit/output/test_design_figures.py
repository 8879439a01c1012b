"""What would have to change, and what runs have taught, as figures."""

from __future__ import annotations

from dataclasses import replace

import pytest

from fit.budget import predict
from fit.budget.target import what_to_change
from fit.errors import NotIdentifiable
from fit.learning.history import Earlier
from fit.learning.learn import learn
from fit.output.figures.learned import learned_figure
from fit.output.figures.target import target_figure
from fit.output.theme import new_figure
from tests.fit.budget.test_prediction import two_stages
from tests.fit.learning.test_learn import budget, lesson


def test_every_input_has_its_curve_with_the_value_needed_on_the_target() -> None:
    target = what_to_change(predict(two_stages()), "tab", 40.2, 25.0)
    figure = target_figure(target)
    assert [axes.get_title(loc="left") for axes in figure.axes] == [
        f"R of {change.stage}, K/W" for change in target.changes
    ]
    for axes, change in zip(figure.axes, target.changes, strict=True):
        last = axes.lines[-1]
        assert (last.get_xdata()[0], last.get_ydata()[0]) == (change.needed, 40.2)


def test_where_no_input_is_felt_there_is_no_figure() -> None:
    target = what_to_change(predict(two_stages()), "tab", 40.2, 25.0)
    with pytest.raises(NotIdentifiable, match="no input of the budget"):
        target_figure(replace(target, changes=()))


def test_inputs_stand_before_and_after_the_most_taught_on_top() -> None:
    own = budget(share_u=0.01)
    figure = new_figure(3.0)
    axes = figure.add_subplot()
    assert learned_figure(learn(own, [lesson(own)]), ax=axes) is figure
    names = [text.get_text().split(":")[0] for text in axes.texts]
    assert set(names[:2]) == {"R of inner (K/W)", "R of outer (K/W)"}
    assert names[2] == "path fraction"
    before, after = (line.get_xdata() for line in axes.lines[1:5:2])
    assert after[1] - after[0] < before[1] - before[0]


def test_what_was_learnt_before_stands_between_stated_and_learnt_now() -> None:
    own = budget()
    first = learn(own, [lesson(own)])
    again = learn(own, [lesson(own)], earlier=Earlier("first.json", first.learned, first.runs))
    axes = new_figure(3.0).add_subplot()
    learned_figure(again, ax=axes)
    bars = [line for line in axes.lines[1:] if len(line.get_xdata()) == 2][:3]
    assert sorted(bars, key=lambda bar: bar.get_ydata()[0]) == bars
    widths = [float(bar.get_xdata()[1] - bar.get_xdata()[0]) for bar in bars]
    assert sorted(widths, reverse=True) == widths
