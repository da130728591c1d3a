"""Reading heart rate: packets, plausibility, estimate. Pure."""
