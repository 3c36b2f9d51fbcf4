"""What is said to people, in one place, so that it can be translated: the mechanism, and the words of the results.

A language is a set of TOML files, `en.toml` and `en_<name>.toml`; English says everything. Who shows something passes
the language, there is none set here. `{field}` is filled by the code, `{field!c}` with a capital: languages differ in
which of their words begin a sentence. Terminal, JSON and store stay English; what stands there can be said in another
language when it is shown (`retold`).
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Callable, Iterator, Mapping, Sequence
from functools import cache, cached_property
from importlib.resources import files
from string import Formatter
from typing import Any

FIRST = "en"
"""The language that says everything; others fall back to it."""


class _Capitals(Formatter):
    def convert_field(self, value: Any, conversion: str | None) -> Any:
        return capital(str(value)) if conversion == "c" else super().convert_field(value, conversion)  # type: ignore[arg-type]


class Catalogue:
    """The words of one or more packages; what a later one says goes before."""

    def __init__(self, *packages: str) -> None:
        self._packages = packages
        self._spoken: dict[str, dict[str, str]] = {}

    def spoken(self, language: str) -> Mapping[str, str]:
        """What a language says itself, by key."""
        if language not in self._spoken:
            self._spoken[language] = {k: v for package in self._packages for k, v in _read(package, language)}
        return self._spoken[language]

    def words(self, language: str) -> Mapping[str, str]:
        """All words, in English where the language has none of its own."""
        return self.spoken(FIRST) if language == FIRST else {**self.spoken(FIRST), **self.spoken(language)}

    def say(self, key: str, /, *, language: str = FIRST, **fields: object) -> str:
        """The words at `key`, with its fields filled. A key or field that is missing is a fault of the program."""
        own = self.spoken(language)
        text = own[key] if key in own else self.spoken(FIRST)[key]
        return _filled(text, {k: v.in_language(language) if isinstance(v, Told) else v for k, v in fields.items()})

    def count(self, key: str, n: int, /, *, language: str = FIRST, **fields: object) -> str:
        """The words at `key.one` or `key.many`, by `n`."""
        return self.say(f"{key}.one" if n == 1 else f"{key}.many", language=language, n=n, **fields)

    def group(self, prefix: str, *, language: str = FIRST) -> dict[str, str]:
        """All words under a prefix: their keys lose it."""
        return {k[len(prefix) + 1 :]: text for k, text in self.words(language).items() if k.startswith(prefix + ".")}

    @cached_property
    def patterns(self) -> list[tuple[re.Pattern[str], str]]:
        """What the English of each text of these tables looks like, the longest first."""
        known = [(k, v) for k, v in self.spoken(FIRST).items() if k.startswith(_STORED)]
        return [(_pattern(v), k) for k, v in sorted(known, key=lambda kv: -len(kv[1]))]


_STORED = ("reason.", "saying.", "source.", "read.", "notice.", "filed.")
"""Tables of what stands in results and rules, and of what is told of files, sessions and the library."""

_NUMBERS = ("n", "s", "t", "u", "deg", "start", "end", "least", "spread", "error")
"""Fields of these that hold numbers."""


class Told(str):
    """English text that knows how it was made, so that it can be said in any language.

    `make` is a function that takes `given` and a keyword `language`; in all else this is its English text.
    """

    make: Callable[..., str]
    given: tuple[Any, ...]
    fields: dict[str, Any]

    @classmethod
    def by(cls, make: Callable[..., str], *given: Any, **fields: Any) -> Told:
        told = cls(make(*given, language=FIRST, **fields))
        told.make, told.given, told.fields = make, given, fields
        return told

    def in_language(self, language: str) -> str:
        return str(self) if language == FIRST else self.make(*self.given, language=language, **self.fields)


def told(key: str, /, **fields: object) -> Told:
    """The words at `key`, to be said in a language later."""
    return Told.by(say, key, **fields)


def retold(text: str, language: str = FIRST) -> str:
    """What stands in results, rules or bands, in a language; what is not known to the catalogue stays as it is."""
    if language == FIRST:
        return str(text)
    if isinstance(text, Told):
        return text.in_language(language)
    return _retold(text, language)


@cache
def _retold(text: str, language: str) -> str:
    for pattern, key in OWN.patterns:
        if found := pattern.fullmatch(text):
            return say(key, language=language, **{k: _retold(v, language) for k, v in found.groupdict().items()})
    if re.fullmatch(r"[−+-]?\d+\.\d+(e[+-]\d+)?", text):
        return decimals(text, language=language)
    for table in ("measure.name", "caution.kinds.kind", "role"):  # names that the results use
        if f"{table}.{text}" in OWN.spoken(FIRST):
            return say(f"{table}.{text}", language=language)
    for separator in ("; ", ", "):
        parts = text.split(separator)
        said = [_retold(p, language) for p in parts] if len(parts) > 1 else parts
        if said != parts:
            return separator.join(said)
    return text


def listed(items: Sequence[str], *, language: str = FIRST, clauses: bool = False) -> str:
    """a; a and b; a, b, and c. `clauses` are sentences of their own."""
    if len(items) < 2:
        return "".join(items)
    key = "list.clauses" if clauses else "list.many" if len(items) > 2 else "list.and"
    return say(key, language=language, first=", ".join(items[:-1]), last=items[-1])


def joined(items: Sequence[str], separator: str = ", ", *, language: str = FIRST) -> str:
    """Items said in the language, between separators."""
    return separator.join(retold(item, language) for item in items)


def number(value: float, digits: int = 0, *, language: str = FIRST, sign: bool = False) -> str:
    """A number as the language writes it, with a true minus; `sign`: with a plus too."""
    text = f"{value:{'+' if sign else ''}.{digits}f}".replace("-", "−")
    return decimals(text if text.strip("−+0.") else text.strip("−+"), language=language)  # no minus before a zero


def decimals(text: str, *, language: str = FIRST) -> str:
    """A number that is written already, with the language's decimal sign."""
    return text if language == FIRST else text.replace(".", _decimal_sign(language))


@cache
def _decimal_sign(language: str) -> str:
    from babel.numbers import get_decimal_symbol  # takes a while to load

    return get_decimal_symbol(language)


def capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def _filled(text: str, fields: Mapping[str, object]) -> str:
    return _Capitals().vformat(text, (), fields) if "!c}" in text else text.format(**fields)


def _pattern(text: str) -> re.Pattern[str]:
    """What a text looks like once its fields are filled; a field that is named twice is the same twice."""
    out, seen = "", set[str]()
    for literal, name, _, _ in Formatter().parse(text):
        out += re.escape(literal)
        if name:
            out += f"(?P={name})" if name in seen else f"(?P<{name}>{'[−+-]?[0-9.]+' if name in _NUMBERS else '.+?'})"
            seen.add(name)
    return re.compile(out, re.DOTALL)


def _read(package: str, language: str) -> Iterator[tuple[str, str]]:
    for file in sorted(files(package).iterdir(), key=lambda file: file.name):
        if file.name == f"{language}.toml" or (file.name.startswith(f"{language}_") and file.name.endswith(".toml")):
            yield from _flat(tomllib.loads(file.read_text(encoding="utf-8")))


def _flat(table: Mapping[str, Any], prefix: str = "") -> Iterator[tuple[str, str]]:
    for key, value in table.items():
        if isinstance(value, dict):
            yield from _flat(value, f"{prefix}{key}.")
        else:
            yield prefix + key, value


OWN = Catalogue("imu.words")
"""The words of the results."""

say, count = OWN.say, OWN.count
