"""Estimators of heart rate compared."""
