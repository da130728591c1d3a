def run(*a): raise SystemExit("later")
