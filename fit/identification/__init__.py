"""Time constants and resistances from signals: one model, one solver, its covariance."""
