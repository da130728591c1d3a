"""The frame of every report page: one file, no script, no network; light, dark, phone and paper."""

from collections.abc import Iterable

_BASE = """
:root { color-scheme: light dark; --paper: #fff; --ink: #1b1b1b; --soft: #5a5a5a; --rule: #d8d8d8;
  --blue: #0072B2; --warm: #D55E00; --shade: #e9e4d4; --band: #e3ecf3; }
@media screen and (prefers-color-scheme: dark) { :root { --paper: #16181a; --ink: #ececec;
  --soft: #a9adb0; --rule: #3a3e42; --blue: #56B4E9; --warm: #E69F00; --shade: #3a3626;
  --band: #22303a; } }
* { box-sizing: border-box; }
body { margin: 0 auto; max-width: 46rem; padding: 1.2rem 1rem 3rem; background: var(--paper);
  color: var(--ink); font: 1rem/1.5 system-ui, sans-serif; }
h1 { font-size: 1.5rem; line-height: 1.25; margin: 0 0 .3rem; }
h2 { font-size: 1.1rem; margin: 2rem 0 .4rem; border-top: 1px solid var(--rule); padding-top: 1rem; }
p { margin: .4rem 0; } .soft { color: var(--soft); font-size: .9rem; }
.key { display: inline-block; width: .9em; height: .9em; vertical-align: -.1em;
  border: 1px solid var(--rule); }
@media print { * { -webkit-print-color-adjust: exact; print-color-adjust: exact; } }
"""


def document(title: str, style: str, parts: Iterable[str]) -> str:
    """The whole page; `title` and `parts` are HTML already, what came from outside in it escaped."""
    body = "\n".join(part for part in parts if part)
    return (
        '<!doctype html>\n<html lang="en"><head><meta charset="utf-8">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        '<meta http-equiv="Content-Security-Policy" content="default-src \'none\'; '
        'style-src \'unsafe-inline\'">\n'
        f"<title>{title}</title>\n<style>{_BASE}{style}</style></head>\n<body>\n{body}\n</body></html>\n")
