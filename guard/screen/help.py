"""Every key on one page: shown on demand, and the source of every list of keys."""

# (key, what it does, the same in a word or two where there is little room)
KEYS: tuple[tuple[str, str, str], ...] = (
    ("space", "pause, and go on", "pause"),
    ("v", "what stands large: room, heart rate, or on a belt the speed to set", "large"),
    ("[  ]", "the ceiling down or up by 1", "ceiling"),
    ("s", "sound off for 15 minutes, or on", "sound"),
    ("m", "mark this moment", "mark"),
    ("8.5 Enter", "the belt's speed; 7:05 Enter as a pace, 2 % as a grade", "speed"),
    ("+  -", "the belt's speed up or down a step", "step"),
    ("n", "next part of the plan", "next"),
    ("f", "pace cues off (only stop and sensor cues), or on", "pace cues"),
    ("i", "what is asked and where you are, spoken and shown (also ? again)", "status"),
    ("q", "end, after asking", "end"),
)
# what is shown under a session, at several lengths; the longest that fits is taken
HINTS = (
    "space pause   v large figure   [ ] ceiling   s sound   m mark   8.5 Enter speed   n next part   "
    "? every key   q end",
    "space pause   v figure   [ ] ceiling   s sound   m mark   ? every key   q end",
    "space pause  v figure  ? keys  q end",
    "space pause  ? keys  q end",
    "? keys  q end",
)


def help_lines(width: int, height: int) -> list[str]:
    """The keys for a page of that size: in full where there is room, else close together in a word or two."""
    cap = max(len(key) for key, *_ in KEYS) + 2
    full = [f"{key:<{cap}}{words}" for key, words, _ in KEYS]
    if len(full) <= height and max(map(len, full)) <= width:
        return full
    short = [f"{key:<{cap}}{words}" for key, _, words in KEYS]
    if len(short) <= height and cap + 12 <= width < 2 * (cap + 12):
        return short
    lines = [""]
    for item in (f"{key.replace('  ', ' ')} {words}" for key, _, words in KEYS):
        joined = f"{lines[-1]}   {item}".strip()
        if len(joined) <= width:
            lines[-1] = joined
        else:
            lines.append(item)
    return lines
