"""The plain side of the pages: a bare FastAPI with one Jinja2 template that shows the same bytes, from memory."""

import html
import re
from typing import Any

from fastapi import FastAPI
from fastapi.responses import HTMLResponse
from jinja2 import Environment

TEMPLATE = "{% for text, tag in parts %}{{ text }}{{ tag | safe }}{% endfor %}"
"""A page as a template sees it: texts that are escaped, and the markup between them."""


def bare_app(pages: dict[str, str]) -> FastAPI:
    """Return an application that answers each path with its page, made anew for each request.

    It asks nothing, checks nothing and packs nothing. What Jinja2's escaping would write otherwise than the page has it
    goes along as markup, so that the bytes are the same.
    """
    app = FastAPI(openapi_url=None)
    template = Environment(autoescape=True).from_string(TEMPLATE)
    for path, text in pages.items():

        def page(parts: list[tuple[str, str]] = _parts(text)) -> str:
            return template.render(parts=parts)

        app.get(path, response_class=HTMLResponse)(_without_query(page))
    return app


def _without_query(page: Any) -> Any:
    """Hide the parameter from FastAPI, which would look for it in the request."""
    return lambda: page()


def _parts(text: str) -> list[tuple[str, str]]:
    found: list[tuple[str, str]] = []
    render = Environment(autoescape=True).from_string("{{ text }}").render
    for words, tag in re.findall(r"([^<]*)(<[^>]*>|$)", text):
        plain = html.unescape(words)
        found.append((plain, tag) if render(text=plain) == words else ("", words + tag))
    return found
