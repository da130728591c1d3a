def run(*a): raise SystemExit("later")
def against_landed(*a): return ""
