"""Estimators against a plant whose truth is known, beside simpler rivals: each module gives rows of one table."""
