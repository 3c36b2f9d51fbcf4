"""What the screens say, in one place, so that it can be translated.

A language is its TOML files beside this module; the user's settings choose it. `say("sentence.again", at="at the top")` looks a key
up and fills its fields; a missing key or field is a fault of the program and raises.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from functools import cache
from importlib.resources import files
from typing import Any

from imu.settings import load_settings

FIRST = "en"
"""The language that says everything; others fall back to it."""

LANGUAGE = load_settings().language
"""The user's, as it was when the program started."""

CAPITAL_NOUNS = ("de",)

REASONS = {"the face's heading means aim only near address and impact": "value.reason_aim"}
"""Reasons that stand in the results of every swing, and their words."""


def say(key: str, /, **fields: object) -> str:
    """The words at `key`, with its `{fields}` filled."""
    return catalogue()[key].format(**fields)


def count(key: str, n: int, /, **fields: object) -> str:
    """The words at `key.one` or `key.many`, by `n`."""
    return say(f"{key}.one" if n == 1 else f"{key}.many", n=n, **fields)


def group(prefix: str) -> dict[str, str]:
    """All words under a prefix, for scripts in the browser: their keys lose the prefix."""
    return {key[len(prefix) + 1 :]: text for key, text in catalogue().items() if key.startswith(prefix + ".")}


def within(name: str) -> str:
    """A name inside a sentence: small, but in a language that writes its nouns with capitals."""
    return name if LANGUAGE in CAPITAL_NOUNS else name.lower()


def because(reason: str | None) -> str:
    """Why there is no value, in the user's words; what has none there stays as the results say it."""
    return say(REASONS[reason]) if reason in REASONS else reason or say("value.reason")


def listed(items: list[str]) -> str:
    """a; a and b; a, b and c."""
    if len(items) < 2:
        return "".join(items)
    return say("list.and", first=", ".join(items[:-1]), last=items[-1])


@cache
def catalogue(language: str = LANGUAGE) -> Mapping[str, str]:
    return spoken(FIRST) | spoken(language)


def spoken(language: str) -> dict[str, str]:
    """What a language says itself."""
    found: dict[str, str] = {}
    for file in sorted(files(__package__).iterdir(), key=lambda file: file.name):
        if file.name == f"{language}.toml" or (file.name.startswith(f"{language}_") and file.name.endswith(".toml")):
            found |= _flat(tomllib.loads(file.read_text(encoding="utf-8")))
    return found


def _flat(table: Mapping[str, Any], prefix: str = "") -> dict[str, str]:
    out: dict[str, str] = {}
    for key, value in table.items():
        if isinstance(value, dict):
            out |= _flat(value, f"{prefix}{key}.")
        else:
            out[prefix + key] = value
    return out
