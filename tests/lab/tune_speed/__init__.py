"""How fast tuning is, beside plain and compiled loops."""
