"""The page that a design is turned on: its markup, look and program in one answer.

The program is plain ECMAScript in small files that :data:`SCRIPTS` names in order.
"""

from vadist.pages import blind_test, listening_style, templates, text_of
from vadist.turning.fields import STEP_SERIES

SHARED = ("keyboard.js", "waveform.js")
SCRIPTS = ("desk.js", "loop.js", "fields.js", "curves.js", "kept.js", "turn.js")


def page_html(name: str, token: str, nonce: str) -> str:
    """Markup of the page.

    Parameters
    ----------
    name : str
        Of the design, for people.
    token : str
        Of this start of the server; the program sends it with every request.
    nonce : str
        Of this answer; style and program without it are not run.
    """
    own = "vadist.turning.page"
    scripts = [text_of("vadist.pages", script) for script in SHARED]
    scripts += [text_of(own, script) for script in SCRIPTS]
    html: str = (
        templates("vadist.turning", "page")
        .get_template("turn.html")
        .render(
            name=name, token=token, nonce=nonce, series=STEP_SERIES,
            tracks=(),
            style=listening_style(text_of("vadist.pages", "blind.css"), text_of(own, "turn.css")),
            program="\n".join([blind_test(), *scripts]),
        )
    )  # fmt: skip
    return html
