"""From which speed on somebody walks, and runs."""

WALK_M_S = 0.5  # slower is standing
RUN_M_S = 1.8  # 6.5 km/h; few people walk faster, few jog slower (common practice)
