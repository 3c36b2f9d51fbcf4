"""What the screens say, in one place, so that it can be translated.

The mechanism, and the words of the results, are those of `imu.words`; this adds the files beside this module, and the
language that the user's settings choose. `say("sentence.again", at="at the top")` looks a key up and fills its fields;
a missing key or field is a fault of the program and raises.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from imu import words
from imu.settings import load_settings
from imu.words import FIRST, Catalogue

LANGUAGE = load_settings().language
"""The user's, as it was when the program started."""

CAPITAL_NOUNS = ("de",)

OWN = Catalogue("dashboard.words")
ALL = Catalogue("imu.words", "dashboard.words")


def say(key: str, /, **fields: object) -> str:
    """The words at `key`, with its `{fields}` filled."""
    return ALL.say(key, language=LANGUAGE, **fields)


def count(key: str, n: int, /, **fields: object) -> str:
    """The words at `key.one` or `key.many`, by `n`."""
    return ALL.count(key, n, language=LANGUAGE, **fields)


def group(prefix: str) -> dict[str, str]:
    """All words under a prefix, for scripts in the browser: their keys lose the prefix."""
    return ALL.group(prefix, language=LANGUAGE)


def within(name: str) -> str:
    """A name inside a sentence: small, but in a language that writes its nouns with capitals."""
    return name if LANGUAGE in CAPITAL_NOUNS else name.lower()


def retold(text: str) -> str:
    """What results, rules or bands say, in the user's language."""
    return words.retold(text, LANGUAGE)


def because(reason: str | None) -> str:
    """Why there is no value, in the user's words."""
    return retold(reason) if reason else say("value.reason")


def reasons(found: Sequence[str]) -> list[str]:
    """Several of them."""
    return [retold(reason) for reason in found]


def listed(items: list[str]) -> str:
    """a; a and b; a, b and c."""
    if len(items) < 2:
        return "".join(items)
    return say("list.and", first=", ".join(items[:-1]), last=items[-1])


def number(value: float, digits: int = 0, *, sign: bool = False) -> str:
    """A number as the user's language writes it."""
    return words.number(value, digits, language=LANGUAGE, sign=sign)


def grouped(n: int) -> str:
    """A whole number, its thousands set apart."""
    from babel.numbers import format_decimal

    return format_decimal(n, "#,##0", locale=LANGUAGE)


def decimals(text: str) -> str:
    """A number that is written already, with the decimal sign of the user's language."""
    return words.decimals(text, language=LANGUAGE)


def catalogue(language: str = LANGUAGE) -> Mapping[str, str]:
    return ALL.words(language)


def spoken(language: str) -> Mapping[str, str]:
    """What a language says itself, of the screens' own words."""
    return OWN.spoken(language)


__all__ = [
    "FIRST",
    "LANGUAGE",
    "because",
    "catalogue",
    "count",
    "group",
    "listed",
    "number",
    "retold",
    "say",
    "spoken",
    "within",
]
