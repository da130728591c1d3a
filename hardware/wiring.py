"""Draws hardware/wiring.svg: button, lamp and buzzer on five neighbouring header pins.

    .venv/bin/python hardware/wiring.py

The tests hold the numbers against gpiozero's own board data.
"""

from __future__ import annotations

from pathlib import Path

# Header pin: what it is called, what it is for. One row of the header, so that one plug of five fits.
PINS = {
    9: ("GND", "ground of all three"),
    11: ("GPIO17", "button"),
    13: ("GPIO27", "lamp"),
    15: ("GPIO22", "buzzer"),
    17: ("3V3", "3.3 V for the buzzer"),
}
ROWS = 10  # of twenty: the rest of the header is not used
WIDTH, HEIGHT = 800, 540
ODD_X, EVEN_X, TOP_Y, ROW_Y = 610, 640, 60, 30
RAIL_X = 60

STYLE = """
  svg { background: #fff }
  text { font: 15px sans-serif; fill: #111 }
  .small { font-size: 13px; fill: #333 }
  .wire { stroke: #111; stroke-width: 2; fill: none; stroke-linejoin: round }
  .part { stroke: #111; stroke-width: 2; fill: #fff }
  .ink { fill: #111 }
  .unused { stroke: #777; stroke-width: 1.5; fill: #fff }
  .board { stroke: #777; stroke-width: 1.5; fill: #f2f2f2 }
"""


def pin_y(pin: int) -> int:
    return TOP_Y + ROW_Y * ((pin - 1) // 2)


def text(x: float, y: float, words: str, kind: str = "", anchor: str = "start") -> str:
    return f'<text x="{x}" y="{y}" class="{kind}" text-anchor="{anchor}">{words}</text>'


def wire(*points: tuple[float, float]) -> str:
    return f'<polyline class="wire" points="{" ".join(f"{x},{y}" for x, y in points)}"/>'


def dot(x: float, y: float) -> str:
    return f'<circle class="ink" cx="{x}" cy="{y}" r="4"/>'


def resistor(x: float, y: float, value: str) -> str:
    return (f'<rect class="part" x="{x - 32}" y="{y - 9}" width="64" height="18"/>'
            + text(x, y - 16, value, anchor="middle"))


def header() -> str:
    bottom = pin_y(2 * ROWS)
    parts = [f'<rect class="board" x="{ODD_X - 20}" y="{TOP_Y - 20}" width="70" '
             f'height="{bottom - TOP_Y + 40}"/>']
    for pin in range(1, 2 * ROWS + 1):
        x, y = (ODD_X if pin % 2 else EVEN_X), pin_y(pin)
        if pin == 1:  # the square pad of pin 1
            parts.append(f'<rect class="unused" x="{x - 9}" y="{y - 9}" width="18" height="18"/>')
        else:
            kind = "ink" if pin in PINS else "unused"
            parts.append(f'<circle class="{kind}" cx="{x}" cy="{y}" r="9"/>')
    for pin, (name, _what) in PINS.items():
        parts.append(text(EVEN_X + 24, pin_y(pin) + 5, f"{pin}  {name}"))
    parts.append(text(EVEN_X + 24, pin_y(1) + 5, "1  (square pad)", "small"))
    parts.append(text(ODD_X - 20, bottom + 42, "pins 21 to 40 are not used", "small"))
    parts.append(text(ODD_X - 20, TOP_Y - 30, "header, seen from above"))
    return "".join(parts)


def button() -> str:
    y, x = 150, 290
    return "".join([
        wire((ODD_X, pin_y(11)), (520, pin_y(11)), (520, y), (x + 35, y)), wire((x - 35, y), (RAIL_X, y)),
        dot(RAIL_X, y),
        f'<circle class="part" cx="{x + 31}" cy="{y}" r="4"/>',
        f'<circle class="part" cx="{x - 31}" cy="{y}" r="4"/>',
        wire((x - 31, y - 14), (x + 31, y - 14)), wire((x, y - 14), (x, y - 26)),
        wire((x - 10, y - 26), (x + 10, y - 26)),
        text(x, y + 26, "push button, open until pressed", anchor="middle")])


def lamp() -> str:
    y, x = pin_y(13), 240
    return "".join([
        wire((ODD_X, y), (432, y)), resistor(400, y, "330 Ω"), wire((368, y), (x + 18, y)),
        f'<polygon class="part" points="{x + 18},{y - 15} {x + 18},{y + 15} {x - 10},{y}"/>',
        wire((x - 10, y - 15), (x - 10, y + 15)), wire((x - 10, y), (RAIL_X, y)), dot(RAIL_X, y),
        wire((x + 2, y - 20), (x - 8, y - 34)), wire((x + 14, y - 20), (x + 4, y - 34)),
        text(x, y + 36, "LED, short leg (flat side) to ground", anchor="middle")])


def buzzer() -> str:
    y, x, low = 340, 300, 470
    return "".join([
        wire((ODD_X, pin_y(15)), (520, pin_y(15)), (520, y), (432, y)), resistor(400, y, "1 kΩ"),
        wire((368, y), (x, y)),
        f'<line class="wire" style="stroke-width:5" '
        f'x1="{x}" y1="{y - 22}" x2="{x}" y2="{y + 22}"/>',
        wire((x, y - 10), (x - 34, y - 32), (RAIL_X, y - 32)),
        f'<polygon class="ink" points="{x - 30},{y - 29} {x - 14},{y - 27} {x - 21},{y - 16}"/>',
        wire((x, y + 10), (x - 34, y + 32), (x - 34, y + 50)),
        text(x + 14, y + 42, "NPN transistor", "small"),
        text(x + 14, y + 58, "(BC547, 2N3904 or alike)", "small"),
        f'<circle class="part" cx="{x - 34}" cy="{y + 76}" r="26"/>',
        text(x - 34, y + 82, "BZ", anchor="middle"),
        wire((x - 34, y + 102), (x - 34, low), (550, low), (550, pin_y(17)), (ODD_X, pin_y(17))),
        wire((x - 34, y + 40), (180, y + 40), (180, y + 66)), dot(x - 34, y + 40),
        f'<polygon class="part" points="166,{y + 66} 194,{y + 66} 180,{y + 92}"/>',
        wire((166, y + 92), (194, y + 92)),
        wire((180, y + 92), (180, low), (x - 34, low)), dot(x - 34, low),
        text(156, y + 84, "1N4148", "small", "end"),
        text(x, low + 24, "active buzzer, 3 V, plus leg to 3.3 V; the diode only for a magnetic one",
             anchor="middle")])


def ground() -> str:
    y = 70
    return "".join([
        wire((ODD_X, pin_y(9)), (550, pin_y(9)), (550, y), (RAIL_X, y), (RAIL_X, 340 - 32)),
        dot(RAIL_X, 340 - 32),
        text(RAIL_X + 10, y - 10, "ground, shared")])


def drawing() -> str:
    """The whole picture as SVG."""
    return (f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH} {HEIGHT}" role="img">'
            "<title>Button, lamp and buzzer on the header of a Raspberry Pi</title>"
            f"<style>{STYLE}</style>" + header() + ground() + button() + lamp() + buzzer()
            + text(20, 28, "Button, lamp, buzzer: each may be left out") + "</svg>\n")


if __name__ == "__main__":
    Path(__file__).with_name("wiring.svg").write_text(drawing(), encoding="utf-8")
