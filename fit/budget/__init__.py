"""The predicted budget: stages in, resistances, temperatures and time constants out.

Nothing here imports anything of ours but `fit.errors`, `fit.toml_file` and `fit.network`.
"""

from fit.budget.prediction import predict
from fit.budget.read import read_budget

__all__ = ["predict", "read_budget"]
