"""The frame of every report page: one file, no script, no network; light, dark, phone and paper."""

from collections.abc import Iterable


def document(title: str, style: str, parts: Iterable[str]) -> str:
    """The whole page; `title` and `parts` are HTML already, what came from outside in it escaped."""
    body = "\n".join(part for part in parts if part)
    return (
        '<!doctype html>\n<html lang="en"><head><meta charset="utf-8">\n'
        '<meta name="viewport" content="width=device-width, initial-scale=1">\n'
        '<meta http-equiv="Content-Security-Policy" content="default-src \'none\'; '
        'style-src \'unsafe-inline\'">\n'
        f"<title>{title}</title>\n<style>{style}</style></head>\n<body>\n{body}\n</body></html>\n")
