"""The pages: one file each, found in the table `dashboard.app.PAGES`."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from dash import Dash
from dash.development.base_component import Component

from dashboard.service import Service


@dataclass(frozen=True)
class Page:
    """A page of the dashboard: its place in links and in the navigation.

    `layout(service)` gives the empty page; `register(app, service)` adds its callbacks once.
    """

    path: str
    label: str
    layout: Callable[[Service], Component]
    register: Callable[[Dash, Service], None]
