"""What a report says, without how it looks: for comparing a page with one drawn anew."""

from __future__ import annotations

from html.parser import HTMLParser

SPOKEN_ATTRIBUTES = ("alt", "aria-label", "content", "title")
"""Attributes that are read out or say what the page is; `content` is that of the page's marks,
with the digest of its style sheet among them."""
UNSAID = ("style", "script")
"""Elements whose text is no text of the page."""


def words_of_page(html: str) -> str:
    r"""Return the text of a page without its markup, pictures, sounds and style.

    Parameters
    ----------
    html : str
        The page; any text will do, a damaged page too.

    Returns
    -------
    str
        Words with one space between them, in the order of the page; texts for those who cannot
        see a picture and the marks in the page's head are among them.

    Examples
    --------
    >>> words_of_page('<p>34 &lt; 40</p>\n<img alt="a floor" src="data:image/png;base64,AAAA">')
    '34 < 40 a floor'
    """
    listener = _Listener()
    listener.feed(html)
    listener.close()
    return " ".join(" ".join(listener.said).split())


class _Listener(HTMLParser):
    """Keeps what is said on a page."""

    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.said: list[str] = []
        self.silent = False

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Keep the spoken attributes."""
        self.silent = tag in UNSAID
        self.said += [
            value
            for name, value in attrs
            if value and name in SPOKEN_ATTRIBUTES and not value.startswith("data:")
        ]

    def handle_endtag(self, tag: str) -> None:
        """Listen again after an element that is not said."""
        if tag in UNSAID:
            self.silent = False

    def handle_data(self, data: str) -> None:
        """Keep a text."""
        if not self.silent:
            self.said.append(data)
