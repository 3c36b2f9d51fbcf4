"""Dash components drawn by the scripts in `assets/`, and small pieces of pages.

A component here is a React function that a script puts on `window.dashboard`; this file gives it
its Python face, so that callbacks fill its properties as with any other Dash component.
"""

from __future__ import annotations

import json
from typing import Any

from dash import html
from dash.development.base_component import Component

from dashboard.words import say

NAMESPACE = "dashboard"


class _Drawn(Component):
    """Base of the components that the scripts draw."""

    _namespace = NAMESPACE
    _valid_wildcard_attributes: list[str] = []  # noqa: RUF012 - Dash reads these names from the class
    available_wildcard_attributes: list[str] = []  # noqa: RUF012
    _children_props: list[str] = []  # noqa: RUF012
    _base_nodes: list[str] = ["children"]  # noqa: RUF012

    def __init__(self, **properties: Any) -> None:
        super().__init__(**{k: v for k, v in properties.items() if v is not None})


class Rail(_Drawn):
    """The swings of a recording as links, each with the level of its wrist at the top.

    `items`: `[{"swing", "href", "label", "level", "spoken", "left_out"}]`; `current`: the chosen
    swing's number; `words`: `{"rail", "previous", "next"}`.
    """

    _type = "Rail"
    _prop_names = ["id", "items", "current", "words"]  # noqa: RUF012
    available_properties = _prop_names

    def __init__(
        self,
        id: str | None = None,
        items: list[dict[str, Any]] | None = None,
        current: int | None = None,
        words: dict[str, str] | None = None,
    ) -> None:
        super().__init__(id=id, items=items, current=current, words=words)


class Strip(_Drawn):
    """The strip of one swing: pictures, traces and numbers at the events, or the same as a table.

    `figure` is what `dashboard.figures.swing_figure` gives. It travels as text: Dash would walk
    through its thousands of numbers at every change of swing.
    """

    _type = "Strip"
    _prop_names = ["id", "figure", "heading", "file"]  # noqa: RUF012
    available_properties = _prop_names

    def __init__(
        self,
        id: str | None = None,
        figure: dict[str, Any] | None = None,
        heading: str | None = None,
        file: str | None = None,
    ) -> None:
        text = None if figure is None else json.dumps(figure, separators=(",", ":"), allow_nan=False)
        super().__init__(id=id, figure=text, heading=heading, file=file)


class Picture(_Drawn):
    """Arm, hand and club in three dimensions at the place that the strip's cursor shows; the swing is
    the strip's."""

    _type = "Picture"
    _prop_names = ["id"]  # noqa: RUF012
    available_properties = _prop_names

    def __init__(self, id: str | None = None) -> None:
        super().__init__(id=id)


class Numbers(_Drawn):
    """All angles at the event of the cursor, each with doubt, level and word; the swing is the strip's."""

    _type = "Numbers"
    _prop_names = ["id"]  # noqa: RUF012
    available_properties = _prop_names

    def __init__(self, id: str | None = None) -> None:
        super().__init__(id=id)


class Lever(_Drawn):
    """A slider that turns one joint at the event of the cursor, and what face and shaft would do.

    `figure` is what `dashboard.lever.lever_figure` gives; it travels as text, as the strip's does.
    """

    _type = "Lever"
    _prop_names = ["id", "figure"]  # noqa: RUF012
    available_properties = _prop_names

    def __init__(self, id: str | None = None, figure: dict[str, Any] | None = None) -> None:
        text = None if figure is None else json.dumps(figure, separators=(",", ":"), allow_nan=False)
        super().__init__(id=id, figure=text)


class Means(_Drawn):
    """Means of the recording's swings at the event of the cursor."""

    _type = "Means"
    _prop_names = ["id", "figure"]  # noqa: RUF012
    available_properties = _prop_names

    def __init__(self, id: str | None = None, figure: dict[str, Any] | None = None) -> None:
        super().__init__(id=id, figure=figure)


class BandEditor(_Drawn):
    """A form for sets of bands. Each `asks` more, `ask` holds what is wanted: `{"choose": key}` or
    `{"save": name, "rows": [...]}`; `fault` is the answer where it could not be done."""

    _type = "BandEditor"
    _prop_names = ["id", "figure", "ask", "asks", "fault"]  # noqa: RUF012
    available_properties = _prop_names

    def __init__(
        self,
        id: str | None = None,
        figure: dict[str, Any] | None = None,
        ask: dict[str, Any] | None = None,
        asks: int | None = None,
        fault: str | None = None,
    ) -> None:
        super().__init__(id=id, figure=figure, ask=ask, asks=asks, fault=fault)


def aria(role: str | None = None, **names: str) -> dict[str, Any]:
    """ARIA attributes as Dash takes them: `aria(label="…")` is `aria-label`."""
    found: dict[str, Any] = {f"aria-{name}": value for name, value in names.items()}
    return found if role is None else {"role": role, **found}


def card(title: str, *children: Any, kind: str = "") -> html.Section:
    """A panel with its heading."""
    return html.Section([html.H2(title, className="card-title"), *children], className=f"card {kind}".strip())


def fault(what: str, do: str, *, where: str = "", action: Any = None) -> html.Section:
    """What went wrong, where, and what to do; the rest of the page stays."""
    parts = [html.H2(what), html.P(where, className="fault-where") if where else None, html.P(do), action]
    return html.Section([p for p in parts if p is not None], className="fault", role="alert")


def fold(title: str, *children: Any, open: bool = False, kind: str = "") -> html.Details:
    """A panel that opens on demand."""
    return html.Details(
        [html.Summary(html.H2(title, className="card-title")), *children],
        className=f"card fold {kind}".strip(),
        open=open,
    )


def table(caption: str, heads: list[str], rows: list[list[Any]]) -> html.Div:
    """A plain table whose first column heads its rows; wide ones scroll on their own."""
    body = [html.Tr([html.Th(row[0], scope="row"), *(html.Td(c) for c in row[1:])]) for row in rows]
    head = html.Thead(html.Tr([html.Th(h, scope="col") for h in heads]))
    return html.Div(
        html.Table([html.Caption(caption, className="unseen"), head, html.Tbody(body)]),
        className="scroll",
        role="region",
        tabIndex="0",
        **aria(label=caption),
    )


def brand() -> html.Div:
    """The mark (a stick bent both ways, drawn by the style sheet) and the name."""
    return html.Div(
        [html.Span(className="brand-mark"), html.Span(say("app.title"), className="brand-name")], className="brand"
    )


class Drawing(_Drawn):
    """SVG text made by `dashboard.ridges`; `narrow` takes the place of `wide` on a phone."""

    _type = "Drawing"
    _prop_names = ["id", "wide", "narrow"]  # noqa: RUF012
    available_properties = _prop_names

    def __init__(self, id: str | None = None, wide: str | None = None, narrow: str | None = None) -> None:
        super().__init__(id=id, wide=wide, narrow=narrow)


class Preview(_Drawn):
    """A whole HTML page in a frame of its own that runs no script."""

    _type = "Preview"
    _prop_names = ["id", "page", "label"]  # noqa: RUF012
    available_properties = _prop_names

    def __init__(self, id: str | None = None, page: str | None = None, label: str | None = None) -> None:
        super().__init__(id=id, page=page, label=label)
