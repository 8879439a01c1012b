"""The predicted budget: stages in, resistances, temperatures and time constants out.

Nothing here imports anything of ours but `fit.errors` and `fit.network`.
"""
