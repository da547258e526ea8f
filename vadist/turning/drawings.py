"""Schematics for a page that allows no styles inside elements: colours become classes."""

import re

_COLOURS = {"#111111": "ink", "#777777": "grey", "#0072B2": "blue", "#ffffff": "none",
            "white": "none", "none": "none"}  # fmt: skip
_KEPT = ("stroke-width", "stroke-linecap", "stroke-linejoin")


def page_svg(svg: str) -> str:
    """Turn the styles of a drawing into attributes and classes; its size is the page's matter.

    >>> page_svg('<svg height="9pt" width="8pt" style="background-color:white;">'
    ...          '<path style="stroke:#111111;fill:none;stroke-width:2;" /></svg>')
    '<svg ><path class="line-ink fill-none" stroke-width="2" /></svg>'
    """
    head, rest = svg.split(">", 1)
    head = re.sub(r'\s(height|width|style|xml:lang)="[^"]*"', " ", head)
    text = f"{re.sub(r' +', ' ', head)}>{rest}"
    text = re.sub(r'style="([^"]*)"', lambda found: _attributes(found[1]), text)
    return re.sub(r'fill="(#[0-9A-Fa-f]{6})"', lambda f: f'class="fill-{_COLOURS[f[1]]}"', text)


def _attributes(style: str) -> str:
    pairs = [pair.partition(":")[::2] for pair in style.split(";") if ":" in pair]
    held = dict(pairs)
    words = {"line": held.get("stroke"), "fill": held.get("fill")}
    classes = [f"{word}-{_COLOURS[colour]}" for word, colour in words.items() if colour]
    kept = [f'{key}="{held[key]}"' for key in _KEPT if key in held]
    return " ".join([f'class="{" ".join(classes)}"', *kept])
