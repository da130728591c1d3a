"""Developer's tools: benchmarks, their opponents, campaigns of tuning; README.md lists them."""
