"""A pure model of a runner, for rehearsal, tuning and benchmarks."""
